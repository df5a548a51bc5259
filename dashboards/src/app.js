// Makes the server-drawn pages live. Every page works without it.
import { watchAges } from "./ages.js";
import { listen } from "./live.js";
import { workOffline } from "./offline.js";
import { takePhotos } from "./photos.js";
import { takeTaps } from "./taps.js";
import { watchWaiting } from "./waiting.js";

document.documentElement.classList.add("script");

for (const form of document.querySelectorAll("form[data-auto]")) {
  for (const field of form.elements) {
    if (field instanceof HTMLSelectElement) field.addEventListener("change", () => form.requestSubmit());
  }
}
// A link to a folded form opens it.
const target = location.hash && document.getElementById(location.hash.slice(1));
if (target instanceof HTMLDetailsElement) target.open = true;

watchAges();
takeTaps();
takePhotos();
watchWaiting();
listen();
workOffline();
