// Puts the live parts of a freshly drawn page in place of the old ones, and leaves alone what a
// person is just using: focus stays, folded parts stay as they were.
import { readClock, tick } from "./ages.js";

/** Asks for a page and takes it apart; fails where no answer comes in time. */
export async function ask(address, options, patience) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), patience);
  try {
    const answer = await fetch(address, {
      ...options,
      headers: { Accept: "text/html", "Boothglass-Script": "1" },
      signal: stop.signal,
    });
    const text = await answer.text();
    const page = new DOMParser().parseFromString(text, "text/html");
    return { ok: answer.ok, status: answer.status, url: answer.url, text, page };
  } finally {
    clearTimeout(timer);
  }
}

export function swap(page) {
  Object.assign(document.body.dataset, {
    now: page.body.dataset.now,
    rate: page.body.dataset.rate,
    staleAfter: page.body.dataset.staleAfter,
  });
  delete document.body.dataset.kept;
  readClock();
  for (const fresh of page.querySelectorAll("[data-live]")) {
    const old = document.getElementById(fresh.id);
    if (old) swapOne(old, fresh);
  }
  tick();
}

export function say(page) {
  const fresh = page.getElementById("flash");
  document.getElementById("flash").replaceChildren(...fresh.childNodes);
}

function swapOne(old, fresh) {
  if (old.dataset.drawn === fresh.outerHTML) return;
  const focused = old.contains(document.activeElement) ? document.activeElement : null;
  if (focused?.matches("input, select, textarea")) return;
  const drawn = fresh.outerHTML;
  const open = new Map(
    [...old.querySelectorAll("details[id]")].map((element) => [element.id, element.open]),
  );
  for (const element of fresh.querySelectorAll("details[id]")) {
    if (open.has(element.id)) element.open = open.get(element.id);
  }
  const path = focused ? pathOf(focused, old) : null;
  // Whoever has drawn over a part may keep it, and is told when another has come.
  const asked = new CustomEvent("part:swap", { bubbles: true, cancelable: true, detail: { fresh } });
  if (!old.dispatchEvent(asked)) return;
  // The region itself stays, so that a screen reader goes on listening to it.
  old.replaceChildren(...fresh.childNodes);
  for (const { name, value } of [...fresh.attributes]) old.setAttribute(name, value);
  for (const { name } of [...old.attributes]) {
    if (!fresh.hasAttribute(name)) old.removeAttribute(name);
  }
  old.dataset.drawn = drawn;
  old.dispatchEvent(new CustomEvent("part:swapped", { bubbles: true }));
  if (path) path.reduce((element, index) => element?.children[index], old)?.focus({ preventScroll: true });
}

function pathOf(element, root) {
  const path = [];
  for (let at = element; at !== root; at = at.parentElement) {
    path.unshift([...at.parentElement.children].indexOf(at));
  }
  return path;
}
