// Fingers, mouse and buttons on a chart: one finger reads off, two look closer and move along.

const AGAIN_MS = 350;
const TAP_PX = 8;

/**
 * Watches a chart's surface.
 *
 * `view` has `now()` ([min, max]), `show(min, max)` while it moves, `settle()` when it rests,
 * `all()` for everything, and `scrub(x)` to read off at a distance from the left edge.
 */
export function watchFingers(surface, view) {
  const fingers = new Map();
  let begun = null;
  let tapped = -Infinity;
  let still = false; // one finger, put down and lifted where it was
  const at = (event) => event.clientX - surface.getBoundingClientRect().left;
  const begin = () => {
    const xs = [...fingers.values()];
    begun = { span: view.now(), xs, width: surface.clientWidth };
  };

  surface.addEventListener("pointerdown", (event) => {
    if (event.button > 0) return;
    fingers.set(event.pointerId, at(event));
    surface.setPointerCapture(event.pointerId);
    begin();
    still = fingers.size === 1;
    if (fingers.size === 1 && event.pointerType !== "mouse") view.scrub(at(event));
  });
  surface.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId)) return;
    fingers.set(event.pointerId, at(event));
    if (Math.abs(at(event) - begun.xs[0]) > TAP_PX) still = false;
    if (fingers.size >= 2) pinch();
    else if (event.pointerType === "mouse") drag();
    else view.scrub(at(event));
  });
  const end = (event) => {
    if (!fingers.delete(event.pointerId)) return;
    if (fingers.size) begin();
    else view.settle();
  };
  surface.addEventListener("pointerup", (event) => {
    const again = still && event.timeStamp - tapped < AGAIN_MS;
    tapped = still ? event.timeStamp : -Infinity;
    end(event);
    if (again) view.all();
  });
  surface.addEventListener("pointercancel", end);
  surface.addEventListener(
    "wheel",
    (event) => {
      // A pinch on a touch pad comes as a wheel with the key held; a plain wheel scrolls the page.
      if (!event.ctrlKey) return;
      event.preventDefault();
      closer(view, Math.exp(event.deltaY / 200), at(event) / surface.clientWidth);
      view.settle();
    },
    { passive: false },
  );

  function pinch() {
    const [a, b] = [...fingers.values()];
    const [c, d] = begun.xs;
    const [min, max] = begun.span;
    const apart = Math.max(Math.abs(b - a), 12);
    const scale = Math.abs(d - c) / apart;
    const held = min + ((c + d) / 2 / begun.width) * (max - min); // the instant between the fingers
    const span = (max - min) * scale;
    const left = held - ((a + b) / 2 / begun.width) * span;
    view.show(left, left + span);
  }

  function drag() {
    const [min, max] = begun.span;
    const by = ((begun.xs[0] - [...fingers.values()][0]) / begun.width) * (max - min);
    view.show(min + by, max + by);
  }
}

/** Shows `scale` times as much, around a part of the width. */
export function closer(view, scale, part = 0.5) {
  const [min, max] = view.now();
  const span = (max - min) * scale;
  const held = min + part * (max - min);
  view.show(held - part * span, held + (1 - part) * span);
}

/** Buttons for gloves and keyboards. */
export function buttons(view) {
  const row = document.createElement("div");
  row.className = "spans chart-buttons";
  const along = (part) => {
    const [min, max] = view.now();
    view.show(min + part * (max - min), max + part * (max - min));
  };
  for (const [name, act] of [
    ["Earlier", () => along(-0.5)],
    ["Later", () => along(0.5)],
    ["Closer", () => closer(view, 0.5)],
    ["All", () => view.all()],
  ]) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = name;
    button.addEventListener("click", () => {
      act();
      view.settle();
    });
    row.append(button);
  }
  return row;
}
