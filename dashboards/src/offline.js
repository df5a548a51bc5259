// The page's side of working without connection: the service worker, what is kept, and the list of it.
import { hourOf, shopNow, span } from "./ages.js";
import { PAGES, store } from "./pages_kept.js";

/** Starts the service worker, where the browser allows one: by TLS, or on the machine itself. */
export function workOffline() {
  if (!("serviceWorker" in navigator)) return;
  const begin = () =>
    navigator.serviceWorker.register("/sw.js", { updateViaCache: "none" }).catch(() => {}); // as without
  if (document.readyState === "complete") begin();
  else addEventListener("load", begin);
  listKept();
}

/** Keeps a page as it was just drawn by the service. */
export function keepPage(address, text) {
  if ("caches" in window) store(address, text).catch(() => {}); // no room: nothing is kept
}

/** On the page that says that a page was not kept: those that were. */
async function listKept() {
  const list = document.getElementById("kept-pages");
  if (!list || !("caches" in window)) return;
  const pages = await caches.open(PAGES);
  for (const request of (await pages.keys()).reverse()) {
    const answer = await pages.match(request);
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const age = (Date.now() - Number(answer.headers.get("X-Kept-At"))) / 1000;
    const line = document.createElement("li");
    const link = document.createElement("a");
    const url = new URL(request.url);
    link.href = url.pathname + url.search;
    link.textContent = page.title.split(" · ")[0];
    const old = document.createElement("span");
    old.textContent = `as it was ${span(age)} ago, at ${hourOf(shopNow() - age * 1000)}`;
    line.append(link, " ", old);
    list.append(line);
  }
}
