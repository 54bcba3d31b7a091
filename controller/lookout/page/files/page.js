"use strict";
// Keeps the page fresh, and says loudly when it cannot. Every text comes ready from the server.

const EVERY_MS = 5000;
const ANSWER_WITHIN_MS = 4000;
const PICTURE_EVERY_MS = 60000;

const at = (id) => document.getElementById(id);
const live = at("live");
let freshAt = performance.now();
let shown = "";

async function fetched(address) {
  const answer = await fetch(address, { signal: AbortSignal.timeout(ANSWER_WITHIN_MS) });
  if (answer.status === 401) location.reload(); // it needs the password again
  if (!answer.ok) throw new Error(String(answer.status));
  return answer;
}

function show(text) {
  if (text === shown) return; // nothing new: a screen reader need not say it again
  shown = text;
  putInPlace(live, text);
}

// What was shown last may have been good news: it must not stay in the headline's place.
function stale() {
  const minutes = Math.floor((performance.now() - freshAt) / 60000);
  const since = minutes < 1 ? "" : ` for ${minutes} min`;
  const headline = at("headline");
  if (document.body.dataset.state !== "no-data" || headline.dataset.stale) {
    headline.dataset.stale = "yes";
    headline.className = "headline no-data";
    headline.textContent = `No contact with the chamber${since}. What follows is old.`;
    at("action")?.remove();
  }
  document.body.dataset.state = "no-data";
  document.title = "! " + at("chamber").textContent;
  shown = "";
}

async function refresh() {
  const asked = performance.now();
  try {
    const answer = await fetched("/now?" + live.dataset.query);
    const text = await answer.text();
    freshAt = asked;
    show(text);
    const state = answer.headers.get("x-state");
    document.body.dataset.state = state;
    const loud = ["alarm", "no-data", "locked-out"].includes(state) ? "! " : "";
    document.title = loud + at("chamber").textContent;
  } catch {
    if (performance.now() - freshAt > 1000 * Number(live.dataset.fadesAfterS)) stale();
  }
}

async function draw() {
  const place = at("picture");
  try {
    putInPlace(place, await (await fetched("/picture?" + place.dataset.query)).text());
  } catch {
    // the headline says when the chamber cannot be reached; the old picture has its own times
  }
}

setInterval(refresh, EVERY_MS);
setInterval(() => { if (!document.hidden) draw(); }, PICTURE_EVERY_MS);
// a phone that wakes up shows what it showed when it fell asleep
document.addEventListener("visibilitychange", () => { if (!document.hidden) refresh(); });
addEventListener("pageshow", (event) => { if (event.persisted) refresh(); });
if (new URLSearchParams(location.search).has("done")) setTimeout(refresh, 1000);
