"use strict";
// Keeps the page fresh, and says loudly when it cannot.
// Everything it shows comes as ready words.

const EVERY_MS = 5000;
const ANSWER_WITHIN_MS = 4000;
const OLD_AFTER_MS = 20000;
const DRAW_EVERY_MS = 60000;

const at = (id) => document.getElementById(id);
let heard = performance.now();

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

// --- the picture, drawn on the server

async function draw() {
  const place = at("picture");
  try {
    const answer = await fetch("/picture?" + place.dataset.query,
      { signal: AbortSignal.timeout(ANSWER_WITHIN_MS) });
    if (answer.ok) place.innerHTML = await answer.text();
  } catch {
    // the words above say when the chamber cannot be reached; the old picture has its own times
  }
}

function begin() {
  setInterval(() => { if (!document.hidden) draw(); }, DRAW_EVERY_MS);
  setInterval(refresh, EVERY_MS);
  // a phone that wakes up shows what it showed when it fell asleep
  document.addEventListener("visibilitychange", () => { if (!document.hidden) refresh(); });
  addEventListener("pageshow", (event) => { if (event.persisted) refresh(); });
}

begin();
