"use strict";
// Keeps the page fresh and draws the picture. Everything it shows comes as ready words.

const EVERY_MS = 5000;
const DRAW_EVERY_MS = 60000;

function put(id, text) {
  const element = document.getElementById(id);
  if (element.textContent !== text) element.textContent = text;
}

function fill(id, rows, make) {
  document.getElementById(id).replaceChildren(...rows.map(make));
}

function element(name, ...children) {
  const made = document.createElement(name);
  made.append(...children);
  return made;
}

function show(view) {
  for (const id of ["chamber", "verdict", "as_of", "swap", "reserve"]) put(id, view[id]);
  document.getElementById("verdict").className = "verdict " + view.state;
  document.title = (["alarm", "silent"].includes(view.state) ? "! " : "") + view.chamber;
  fill("notes", view.notes, (note) => element("li", note));
  fill("readings", view.readings, ([name, value]) =>
    element("div", element("dt", name), element("dd", value)));
  fill("plan", view.plan, (cells) => element("tr", ...cells.map((cell) => element("td", cell))));
  document.getElementById("plan-box").hidden = view.plan.length === 0;
  document.getElementById("lost").hidden = true;
}

function lost() {
  document.getElementById("lost").hidden = false;
  document.getElementById("verdict").className = "verdict silent";
}

async function refresh() {
  try {
    const answer = await fetch("/now.json");
    if (!answer.ok) throw new Error(String(answer.status));
    show(await answer.json());
  } catch {
    lost();
  }
}

async function draw() {
  const place = document.getElementById("figure");
  const answer = await fetch("/figure.json?span=" + encodeURIComponent(place.dataset.span));
  if (!answer.ok) return;
  const figure = await answer.json();
  await window.Plotly.react(place, figure.data, figure.layout, figure.config);
}

function begin() {
  const charting = document.createElement("script");
  charting.src = "/charting.js";
  charting.addEventListener("load", () => {
    draw();
    setInterval(draw, DRAW_EVERY_MS);
  });
  document.head.append(charting);
  setInterval(refresh, EVERY_MS);
}

begin();
