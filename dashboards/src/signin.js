// On the pages of sign-in: what was kept of the pages goes, what waits to be sent stays.
import { PAGES } from "./pages_kept.js";
import { kept } from "./queue.js";

if (document.querySelector("[data-forget-pages]")) forget();

async function forget() {
  try {
    if ("caches" in window) await caches.delete(PAGES);
    const waiting = (await kept()).filter((tap) => tap.state === "waiting");
    document.getElementById("taps-wait").hidden = !waiting.length;
  } catch {
    // a browser that keeps nothing
  }
}
