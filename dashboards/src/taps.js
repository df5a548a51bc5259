// One tap, one act: the form is sent in place, its answer swapped in, and a failure said plainly.
import { missed } from "./live.js";
import { ask, say, swap } from "./swap.js";

const PATIENCE_MS = 12000;

export function takeTaps() {
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!(form instanceof HTMLFormElement) || form.method !== "post") return;
    if (!form.hasAttribute("data-tap")) {
      // Sent the plain way: only keep a second tap from sending it again.
      if (form.dataset.sent) event.preventDefault();
      form.dataset.sent = "1";
      return;
    }
    event.preventDefault();
    send(form);
  });
  addEventListener("pageshow", () => {
    for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent;
  });
}

async function send(form) {
  const buttons = [...form.querySelectorAll("button")];
  if (buttons.some((button) => button.disabled)) return;
  const fields = new URLSearchParams(new FormData(form));
  for (const button of buttons) button.disabled = true;
  try {
    const { ok, page } = await ask(form.action, { method: "POST", body: fields }, PATIENCE_MS);
    if (ok) {
      swap(page);
      say(page);
    } else {
      const main = document.getElementById("main");
      main.replaceChildren(...page.getElementById("main").childNodes);
      main.dispatchEvent(new CustomEvent("part:swapped", { bubbles: true }));
      main.focus();
    }
  } catch {
    const told = document.createElement("p");
    told.textContent = "Not confirmed: no connection. When it is back, look here before you tap again.";
    document.getElementById("flash").replaceChildren(told);
    missed();
  } finally {
    for (const button of buttons) button.disabled = false;
  }
}
