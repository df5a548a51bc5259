// The live stream: when something changed, the page is asked for again and its live parts swapped.
import { setClock, setLost } from "./ages.js";
import { keepPage } from "./offline.js";
import { ask, swap } from "./swap.js";
import { sendWaiting, tellSignedOut } from "./waiting.js";

const BEATS_MISSED_MS = 32000;
const ASK_MS = 10000; // a service that takes a question and never answers is gone too
const AGAIN_MS = 3000;
const LEAST_BETWEEN_MS = 1500;

let source = null;
let heardAt = 0;
let askedAt = 0;
let pending = null;
let out = false; // signed out: nothing is asked until somebody looks again

export function listen() {
  if (!("EventSource" in window)) return;
  connect();
  setInterval(watch, 4000);
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) wake();
  });
  addEventListener("pageshow", (event) => event.persisted && wake());
  addEventListener("online", wake);
  addEventListener("pagehide", () => source?.close());
}

function connect() {
  source?.close();
  source = new EventSource("/api/v1/events");
  heardAt = Date.now();
  let before = false;
  source.addEventListener("beat", (event) => {
    heardAt = Date.now();
    const { now, rate } = JSON.parse(event.data);
    setClock(now, rate);
    setLost("stream", false);
    if (!before) {
      refresh(); // what changed while nobody listened
      sendWaiting();
    }
    before = true;
  });
  for (const name of ["air", "work", "notice", "outlook", "clock"]) {
    source.addEventListener(name, () => {
      heardAt = Date.now();
      soon();
    });
  }
  // Somebody listens for new sensors: of no interest but to the page that shows it.
  source.addEventListener("listening", () => {
    heardAt = Date.now();
    if (document.querySelector("[data-listening]")) soon();
  });
  source.addEventListener("error", () => {
    before = false;
    refresh(); // is the service gone, or only the stream?
    if (source.readyState === EventSource.CLOSED) setTimeout(() => out || wake(), 3000);
  });
}

function wake() {
  out = false;
  if (!source || source.readyState === EventSource.CLOSED) connect();
  else refresh();
}

/** A connection can die without a word; a beat that does not come tells. */
function watch() {
  // What this page waits for may come without an event: a message that could not be used.
  if (document.querySelector("[data-watching]")) soon();
  if (out || document.hidden || Date.now() - heardAt < BEATS_MISSED_MS) return;
  setLost("stream", true);
  connect();
}

function soon() {
  if (document.hidden || pending !== null) return;
  const wait = Math.max(0, askedAt + LEAST_BETWEEN_MS - Date.now());
  pending = setTimeout(() => {
    pending = null;
    refresh();
  }, wait);
}

/** The service could not be asked: the page counts as cut off until it can. */
export function missed() {
  setLost("page", true);
  setTimeout(soon, AGAIN_MS);
}

async function refresh() {
  askedAt = Date.now();
  try {
    const { ok, status, page, text } = await ask(location.href, {}, ASK_MS);
    if (status === 401) {
      signedOut();
      return;
    }
    if (!ok && status < 500 && !document.querySelector("[data-answer]")) {
      setLost("page", false); // it answers, but has no page here: what is shown is told once, or is an error
      return;
    }
    if (!ok) throw new Error("the service answered with an error");
    setLost("page", false);
    keepPage(location.href, text);
    if (isNewer(page)) {
      location.reload();
      return;
    }
    if (document.querySelector("[data-reload-on]") && !page.querySelector("[data-reload-on]")) {
      location.reload();
      return;
    }
    swap(page);
  } catch {
    missed();
  }
}

/** Nobody is signed in here any more: the page tells nothing new, and says so. */
function signedOut() {
  out = true;
  setLost("page", true);
  source?.close();
  tellSignedOut();
}

/** A page that nobody opens anew, such as the wall's, takes a newer version up by itself. */
function isNewer(page) {
  const version = document.body.dataset.version;
  return version !== undefined && page.body.dataset.version !== version;
}
