// On the pages of sign-in: passkeys, where the browser has them, and what this device keeps: pages go
// with whoever could read them, taps that wait stay.
import { PAGES } from "./pages_kept.js";
import { kept } from "./queue.js";
import { t } from "./said.js";

const says = document.getElementById("passkey-says");
const makes = document.getElementById("passkey-make");
const enters = document.getElementById("passkey-in");

if (document.querySelector("[data-forget-pages]")) forget();
if (canPasskeys()) {
  for (const shown of document.querySelectorAll("#passkey, [data-passkey]")) shown.hidden = false;
  if (makes) says.textContent = "";
  makes?.addEventListener("click", () => attempt(makes, make));
  enters?.addEventListener("click", () => attempt(enters, enter));
}

async function forget() {
  try {
    if ("caches" in window) await caches.delete(PAGES);
    const waiting = (await kept()).filter((tap) => tap.state === "waiting");
    document.getElementById("taps-wait").hidden = !waiting.length;
  } catch {
    // a browser that keeps nothing
  }
}

/** Passkeys are for a host that has a name, reached by https or on the machine itself. */
function canPasskeys() {
  const figures = /^[\d.]+$|^\[/.test(location.hostname);
  return window.isSecureContext && "PublicKeyCredential" in window && !figures;
}

async function attempt(button, act) {
  button.disabled = true;
  says.textContent = "";
  try {
    await act();
  } catch (error) {
    says.textContent =
      error instanceof Told ? error.message : t("No passkey was used. Try again, or take the password.");
    button.disabled = false;
  }
}

class Told extends Error {}

async function make() {
  const options = await post("/api/v1/passkeys/begin");
  const publicKey = {
    ...options,
    challenge: bytes(options.challenge),
    user: { ...options.user, id: bytes(options.user.id) },
    excludeCredentials: (options.excludeCredentials ?? []).map((one) => ({ ...one, id: bytes(one.id) })),
  };
  const made = await navigator.credentials.create({ publicKey });
  await post("/api/v1/passkeys", { credential: written(made) });
  // Whoever came here from their first link goes on to the pages.
  location.assign(location.hash === "#passkeys" ? "/" : "/settings/sign-in?said=passkey-made");
}

async function enter() {
  const options = await post("/api/v1/sign-in/passkey/begin");
  const publicKey = { ...options, challenge: bytes(options.challenge), allowCredentials: [] };
  const credential = written(await navigator.credentials.get({ publicKey }));
  const { back } = document.getElementById("passkey").dataset;
  const { to } = await post("/api/v1/sign-in/passkey", { credential, back });
  location.assign(to);
}

async function post(path, body = {}) {
  let answer;
  try {
    const headers = { "Content-Type": "application/json" };
    answer = await fetch(path, { method: "POST", headers, body: JSON.stringify(body) });
  } catch {
    throw new Told(t("No connection to the shop."));
  }
  const said = await answer.json().catch(() => ({}));
  if (answer.status === 403 && said.errors?.some(({ field }) => field === "again")) {
    location.assign(`/sign-in/again?next=${encodeURIComponent(location.pathname)}`);
    return new Promise(() => {}); // the page is left
  }
  if (!answer.ok) throw new Told(said.detail ?? `${answer.status}`);
  return said;
}

/** What an authenticator answered, as JSON (WebAuthn, `toJSON`; not every browser has that yet). */
function written(credential) {
  const { response } = credential;
  const parts = {};
  for (const name of ["clientDataJSON", "attestationObject", "authenticatorData", "signature", "userHandle"]) {
    if (response[name]) parts[name] = text(response[name]);
  }
  return { id: credential.id, rawId: text(credential.rawId), type: credential.type, response: parts };
}

function text(buffer) {
  const plain = Array.from(new Uint8Array(buffer), (byte) => String.fromCharCode(byte)).join("");
  return btoa(plain).replaceAll("+", "-").replaceAll("/", "_").replaceAll("=", "");
}

function bytes(coded) {
  const plain = atob(coded.replaceAll("-", "+").replaceAll("_", "/"));
  return Uint8Array.from(plain, (character) => character.charCodeAt(0));
}
