// The course of the air, drawn over the server's own drawing once its rows are here.
import uPlot from "uplot";
import { t } from "./said.js";
import { clockParts, locale, shopZone } from "./ages.js";
import { columns, rowsOf, spanned, spanOf } from "./chart_data.js";
import { buttons, watchFingers } from "./chart_touch.js";

const NIGHT = matchMedia("(prefers-color-scheme: dark)");
const WARM_PX = 230;
const DAMP_PX = 110;
const CLOSEST_S = 20 * 60;
const FARTHEST_S = 5 * 366 * 86400;
const AGAIN_MS = 2000; // doubled each time
const MOST_TRIES = 6;
const live = new Map();

function drawCharts(root) {
  for (const place of [...live.keys()]) if (!place.isConnected) forget(place);
  for (const place of root.querySelectorAll("[data-chart]")) draw(place);
}

/** Lets a drawn chart stay where only its span has moved on; it fetches the new rows. */
function keepChart(old, fresh) {
  const now = old.querySelector("[data-chart]");
  const next = fresh.querySelector("[data-chart]");
  const entry = live.get(now);
  if (!now || !next || !entry) return false;
  const caption = old.querySelector("figcaption");
  const words = fresh.querySelector("figcaption")?.textContent ?? "";
  if (caption && caption.textContent !== words) caption.textContent = words;
  const [from, to] = spanOf(now.dataset.chart);
  // New rows are fetched once they would move the drawing by about a pixel.
  if (spanOf(next.dataset.chart)[1] - to >= (to - from) / 400) {
    now.dataset.chart = next.dataset.chart;
    if (next.dataset.film) now.dataset.film = next.dataset.film;
    if (!entry.moved) draw(now);
  }
  return true;
}

async function fetched(place, span) {
  const of = (address) => (span ? spanned(address, ...span) : address);
  const [rows, past] = await Promise.all([
    rowsOf(of(place.dataset.chart)),
    place.dataset.film ? rowsOf(of(place.dataset.film)) : null,
  ]);
  if (!rows || rows.length < 2 || !place.isConnected) return null;
  return { ...columns(rows, past), filmComes: Boolean(past?.why_none) };
}

async function draw(place, tries = 0) {
  const data = await fetched(place);
  if (!data) return; // the server's drawing stays
  if (data.filmComes && tries < MOST_TRIES) {
    const again = () => place.isConnected && !live.get(place)?.moved && draw(place, tries + 1);
    setTimeout(again, AGAIN_MS * 2 ** tries); // the film is being reckoned
  }
  const entry = live.get(place);
  if (!entry) return build(place, data);
  feed(entry, data);
  const span = spanOf(place.dataset.chart);
  show(entry, ...span);
  entry.tell();
}

function feed(entry, data) {
  entry.data = data;
  entry.warm.setData([data.at, data.air, data.dew, data.film], false);
  entry.damp.setData([data.at, data.rh], false);
}

function show(entry, min, max) {
  entry.span = [min, max];
  for (const plot of [entry.warm, entry.damp]) plot.setScale("x", { min, max });
}

function build(place, data) {
  const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  const axis = (more) => ({
    stroke: colour("--soft"),
    font: "14px system-ui, sans-serif",
    grid: { stroke: colour("--hair"), width: 1 },
    ticks: { stroke: colour("--hair"), width: 1, size: 4 },
    ...more,
  });
  const zone = shopZone();
  const shared = (height) => ({
    ...(zone ? { tzDate: (at) => uPlot.tzDate(new Date(at * 1000), zone) } : {}),
    width: place.clientWidth,
    height,
    padding: [14, 18, 0, 0], // the same in both, so that one instant is one line
    legend: { show: false },
    cursor: { sync: { key: place.id }, y: false, drag: { x: false, y: false } },
  });
  const entry = { span: spanOf(place.dataset.chart), moved: false, data };
  const x = { time: true, min: entry.span[0], max: entry.span[1] };
  const times = axis({
    size: 30,
    space: 60,
    values: (plot, ticks) => ticks.map(said(plot.scales.x.max - plot.scales.x.min)),
  });
  const legend = document.createElement("p");
  legend.className = "chart-legend";
  const frame = document.createElement("div");
  const damp = document.createElement("div");
  const points = { show: false };
  entry.warm = new uPlot(
    {
      ...shared(WARM_PX),
      scales: { x },
      axes: [{ ...times, show: false }, axis({ size: 54, space: 36 })],
      series: [
        {},
        { stroke: colour("--air"), width: 2.5, points },
        { stroke: colour("--dew"), width: 2.5, dash: [8, 4], points },
        { stroke: colour("--ink"), width: 3, dash: [0.1, 6], cap: "round", points },
      ],
      hooks: {
        setCursor: [(plot) => tell(entry, legend, plot.cursor.idx)],
        draw: [(plot) => marks(plot, entry.data, colour)],
      },
    },
    [data.at, data.air, data.dew, data.film],
    frame,
  );
  entry.damp = new uPlot(
    {
      ...shared(DAMP_PX),
      scales: { x, y: { range: [0, 100] } },
      axes: [times, axis({ size: 54, space: 30, values: (_plot, ticks) => ticks.map((v) => `${v} %`) })],
      series: [{}, { stroke: colour("--rh"), width: 2, points }],
    },
    [data.at, data.rh],
    damp,
  );
  const view = viewOf(place, entry);
  for (const plot of [entry.warm, entry.damp]) watchFingers(plot.over, view);
  const drawn = document.createElement("div");
  drawn.setAttribute("aria-hidden", "true"); // the caption and the table say it in words
  drawn.append(legend, frame, damp);
  place.replaceChildren(drawn, buttons(view));
  entry.watch = new ResizeObserver(() => {
    const width = place.clientWidth;
    if (!width || width === entry.warm.width) return;
    entry.warm.setSize({ width, height: WARM_PX });
    entry.damp.setSize({ width, height: DAMP_PX });
  });
  entry.watch.observe(place);
  live.set(place, entry);
  entry.tell = () => tell(entry, legend, entry.warm.cursor.idx ?? null);
  entry.tell();
}

/** What fingers and buttons may do to a chart. */
function viewOf(place, entry) {
  let rest = 0;
  return {
    now: () => entry.span,
    show(min, max) {
      const now = spanOf(place.dataset.chart)[1];
      const span = Math.min(Math.max(max - min, CLOSEST_S), FARTHEST_S);
      const middle = (min + max) / 2;
      const end = Math.min(middle + span / 2, now);
      entry.moved = true;
      show(entry, end - span, end);
    },
    settle() {
      clearTimeout(rest);
      if (entry.moved) rest = setTimeout(async () => {
        const data = await fetched(place, entry.span);
        if (data && live.get(place) === entry) feed(entry, data);
      }, 150);
    },
    all() {
      entry.moved = false;
      draw(place);
    },
    scrub(x) {
      entry.warm.setCursor({ left: x, top: 0 });
    },
  };
}

/** Bars for when every limit held, and a drop for each coat. */
function marks(plot, data, colour) {
  const { ctx, bbox } = plot;
  const px = devicePixelRatio;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, 0, bbox.width, bbox.top + bbox.height);
  ctx.clip();
  ctx.fillStyle = colour("--go");
  for (const [start, end] of data.windows) {
    const left = plot.valToPos(start, "x", true);
    ctx.fillRect(left, bbox.top + bbox.height - 6 * px, Math.max(plot.valToPos(end, "x", true) - left, 2), 6 * px);
  }
  ctx.fillStyle = colour("--ink");
  for (const at of data.coats) {
    const [x, y] = [plot.valToPos(at, "x", true), bbox.top - 13 * px];
    ctx.beginPath();
    ctx.moveTo(x, y);
    ctx.quadraticCurveTo(x + 7 * px, y + 9 * px, x, y + 12 * px);
    ctx.quadraticCurveTo(x - 7 * px, y + 9 * px, x, y);
    ctx.fill();
  }
  ctx.restore();
}

function tell(entry, legend, index) {
  const { at, air, dew, film, rh } = entry.data;
  const last = Math.min(index ?? at.length - 1, at.length - 1);
  const unit = document.body.dataset.us === "1" ? "°F" : "°C";
  const figure = (value, digits, tail) => (value == null ? "–" : `${value.toFixed(digits)} ${tail}`);
  const when = said(3 * 86400)(at[last]);
  legend.replaceChildren(
    part("key-when", "", when),
    part("", t("air") + " ", figure(air[last], 1, unit)),
    part("key-dew", t("dew point") + " ", figure(dew[last], 1, unit)),
    ...(film.some((value) => value != null) ? [part("key-film", "wet film ", figure(film[last], 1, unit))] : []),
    part("key-rh", t("humidity") + " ", figure(rh[last], 0, "%")),
  );
}

function part(name, label, value) {
  const span = document.createElement("span");
  span.className = name;
  const figure = document.createElement("b");
  figure.textContent = value;
  span.append(label, figure);
  return span;
}

/** Words for instants of a span: the hour within two days, the day with it or alone beyond. */
function said(span) {
  const timeZone = shopZone();
  const day = { day: "numeric", month: "short" };
  const parts =
    span <= 2 * 86400 ? clockParts() : span <= 8 * 86400 ? { weekday: "short", ...clockParts() } : day;
  const format = new Intl.DateTimeFormat(locale(), { ...parts, timeZone });
  return (at) => format.format(new Date(at * 1000));
}

function forget(place) {
  const entry = live.get(place);
  if (!entry) return;
  entry.watch.disconnect();
  entry.warm.destroy();
  entry.damp.destroy();
  live.delete(place);
}

NIGHT.addEventListener("change", () => {
  for (const place of [...live.keys()]) {
    forget(place);
    draw(place);
  }
});
drawCharts(document);
document.addEventListener("part:swap", (event) => {
  if (keepChart(event.target, event.detail.fresh)) event.preventDefault();
});
document.addEventListener("part:swapped", (event) => drawCharts(event.target));
