// The course of the air, drawn over the server's own drawing once its rows are here.
import uPlot from "uplot";
import { clockParts, locale, shopZone } from "./ages.js";

const NIGHT = matchMedia("(prefers-color-scheme: dark)");
const live = new Map();

function drawCharts(root) {
  for (const place of [...live.keys()]) if (!place.isConnected) forget(place);
  for (const place of root.querySelectorAll("[data-chart]")) draw(place);
}

/** Lets a drawn chart stay where only its span has moved on; it fetches the new rows. */
function keepChart(old, fresh) {
  const now = old.querySelector("[data-chart]");
  const next = fresh.querySelector("[data-chart]");
  if (!now || !next || !live.has(now)) return false;
  const moved = endOf(next) - endOf(now);
  const caption = old.querySelector("figcaption");
  const words = fresh.querySelector("figcaption")?.textContent ?? "";
  if (caption && caption.textContent !== words) caption.textContent = words;
  // New rows are fetched once they would move the drawing by about a pixel.
  if (moved >= spanOf(now) / 400) {
    now.dataset.chart = next.dataset.chart;
    draw(now);
  }
  return true;
}

const asked = (place, name) => Date.parse(new URL(place.dataset.chart, location.href).searchParams.get(name));
const endOf = (place) => asked(place, "to");
const spanOf = (place) => endOf(place) - asked(place, "from");

NIGHT.addEventListener("change", () => {
  for (const place of [...live.keys()]) {
    forget(place);
    draw(place);
  }
});

async function draw(place) {
  let rows;
  try {
    const answer = await fetch(place.dataset.chart, { headers: { Accept: "application/json" } });
    if (!answer.ok) return;
    rows = await answer.json();
  } catch {
    return; // the server's drawing stays
  }
  if (rows.length < 2 || !place.isConnected) return;
  const data = columns(rows);
  const known = live.get(place);
  if (known) {
    known.warm.setData([data.at, data.air, data.dew]);
    known.damp.setData([data.at, data.rh]);
    return;
  }
  build(place, data);
}

function columns(rows) {
  const us = document.body.dataset.us === "1";
  const degrees = (value) => (value === null ? null : us ? value * 1.8 + 32 : value);
  const mean = (row, name) => row[name]?.mean ?? row[name] ?? null;
  const data = { at: [], air: [], dew: [], rh: [] };
  const times = rows.map((row) => Date.parse(row.at) / 1000);
  const steps = times.slice(1).map((time, index) => time - times[index]);
  const usual = [...steps].sort((a, b) => a - b)[steps.length >> 1];
  rows.forEach((row, index) => {
    if (index && steps[index - 1] > 3 * usual) push(data, times[index] - usual, null, null, null);
    const air = mean(row, "air_c");
    push(data, times[index], degrees(air), degrees(mean(row, "dew_point_c")), mean(row, "rh_pct"));
  });
  return data;
}

function push(data, at, air, dew, rh) {
  data.at.push(at);
  data.air.push(air);
  data.dew.push(dew);
  data.rh.push(rh);
}

function build(place, data) {
  const style = getComputedStyle(document.documentElement);
  const colour = (name) => style.getPropertyValue(name).trim();
  const unit = document.body.dataset.us === "1" ? "°F" : "°C";
  const axis = (more) => ({
    stroke: colour("--soft"),
    font: "13px system-ui, sans-serif",
    grid: { stroke: colour("--hair"), width: 1 },
    ticks: { stroke: colour("--hair"), width: 1, size: 4 },
    ...more,
  });
  const zone = shopZone();
  const shared = (height) => ({
    ...(zone ? { tzDate: (seconds) => uPlot.tzDate(new Date(seconds * 1000), zone) } : {}),
    width: place.clientWidth,
    height,
    padding: [8, 18, 0, 0], // the same in both, so that one instant is one line
    legend: { show: false },
    cursor: { sync: { key: place.id }, y: false, drag: { x: false, y: false } },
    scales: { x: { time: true } },
  });
  const times = axis({ size: 30, space: 56, values: (_plot, ticks) => ticks.map(clock(data.at)) });
  const legend = document.createElement("p");
  legend.className = "chart-legend";
  const say = (index) => {
    const at = index ?? data.at.length - 1;
    const figure = (value, digits, tail) => (value == null ? "–" : `${value.toFixed(digits)} ${tail}`);
    const [x, air, dew] = live.get(place)?.warm.data ?? [data.at, data.air, data.dew];
    const rh = live.get(place)?.damp.data[1] ?? data.rh;
    const last = Math.min(at, x.length - 1);
    legend.replaceChildren(
      part("", `${clock(x)(x[last])} air `, figure(air[last], 1, unit)),
      part("key-dew", "dew point ", figure(dew[last], 1, unit)),
      part("key-rh", "humidity ", figure(rh[last], 0, "%")),
    );
  };
  const frame = document.createElement("div");
  const damp = document.createElement("div");
  const warmOptions = {
    ...shared(210),
    axes: [{ ...times, show: false }, axis({ size: 54, space: 36 })],
    series: [
      {},
      { stroke: colour("--air"), width: 2.5, points: { show: false } },
      { stroke: colour("--dew"), width: 2.5, dash: [8, 4], points: { show: false } },
    ],
    hooks: { setCursor: [(plot) => say(plot.cursor.idx)] },
  };
  const dampOptions = {
    ...shared(120),
    scales: { x: { time: true }, y: { range: [0, 100] } },
    axes: [times, axis({ size: 54, space: 30, values: (_plot, ticks) => ticks.map((v) => `${v} %`) })],
    series: [{}, { stroke: colour("--rh"), width: 2, points: { show: false } }],
  };
  place.replaceChildren(legend, frame, damp);
  place.setAttribute("aria-hidden", "true"); // the caption and the table say it in words
  const entry = {
    warm: new uPlot(warmOptions, [data.at, data.air, data.dew], frame),
    damp: new uPlot(dampOptions, [data.at, data.rh], damp),
  };
  entry.watch = new ResizeObserver(() => {
    const width = place.clientWidth;
    if (!width || width === entry.warm.width) return;
    entry.warm.setSize({ width, height: 210 });
    entry.damp.setSize({ width, height: 120 });
  });
  entry.watch.observe(place);
  live.set(place, entry);
  say(null);
}

function part(name, label, value) {
  const span = document.createElement("span");
  span.className = name;
  const figure = document.createElement("b");
  figure.textContent = value;
  span.append(label, figure);
  return span;
}

/** Words for instants: the hour within two days, the day beyond. */
function clock(times) {
  const long = times[times.length - 1] - times[0] > 48 * 3600;
  const zone = shopZone();
  const format = new Intl.DateTimeFormat(
    locale(),
    long
      ? { weekday: "short", ...clockParts(), timeZone: zone }
      : { ...clockParts(), timeZone: zone },
  );
  return (seconds) => format.format(new Date(seconds * 1000));
}

function forget(place) {
  const entry = live.get(place);
  if (!entry) return;
  entry.watch.disconnect();
  entry.warm.destroy();
  entry.damp.destroy();
  live.delete(place);
}

drawCharts(document);
document.addEventListener("part:swap", (event) => {
  if (keepChart(event.target, event.detail.fresh)) event.preventDefault();
});
document.addEventListener("part:swapped", (event) => drawCharts(event.target));
