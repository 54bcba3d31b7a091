"use strict";
// Keeps the page fresh, says loudly when it cannot, and draws the picture.
// Everything it shows comes as ready words.

const EVERY_MS = 5000;
const ANSWER_WITHIN_MS = 4000;
const OLD_AFTER_MS = 20000;
const DRAW_EVERY_MS = 60000;
const NARROW = 560;
const SHORTEST_MS = 60000;

const at = (id) => document.getElementById(id);
let heard = performance.now();
let closer = null; // the part of the picture that is looked at, as two local times; null: all of it

function put(id, text) {
  const element = at(id);
  if (element.textContent !== text) element.textContent = text;
}

function fill(id, rows, make) {
  at(id).replaceChildren(...rows.map(make));
}

function element(name, ...children) {
  const made = document.createElement(name);
  made.append(...children);
  return made;
}

function show(view) {
  for (const id of ["chamber", "verdict", "as_of", "swap", "last_swap", "reserve"]) put(id, view[id]);
  at("verdict").className = "verdict " + view.state;
  document.body.dataset.state = view.state;
  document.title = (["alarm", "silent"].includes(view.state) ? "! " : "") + view.chamber;
  fill("notes", view.notes, (note) => element("li", note));
  fill("readings", view.readings, ([name, value]) =>
    element("div", element("dt", name), element("dd", value)));
  fill("plan", view.plan, (cells) => element("tr", ...cells.map((cell) => element("td", cell))));
  at("plan-box").hidden = view.plan.length === 0;
  fill("events", view.events, ([when, what]) => element("li", element("time", when), " " + what));
  at("no-events").hidden = view.events.length > 0;
}

// The last words may have been good ones: they must not stay in the place of the verdict.
function lost() {
  const minutes = Math.floor((performance.now() - heard) / 60000);
  const since = minutes < 1 ? "" : ` for ${minutes} min`;
  put("verdict", `This page cannot reach the chamber${since}. What follows is old.`);
  at("verdict").className = "verdict silent";
  document.body.dataset.state = "silent";
  document.title = "! " + at("chamber").textContent;
}

async function fetched(address) {
  const answer = await fetch(address, { signal: AbortSignal.timeout(ANSWER_WITHIN_MS) });
  if (answer.status === 401) location.reload(); // looking needs the secret again
  if (!answer.ok) throw new Error(String(answer.status));
  return answer.json();
}

async function refresh() {
  const asked = performance.now();
  try {
    const view = await fetched("/now.json");
    heard = asked;
    show(view);
  } catch {
    if (performance.now() - heard > OLD_AFTER_MS) lost();
  }
}

// --- the picture

const coarse = matchMedia("(pointer: coarse)");
const dark = matchMedia("(prefers-color-scheme: dark)");
const instant = (text) => Date.parse(text.replace(" ", "T") + (text.length > 10 ? "Z" : ""));
const local = (ms) => new Date(ms).toISOString().slice(0, 19);

function dressed(figure, place) {
  const layout = figure.layout;
  layout.font.color = getComputedStyle(document.body).getPropertyValue("--faint").trim();
  layout.dragmode = coarse.matches ? false : "zoom"; // a finger on it scrolls the page
  layout.uirevision = closer ? "kept" : "all"; // what was chosen of heights stays while closer
  layout.legend.uirevision = "kept";
  layout.xaxis.uirevision = String(closer);
  if (closer) layout.xaxis.range = closer;
  if (place.clientWidth < NARROW) layout.xaxis.nticks = 4;
  return layout;
}

async function draw() {
  const place = at("figure");
  const query = new URLSearchParams({ span: place.dataset.span });
  if (closer) {
    query.set("since", closer[0]);
    query.set("until", closer[1]);
  }
  const asked = String(closer);
  try {
    const figure = await fetched("/figure.json?" + query);
    if (asked !== String(closer)) return; // somebody looks elsewhere meanwhile
    put("extent", figure.words);
    place.setAttribute("aria-label", figure.words);
    await window.Plotly.react(place, figure.data, dressed(figure, place),
      { ...figure.config, doubleClick: false });
    at("looking").hidden = false;
  } catch {
    // the words above say when the chamber cannot be reached; the old picture has its own times
  }
}

function look(range) {
  closer = range;
  draw();
}

function move(how) {
  if (how === "all") return look(null);
  const [begins, ends] = at("figure").layout.xaxis.range.map(instant);
  const middle = (begins + ends) / 2;
  const length = ends - begins;
  const [shift, scale] = {
    closer: [0, 0.5], wider: [0, 2], earlier: [-0.5, 1], later: [0.5, 1],
  }[how];
  const half = Math.max(SHORTEST_MS, length * scale) / 2;
  const to = middle + shift * length;
  look([local(to - half), local(to + half)]);
}

function moved(change) {
  const begins = change["xaxis.range[0]"];
  const ends = change["xaxis.range[1]"];
  if (begins && ends && instant(ends) - instant(begins) >= SHORTEST_MS) {
    look([local(instant(begins)), local(instant(ends))]);
  }
}

async function beginPicture() {
  await draw();
  at("figure").on?.("plotly_relayout", moved);
  at("figure").on?.("plotly_doubleclick", () => look(null));
  for (const button of document.querySelectorAll("#looking button")) {
    button.addEventListener("click", () => move(button.value));
  }
  dark.addEventListener("change", draw);
  setInterval(() => { if (!document.hidden) draw(); }, DRAW_EVERY_MS);
}

function begin() {
  const charting = document.createElement("script");
  charting.src = "/charting.js";
  charting.addEventListener("load", beginPicture);
  document.head.append(charting);
  setInterval(refresh, EVERY_MS);
  // a phone that wakes up shows what it showed when it fell asleep
  document.addEventListener("visibilitychange", () => { if (!document.hidden) refresh(); });
  addEventListener("pageshow", (event) => { if (event.persisted) refresh(); });
}

begin();
