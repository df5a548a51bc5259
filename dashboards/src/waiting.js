// Shows the taps that wait for the connection, on the page and on the buttons they were made with,
// and sends them as soon as somebody answers.
import { hourOf } from "./ages.js";
import { t } from "./said.js";
import { drop, inTurn, kept, mayWait, sendAll } from "./queue.js";

const AGAIN_MS = 15000;
const heard = "BroadcastChannel" in window ? new BroadcastChannel("boothglass-taps") : null;

let waiting = [];
let signedOut = false;

export function watchWaiting() {
  show();
  sendWaiting();
  setInterval(() => waiting.some((tap) => tap.state === "waiting") && sendWaiting(), AGAIN_MS);
  addEventListener("online", sendWaiting);
  heard?.addEventListener("message", show);
  document.addEventListener("part:swapped", mark);
}

/** The list has changed: say so here and in other tabs. */
export async function changed() {
  heard?.postMessage("changed");
  await show();
}

let sending = false;

export async function sendWaiting() {
  if (sending) return;
  sending = true;
  try {
    const { done, away, signedOut: out } = await inTurn(() => sendAll());
    signedOut = out;
    if (!done.length && !away) return;
    const sent = done.filter((tap) => !tap.why);
    if (sent.length) tell(t("Sent and recorded: {taps}.", { taps: sent.map(words).join("; ") }));
    await changed();
  } catch {
    // no store: nothing waits
  } finally {
    sending = false;
  }
}

export function tell(text, ...more) {
  const told = document.createElement("p");
  told.append(text, ...more);
  document.getElementById("flash")?.replaceChildren(told);
}

/** Nobody is signed in here any more: say so, with the way in. */
export function tellSignedOut(text = t("This device is signed out.")) {
  signedOut = true;
  tell(`${text} `, wayIn());
}

function words(tap) {
  return `${tap.said}, tapped ${hourOf(Date.parse(tap.madeAt))}`;
}

async function show() {
  try {
    waiting = await kept();
  } catch {
    waiting = [];
  }
  list();
  mark();
}

function list() {
  const main = document.getElementById("main");
  if (!main) return;
  const old = document.getElementById("waiting");
  // What is just being sent is no news; only what could not be sent is.
  const shown = waiting.filter((tap) => tap.state === "refused" || tap.tries > 0);
  if (!shown.length) {
    old?.remove();
    return;
  }
  const box = old ?? document.createElement("section");
  box.id = "waiting";
  box.className = "waiting";
  box.setAttribute("aria-live", "polite");
  box.setAttribute("aria-label", t("Taps that are not recorded yet"));
  const still = shown.filter((tap) => tap.state === "waiting");
  const refused = shown.filter((tap) => tap.state === "refused");
  box.replaceChildren();
  if (still.length) box.append(group(title(still.length), still, t("Drop")));
  if (still.length && signedOut) box.append(wayIn());
  if (refused.length) box.append(group(t("Not recorded"), refused, t("Put away")));
  if (!old) main.before(box);
}

/** The way to sign in, and from there back to this page. */
export function wayIn() {
  const link = document.createElement("a");
  link.className = "go";
  link.href = `/sign-in?next=${encodeURIComponent(location.pathname + location.search)}`;
  link.textContent = t("Sign in");
  return link;
}

function title(count) {
  if (signedOut) return t("Kept until somebody signs in: {count}", { count });
  return count === 1 ? t("1 tap waits for the connection") : t("{count} taps wait for the connection", { count });
}

function group(heading, taps, label) {
  const part = document.createElement("div");
  const head = document.createElement("h2");
  head.textContent = heading;
  const rows = document.createElement("ul");
  for (const tap of taps) rows.append(row(tap, label));
  part.append(head, rows);
  return part;
}

function row(tap, label) {
  const line = document.createElement("li");
  const text = document.createElement("span");
  text.textContent = tap.why ? `${words(tap)}: ${reason(tap.why)}` : words(tap);
  const button = document.createElement("button");
  button.type = "button";
  button.className = "plain";
  button.textContent = label;
  button.setAttribute("aria-label", `${label}: ${words(tap)}`);
  button.addEventListener("click", async () => {
    button.disabled = true;
    // Not while it is just being sent: what is dropped must not be recorded after all.
    await inTurn(() => drop(tap.key));
    await changed();
    document.getElementById("main").focus({ preventScroll: true });
  });
  line.append(text, button);
  return line;
}

/** Reasons that the queue gives by itself, which knows no language; those of the service are as they came. */
function reason(why) {
  const own = [t("that step had already moved on"), t("the flaw is logged, its photo cannot be used")];
  const english = ["that step had already moved on", "the flaw is logged, its photo cannot be used"];
  return own[english.indexOf(why)] ?? why;
}

/** What names a tap apart from others: where it goes and which step it was meant for. */
export function sameTap(tap, path, fields) {
  const meant = new URLSearchParams(tap.fields);
  return tap.path === path && meant.get("expect") === fields.get("expect") && meant.get("said") === fields.get("said");
}

export function alreadyWaits(path, fields) {
  return waiting.some((tap) => tap.state === "waiting" && tap.tries > 0 && sameTap(tap, path, fields));
}

function mark() {
  for (const form of document.querySelectorAll("form[data-tap]")) {
    const path = new URL(form.action).pathname;
    if (!mayWait(path)) continue;
    const button = form.querySelector("button");
    const waits = alreadyWaits(path, new FormData(form));
    if (!button) continue;
    if (waits) {
      form.dataset.waits ??= button.innerHTML;
      button.textContent = t("Waits to be sent");
      button.disabled = true;
    } else if ("waits" in form.dataset) {
      button.innerHTML = form.dataset.waits;
      delete form.dataset.waits;
      button.disabled = false;
    }
  }
}
