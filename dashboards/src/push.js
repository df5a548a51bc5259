import { t } from "./said.js";
// On a person's page: pushes to this device. The browser asks for leave, gives an address of its own,
// and that is kept as one of the person's channels.
const PATIENCE_MS = 10000;

const box = document.getElementById("push");
if (box) offer();

function offer() {
  const button = document.getElementById("push-here");
  box.hidden = false;
  const missing = why();
  if (missing) {
    button.disabled = true;
    say(missing);
    return;
  }
  button.addEventListener("click", async () => {
    button.disabled = true;
    say("");
    try {
      await subscribe();
      location.assign(`${location.pathname}?said=channel-added`);
    } catch (error) {
      say(error instanceof Told ? error.message : t("The browser's push service does not answer. Try again later."));
      button.disabled = false;
    }
  });
}

class Told extends Error {}

function why() {
  if (!window.isSecureContext) return t("Push works only where these pages are opened by https.");
  if (!("serviceWorker" in navigator) || !("PushManager" in window) || !("Notification" in window)) {
    return t("This browser has no push. On some phones it has once this page is on the home screen.");
  }
  return "";
}

async function subscribe() {
  if ((await Notification.requestPermission()) !== "granted") {
    throw new Told(t("Notifications are not allowed for this page; the browser's settings can change that."));
  }
  const worker = await inTime(navigator.serviceWorker.ready, t("This page keeps nothing on this device yet. Load it again."));
  const { key } = await answered(fetch("/api/v1/push/key"));
  const applicationServerKey = bytes(key);
  const old = await worker.pushManager.getSubscription();
  if (old && !same(old.options.applicationServerKey, applicationServerKey)) await old.unsubscribe();
  const subscription = await worker.pushManager.subscribe({ userVisibleOnly: true, applicationServerKey });
  const { endpoint, keys } = subscription.toJSON();
  await answered(
    fetch(box.dataset.push, {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ kind: "webpush", name: device(), config: { endpoint, keys } }),
    }),
  );
}

async function answered(asked) {
  let answer;
  try {
    answer = await asked;
  } catch {
    throw new Told(t("Not kept: no connection to the shop."));
  }
  const said = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Told(`Not kept: ${said.detail ?? `the shop answered ${answer.status}`}.`);
  return said;
}

function inTime(promise, otherwise) {
  const late = new Promise((_, reject) => setTimeout(() => reject(new Told(otherwise)), PATIENCE_MS));
  return Promise.race([promise, late]);
}

function device() {
  const system = navigator.userAgentData?.platform || /\(([^;)]+)/.exec(navigator.userAgent)?.[1];
  return `Push to ${system || "a browser"}`.slice(0, 80);
}

function bytes(text) {
  const plain = atob(text.replaceAll("-", "+").replaceAll("_", "/"));
  return Uint8Array.from(plain, (character) => character.charCodeAt(0));
}

function same(kept, wanted) {
  const had = new Uint8Array(kept ?? []);
  return had.length === wanted.length && had.every((byte, n) => byte === wanted[n]);
}

function say(text) {
  document.getElementById("push-says").textContent = text;
}
