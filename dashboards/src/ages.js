// Ages that tick, and the page's own doubt: an answer that has grown old, or whose service cannot
// be reached, is shown as unknown.
import { t } from "./said.js";

const body = document.body;
const TICK_MS = 1000;

let shopAt = 0;
let realAt = 0;
let steadyAt = 0;
let rate = 1;
const cutSince = { stream: null, page: null };
let lastAnswer = "";

/** Takes the shop's time and rate as the service just told them. */
export function setClock(iso, newRate) {
  shopAt = Date.parse(iso);
  realAt = Date.now();
  steadyAt = performance.now();
  rate = Number(newRate) || 1;
}

/** The shop's time. A phone's sleep stops one of its clocks; the one that went further is right. */
export function shopNow() {
  const elapsed = Math.max(Date.now() - realAt, performance.now() - steadyAt, 0);
  return shopAt + elapsed * rate;
}

/**
 * Says that the stream is dead or the page could not be asked for again (`what`: stream, page), or
 * that it is well again. Either one alone makes the answer unknown.
 */
export function setLost(what, lost) {
  if (lost) cutSince[what] ??= Date.now();
  else cutSince[what] = null;
  tick();
}

function lostSince() {
  const since = Object.values(cutSince).filter((at) => at !== null);
  return since.length ? Math.min(...since) : null;
}

/** A length in its one fitting unit, as the server says it. */
export function span(seconds) {
  if (seconds < 90) return `${seconds.toFixed(0)} s`;
  if (seconds < 5400) return `${(seconds / 60).toFixed(0)} min`;
  if (seconds < 172800) return `${(seconds / 3600).toFixed(0)} h`;
  return t("{days} days", { days: (seconds / 86400).toFixed(0) });
}

const ago = (seconds) => t("{span} ago", { span: span(seconds) });

/** The answers, as words within a sentence. */
const answerWord = (answer) => ({ spray: t("spray"), wait: t("wait"), unknown: t("unknown") })[answer] ?? answer;

export function readClock() {
  setClock(body.dataset.now, body.dataset.rate);
  // A page that was kept says when it was true: the shop's time has gone on since.
  if (body.dataset.kept) realAt = Number(body.dataset.kept);
}

export function watchAges() {
  readClock();
  if (body.dataset.kept) cutSince.page = Number(body.dataset.kept);
  tick();
  setInterval(tick, TICK_MS);
  document.addEventListener("visibilitychange", tick);
}

export function tick() {
  const now = shopNow();
  for (const element of document.querySelectorAll("[data-age]")) {
    const age = Math.max(0, (now - Date.parse(element.dataset.age)) / 1000);
    write(element, ago(age));
  }
  const clock = document.querySelector("#shop-time");
  if (clock) write(clock, hourOf(now));
  doubt(now);
  document.dispatchEvent(new Event("page:ticked"));
}

let hours = null;

/** The shop's time of day at an instant. */
export function hourOf(instant) {
  hours ??= new Intl.DateTimeFormat(locale(), { ...clockParts(), timeZone: shopZone() });
  return hours.format(new Date(instant));
}

/** The language of the page, with the day before the month. */
export function locale() {
  const lang = document.documentElement.lang || "en";
  return lang === "en" ? "en-GB" : lang;
}

/** How the person reads a clock: 15:40, or 3:40 pm. */
export function clockParts() {
  return body.dataset.clock === "12"
    ? { hour: "numeric", minute: "2-digit", hourCycle: "h12" }
    : { hour: "2-digit", minute: "2-digit", hourCycle: "h23" };
}

function doubt(now) {
  const check = document.querySelector("[data-check]");
  const lost = lostSince();
  const reason = lost !== null ? lostText(check, lost) : staleText(check, now);
  if (reason) body.dataset.cut = lost !== null ? "lost" : "stale";
  else delete body.dataset.cut;
  sayCut(lost);
  if (!check) return;
  const fallback = check.querySelector("[data-fallback]");
  fallback.hidden = !reason;
  if (reason) write(fallback.querySelector("[data-fallback-text]"), reason);
  sayLastKnown(fallback, check.dataset.answer, lost);
  announce(reason ? "unknown" : check.dataset.answer, fallback.hidden ? check : fallback);
}

/** The last known answer, with its age in big letters: what was true, and how long ago. */
function sayLastKnown(fallback, answer, since) {
  let line = fallback.querySelector(".last-known");
  if (since === null) {
    line?.remove();
    return;
  }
  if (!line) {
    line = document.createElement("p");
    line.className = "last-known";
    line.append(document.createElement("span"), document.createElement("b"));
    fallback.append(line);
  }
  write(line.firstChild, t("Last known: {answer}", { answer: answerWord(answer) }));
  write(line.lastChild, ago(Math.max(0, (Date.now() - since) / 1000)));
}

/** Across every other page: that it is not as things are now, but as they were. */
function sayCut(since) {
  const old = document.getElementById("cut-note");
  if (since === null || document.getElementById("kept-pages")) {
    old?.remove();
    return;
  }
  const note = old ?? document.createElement("p");
  if (!old) {
    note.id = "cut-note";
    note.className = "cut-note";
    document.getElementById("main")?.before(note);
  }
  const age = span(Math.max(0, (Date.now() - since) / 1000));
  write(note, t("No connection: this page is {age} old", { age }));
}

let announced = null;

/** Tells a screen reader when the answer turns; new readings alone are no news. */
function announce(answer, shown) {
  if (announced !== null && announced !== answer) {
    const because = shown.querySelector(".because").innerText.trim();
    write(document.getElementById("answer-said"), `${answerWord(answer)}. ${because}`);
  }
  announced = answer;
}

function lostText(check, since) {
  if (check) lastAnswer = check.dataset.answer;
  const at = new Date(since).toLocaleTimeString(locale(), clockParts());
  const cut = t("The service has not answered since {at}, so no answer here.", { at });
  if (!lastAnswer) return cut;
  const last = t("The last answer was {answer}; it no longer counts.", { answer: answerWord(lastAnswer) });
  return `${cut} ${last}`;
}

function staleText(check, now) {
  if (!check || !check.dataset.asOf || check.dataset.answer === "unknown") return "";
  const age = (now - Date.parse(check.dataset.asOf)) / 1000;
  if (age <= Number(body.dataset.staleAfter)) return "";
  return t("The last reading is {age} old, so no answer.", { age: span(age) });
}

// Screen readers announce what changes: write only what is new.
function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

/** The shop's zone, which need not be the phone's; undefined where the browser does not know it. */
export function shopZone() {
  const zone = document.body.dataset.zone;
  try {
    return zone ? new Intl.DateTimeFormat("en", { timeZone: zone }).resolvedOptions().timeZone : undefined;
  } catch {
    return undefined;
  }
}
