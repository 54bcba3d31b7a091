// Shared by the pages that renew themselves. Puts new content in a place without taking from a
// person what they hold: what they are about to press keeps the focus, what they opened stays open.

function sameAs(one) {
  const of = (each) => [each.tagName, each.textContent.trim(), each.name, each.value, each.getAttribute("href")].join("\n");
  return (other) => of(other) === of(one);
}

const isOpenIn = new WeakMap(); // of each place: which details a person opened or closed, by name

function keepOpen(place) {
  const isOpen = isOpenIn.get(place) ?? new Map();
  const name = (each) => each.id || each.querySelector("summary").textContent;
  for (const each of place.querySelectorAll("details")) isOpen.set(name(each), each.open);
  isOpenIn.set(place, isOpen);
  return () => {
    for (const each of place.querySelectorAll("details")) each.open = isOpen.get(name(each)) ?? each.open;
  };
}

function putInPlace(place, content) {
  const held = place.contains(document.activeElement) ? document.activeElement : null;
  const openAgain = keepOpen(place);
  place.innerHTML = content;
  openAgain();
  if (held === null) return;
  // gone: the place itself, so that the next Tab goes on from here and Enter presses nothing else
  const again = [...place.querySelectorAll("a, button, summary, [tabindex]")].find(sameAs(held)) ?? place;
  again.focus({ preventScroll: true });
}
