"""Walking a page by keyboard: to what is called so, or through everything there is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from playwright.sync_api import Page

__all__ = ["Walked", "press_until", "walk"]

NAMED = """() => {
  const e = document.activeElement;
  return e.ariaLabel ?? e.labels?.[0]?.innerText ?? e.innerText ?? "";
}"""

# Everything that can be worked, numbered; of the radios of a group one is reached by Tab.
NUMBER = """() => {
  const found = [...document.querySelectorAll(
    "a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex='0']")]
    .filter(e => !e.disabled && e.tabIndex >= 0 && !e.closest("[inert]")
      && e.checkVisibility({ visibilityProperty: true }));
  const groups = new Set();
  let stops = 0;
  for (const e of found) {
    if (e.type === "radio" && groups.has(e.name)) continue;
    if (e.type === "radio") groups.add(e.name);
    e.dataset.stop = e.type === "radio" ? `radio ${e.name}` : String(stops++);
  }
  return [...document.querySelectorAll("[data-stop]")].map(e => [e.dataset.stop,
    `${e.tagName} ${(e.ariaLabel || e.textContent || e.name || e.id).trim().slice(0, 40)}`]);
}"""

# Where the focus is, whether that can be seen, and whether a bar that stays lies over it.
HERE = """() => {
  const e = document.activeElement;
  if (e === document.body) return null;
  const group = e.type === "radio" ? `radio ${e.name}` : e.dataset.stop;
  const ringed = at => { const s = getComputedStyle(at);
    return s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2 && s.opacity !== "0"; };
  const ring = ringed(e) || (e.closest("label") !== null && ringed(e.closest("label")));
  const box = e.getBoundingClientRect();
  const bar = document.querySelector("nav.tabs");
  const low = !bar.contains(e) && getComputedStyle(bar).position === "fixed"
    ? bar.getBoundingClientRect().top : innerHeight;
  const seen = Math.min(box.bottom, low) - Math.max(box.top, 0);
  const name = `${e.tagName} ${(e.ariaLabel || e.textContent || e.name).trim().slice(0, 40)}`;
  return [group ?? "", name, ring, seen >= Math.min(box.height, 24) - 1];
}"""


@dataclass(frozen=True)
class Walked:
    """What a walk by Tab found wrong: what it never came to, and where focus was not to be seen."""

    missed: list[str]
    no_ring: list[str]
    hidden: list[str]


def press_until(page: Page, name: str) -> None:
    """Walk by Tab until what has the focus is called so."""
    for _ in range(120):
        page.keyboard.press("Tab")
        said: str = page.evaluate(NAMED)
        if " ".join(said.split()).startswith(name):
            return
    raise AssertionError(f"{name} is not reached by keyboard")


def walk(page: Page) -> Walked:
    """Press Tab from the page's beginning to its end."""
    stops: dict[str, str] = dict(page.evaluate(NUMBER))
    left, no_ring, hidden = dict(stops), [], []
    # A field of date and time is several stops in one.
    inner = 8 * page.locator("input[type=datetime-local], input[type=time]").count()
    for _ in range(len(stops) + inner + 10):
        page.keyboard.press("Tab")
        here: Any = page.evaluate(HERE)
        if here is None:
            break
        stop, name, ring, in_sight = here
        left.pop(stop, None)
        if not ring:
            no_ring.append(name)
        if not in_sight:
            hidden.append(name)
    return Walked(sorted(left.values()), no_ring, hidden)
