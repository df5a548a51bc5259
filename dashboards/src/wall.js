// A screen that hangs by the booth: live like every page, awake where the browser can keep it so, and
// covered by its style sheet as soon as this script stops renewing it.
import { watchAges } from "./ages.js";
import { listen } from "./live.js";
import { workOffline } from "./offline.js";

const shroud = document.querySelector(".shroud");

/** Each tick that came to its end puts the cover off; a script that hangs or fails does not. */
document.addEventListener("page:ticked", () => {
  for (const cover of shroud.getAnimations()) cover.currentTime = 0;
});

watchAges();
listen();
workOffline();
stayAwake();

/** Asks for the screen to stay on, again whenever it has been lost; says so where it cannot. */
async function stayAwake() {
  const note = document.getElementById("awake");
  try {
    const lock = await navigator.wakeLock.request("screen");
    note.hidden = true;
    lock.addEventListener("release", () => (note.hidden = document.hidden));
  } catch {
    note.hidden = false;
  }
}

document.addEventListener("visibilitychange", () => {
  if (!document.hidden) stayAwake();
});
