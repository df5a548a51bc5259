// A photo goes out as soon as it is taken. It is written down first, as any tap is: one that does not get
// through waits, and is sent when somebody answers. A browser that keeps nothing loses it, and says so;
// the flaw it was to show is then logged without.
import { t } from "./said.js";
import { ask } from "./swap.js";
import { afterOlder, complain, unsent, written } from "./taps.js";
import { changed, tell } from "./waiting.js";

const PATIENCE_MS = 180000; // some megabytes over a bad link

export function takePhotos() {
  document.addEventListener("change", (event) => {
    const form = event.target.closest?.("form[data-photo]");
    if (form && event.target.files?.length && !form.dataset.going) send(form, event.target);
  });
}

async function send(form, field) {
  form.dataset.going = "1";
  tell(t("The photo is on its way …"));
  const path = new URL(form.action).pathname;
  const tap = await written(path, [], field.getAttribute("aria-label") ?? t("A photo"), field.files[0]);
  try {
    const { ok, page, url } = await (tap ? afterOlder(tap) : atOnce(form));
    if (ok) location.assign(url);
    else complain(page);
  } catch (error) {
    if (tap) await unsent(form, tap, error);
    else lost(form, field);
  } finally {
    delete form.dataset.going;
    if (tap) await changed();
  }
}

function atOnce(form) {
  return ask(form.action, { method: "POST", body: new FormData(form) }, PATIENCE_MS);
}

function lost(form, field) {
  field.value = "";
  const tile = form.previousElementSibling?.querySelector("button[name=kind]");
  if (tile) tile.click();
  else tell(t("The photo did not get through: no connection. Take it again when it is back."));
}
