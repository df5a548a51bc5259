// Service worker. Scripts and styles are kept with the version they belong to; pages come from the
// network first, and where it is away, as they were, marked with the instant they were true, their
// answer turned to unknown. No answer of the API is ever kept. `SHELL` comes from the service, which
// puts its version and its files in front of this text.
import { PAGES, keptAs, store } from "./pages_kept.js";
import { inTurn, sendAll } from "./queue.js";
import { onNotificationClick, onPush } from "./sw_push.js";

const { version, files, offline } = self.SHELL;
const OURS = `boothglass-shell-${version}`;
const PATIENCE_MS = 4000; // a slow link: what was kept is shown meanwhile, and asks for itself again

self.addEventListener("install", (event) => {
  event.waitUntil(
    caches.open(OURS).then((shell) => shell.addAll([...files, offline])).then(() => self.skipWaiting()),
  );
});

// A new version takes over at once: it serves pages from the network like the old one, and a page
// that is open keeps the scripts it came with. Nothing reloads under a finger.
self.addEventListener("activate", (event) => {
  event.waitUntil(
    (async () => {
      for (const name of await caches.keys()) {
        if (name !== OURS && name !== PAGES) await caches.delete(name);
      }
      await self.clients.claim();
    })(),
  );
});

self.addEventListener("fetch", (event) => {
  const { request } = event;
  const url = new URL(request.url);
  if (request.method !== "GET" || url.origin !== location.origin) return;
  if (/^\/(assets|icons)\//.test(url.pathname)) event.respondWith(asset(request));
  else if (request.mode === "navigate") event.respondWith(page(event));
});

self.addEventListener("push", onPush);
self.addEventListener("notificationclick", onNotificationClick);

self.addEventListener("sync", (event) => {
  if (event.tag === "taps") event.waitUntil(sendTaps());
});

async function asset(request) {
  const exact = await caches.match(request, { ignoreVary: true });
  if (exact) return exact;
  try {
    return await fetch(request);
  } catch (error) {
    // A kept page of another version: its scripts are gone, these are the nearest.
    const near = await caches.match(request, { ignoreVary: true, ignoreSearch: true });
    if (near) return near;
    throw error;
  }
}

async function page(event) {
  const kept = await lastOf(event.request.url);
  const coming = fetch(event.request).then((answer) => {
    if (answer.ok && !answer.redirected && keptAs(answer.url)) {
      const copy = answer.clone();
      event.waitUntil(copy.text().then((text) => store(answer.url, text)).catch(() => {}));
    }
    return answer;
  });
  try {
    const answer = await (kept ? patiently(coming) : coming);
    return kept && [502, 503, 504].includes(answer.status) ? asItWas(kept) : answer;
  } catch {
    event.waitUntil(coming.catch(() => {}));
    return kept ? asItWas(kept) : nothingKept();
  }
}

function patiently(coming) {
  const late = new Promise((_, reject) => setTimeout(() => reject(new Error("slow")), PATIENCE_MS));
  return Promise.race([coming, late]);
}

async function lastOf(address) {
  const name = keptAs(address);
  return name ? (await caches.open(PAGES)).match(name) : undefined;
}

/** A kept page says from its first byte on that it is one: no script is needed to doubt it. */
async function asItWas(kept) {
  const at = Number(kept.headers.get("X-Kept-At"));
  const when = new Date(at).toLocaleString([], { weekday: "short", hour: "2-digit", minute: "2-digit" });
  const text = (await kept.text())
    .replace("<body ", `<body data-kept="${at}" data-cut="lost" `)
    .replace("<main ", `<p id="cut-note" class="cut-note">No connection: this page is as it was on ${when}</p><main `);
  return answered(text);
}

async function nothingKept() {
  const said = await caches.match(offline, { ignoreVary: true });
  const text = said ? await said.text() : "<!doctype html><title>No connection</title><p>No connection.";
  return answered(text.replace("<body ", `<body data-kept="${Date.now()}" data-cut="lost" `));
}

function answered(text) {
  const headers = {
    "Content-Type": "text/html; charset=utf-8",
    "Content-Security-Policy":
      "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
      "manifest-src 'self'; worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'",
  };
  return new Response(text, { headers });
}

async function sendTaps() {
  const { done, away } = await inTurn(() => sendAll());
  if (done.length) new BroadcastChannel("boothglass-taps").postMessage("changed");
  if (away) throw new Error("nobody answers"); // the browser tries again
}
