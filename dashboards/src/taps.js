// One tap, one act: the form is sent in place, its answer swapped in, and a failure said plainly. A
// tap that gets no answer is kept and sent when the connection is back.
import { t } from "./said.js";
import { shopNow } from "./ages.js";
import { missed } from "./live.js";
import { bodyOf, drop, inTurn, keep, mayWait, newKey, patienceFor, sendAll } from "./queue.js";
import { ask, say, swap } from "./swap.js";
import { alreadyWaits, changed, tell, tellSignedOut } from "./waiting.js";

const PATIENCE_MS = 12000;
const BOUNCE_MS = 700;

let tapped = { form: null, at: -BOUNCE_MS };

export function takeTaps() {
  document.addEventListener("submit", (event) => {
    const form = event.target;
    if (!(form instanceof HTMLFormElement) || form.method !== "post") return;
    const waits = mayWait(new URL(form.action).pathname) && form.enctype !== "multipart/form-data";
    if (!form.hasAttribute("data-tap") && !waits) {
      // Sent the plain way: only keep a second tap from sending it again.
      if (form.dataset.sent) event.preventDefault();
      form.dataset.sent = "1";
      return;
    }
    event.preventDefault();
    tapped = { form, at: performance.now() };
    send(form, event.submitter, waits);
  });
  addEventListener("click", keepFromBouncing, true);
  addEventListener("pageshow", () => {
    for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent;
  });
}

/** What a tap brings onto the page moves the rest: the second half of a double tap is not for it. */
function keepFromBouncing(event) {
  if (event.detail < 2 || performance.now() - tapped.at > BOUNCE_MS) return;
  if (tapped.form?.contains(event.target)) return;
  event.preventDefault();
  event.stopPropagation();
}

async function send(form, submitter, waits) {
  const buttons = [...form.querySelectorAll("button")];
  if (buttons.some((button) => button.disabled)) return;
  const fields = new URLSearchParams(new FormData(form, submitter));
  const path = new URL(form.action).pathname;
  if (waits && alreadyWaits(path, fields)) return;
  for (const button of buttons) button.disabled = true;
  const button = submitter ?? form.querySelector("button");
  const tap = waits ? await written(path, [...fields], button.textContent) : null;
  try {
    const { ok, page, url } = await (tap ? afterOlder(tap) : ask(form.action, posted(fields), PATIENCE_MS));
    if (ok && !form.hasAttribute("data-tap")) location.assign(url);
    else if (ok) {
      swap(page);
      say(page);
    } else complain(page);
  } catch (error) {
    await unsent(form, tap, error);
  } finally {
    for (const button of buttons) button.disabled = false;
    if (tap) await changed();
  }
}

/** The service answers, and wants to know who it is. */
class SignedOut extends Error {}

function posted(fields) {
  return { method: "POST", body: fields };
}

/** Taps go out in the order they were made: one that waits goes first. */
export function afterOlder(tap) {
  return inTurn(async () => {
    const { away, signedOut } = await sendAll(tap.key);
    if (signedOut) throw new SignedOut();
    if (away) throw new Error("nobody answers");
    const answer = await ask(tap.path, posted(bodyOf(tap)), patienceFor(tap));
    if (answer.status === 401) throw new SignedOut();
    if (answer.status >= 500) throw new Error("the service failed");
    await drop(tap.key);
    return answer;
  });
}

/** Writes the tap down before it is sent; null where this browser keeps nothing. */
export async function written(path, fields, words, photo = null) {
  const tap = {
    key: newKey(),
    path,
    fields: [...fields, ...by()],
    said: saidBy(words),
    madeAt: new Date(shopNow()).toISOString(),
    at: Date.now(),
    tries: 0,
    state: "waiting",
    ...(photo && { photo }),
  };
  try {
    await keep(tap);
    return tap;
  } catch {
    return null;
  }
}

/** Whose tap it is: should another person sign in here before it is sent, it is not recorded as theirs. */
function by() {
  const { who } = document.body.dataset;
  return who ? [["tapped_by", who]] : [];
}

/** Words of what was tapped, with the piece it is about. */
function saidBy(words) {
  const text = words.trim().replace(/\s+/g, " ");
  const piece = document.title.match(/^No\. [^·]+?(?= ·)/);
  return piece && !text.includes("No. ") ? `${text}, ${piece[0]}` : text;
}

export async function unsent(form, tap, error) {
  if (tap) await keep({ ...tap, tries: 1 });
  if (tap && !form.hasAttribute("data-tap")) form.reset();
  if (tap && error instanceof SignedOut) {
    tellSignedOut(t("Not recorded yet: this device is signed out. Your tap is kept, and sent when you have signed in."));
    return;
  }
  if (tap) {
    tell(t("Not recorded yet: nobody answers. Your tap is kept, and sent by itself when somebody does."));
    const registration = await navigator.serviceWorker?.getRegistration();
    registration?.sync?.register("taps").catch(() => {}); // the page sends it in any case
  } else {
    tell(t("Not confirmed: no connection. When it is back, look here before you tap again."));
  }
  missed();
}

/** Shows the page that says what was wrong. */
export function complain(page) {
  const main = document.getElementById("main");
  main.replaceChildren(...page.getElementById("main").childNodes);
  main.dispatchEvent(new CustomEvent("part:swapped", { bubbles: true }));
  main.focus();
}
