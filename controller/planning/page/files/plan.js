// Fetches the result anew when a control changes; without it the form has a button.
"use strict";
const form = document.getElementById("plan");
const result = document.getElementById("result");
const better = document.getElementById("better");
const WAIT_MS = 50;
const PAGE = Math.random().toString(36).slice(2); // two open pages do not end each other's questions
let number = 0;
let waiting = 0;
let under_way = null;

document.documentElement.classList.add("scripted");

function query() {
  const fields = new URLSearchParams();
  for (const [name, value] of new FormData(form)) {
    if (name !== "replace") fields.append(name, value);
  }
  fields.set("page", PAGE);
  fields.set("n", String(number));
  return fields.toString();
}

async function part(path, place, signal) {
  try {
    const answer = await fetch(`${path}?${query()}`, { signal });
    if (!answer.ok) throw new Error(String(answer.status));
    if (answer.status === 200) putInPlace(place, await answer.text());
  } catch (error) {
    if (error.name !== "AbortError") {
      place.textContent = "coldpin plan does not answer; is it still running?";
      markAnswered(place);
    }
    throw error;
  }
}

function markWaiting(...places) {
  for (const each of places) each.setAttribute("aria-busy", "true");
}

function markAnswered(place) {
  place.removeAttribute("aria-busy");
}

function marked() {
  for (const each of document.querySelectorAll(".control .problem")) each.textContent = "";
  for (const each of document.querySelectorAll(".wrong")) each.classList.remove("wrong");
  for (const each of document.querySelectorAll("#problems li")) {
    const place = document.getElementById(`p-${each.dataset.key}`);
    if (place === null) continue;
    place.textContent = each.textContent;
    place.closest(".control").classList.add("wrong");
  }
}

async function renew() {
  number += 1;
  markWaiting(result, better);
  if (under_way !== null) under_way.abort();
  under_way = new AbortController();
  const { signal } = under_way;
  try {
    await part("/sketch", result, signal);
    marked();
    await part("/result", result, signal);
    marked();
    markAnswered(result);
    const works = result.querySelector(".verdict.well") !== null;
    document.title = `${works ? "Works" : "Does not work yet"}: plan of a chamber`;
    await part("/better", better, signal);
    markAnswered(better);
  } catch {
    // a later question came, or the place says that nothing answers
  }
}

function soon() {
  markWaiting(result, better);
  clearTimeout(waiting);
  waiting = setTimeout(renew, WAIT_MS);
}

form.addEventListener("input", (event) => {
  if (event.target.name === "replace") return;
  if (event.target.name && event.target.tagName === "INPUT" && event.target.type !== "checkbox") {
    const unknown = event.target.parentElement.querySelector('[name="unknown"]');
    if (unknown !== null) unknown.checked = false;
  }
  // which questions are asked, or their usual answers, depend on these: the form comes anew
  const rated = document.querySelector('[name="rating"]') !== null;
  const asksAnew = event.target.name === "core" && (event.target.value === "rated") !== rated;
  if (asksAnew || ["units", "freezer", "place"].includes(event.target.name)) form.submit();
  else soon();
});

form.addEventListener("submit", (event) => {
  const button = event.submitter;
  if (button !== null && button.name === "better") {
    event.preventDefault(); // Enter in a field: what it asks for is under way
    return;
  }
  if (button === null || (button.name !== "apply" && button.name !== "undo")) return;
  event.preventDefault();
  const applied = document.getElementById("applied");
  for (const each of [...applied.children]) {
    if (each.value === button.value) each.remove();
  }
  if (button.name === "apply") {
    const field = document.createElement("input");
    field.type = "hidden";
    field.name = "changes";
    field.value = button.value;
    applied.append(field);
  }
  renew();
});

if (better.querySelector(".changes") === null) {
  under_way = new AbortController();
  markWaiting(better);
  part("/better", better, under_way.signal).then(() => markAnswered(better), () => {});
}
