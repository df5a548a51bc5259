// A photo goes out as soon as it is taken. One that does not get through is lost, and said to be;
// the flaw it was to show is kept all the same, as any tap is.
import { t } from "./said.js";
import { ask } from "./swap.js";
import { complain } from "./taps.js";
import { tell } from "./waiting.js";

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
  try {
    const { ok, page, url } = await ask(form.action, { method: "POST", body: new FormData(form) }, PATIENCE_MS);
    if (ok) location.assign(url);
    else complain(page);
  } catch {
    field.value = "";
    const tile = form.previousElementSibling?.querySelector("button[name=kind]");
    if (tile) tile.click();
    else tell(t("The photo did not get through: no connection. Take it again when it is back."));
  } finally {
    delete form.dataset.going;
  }
}
