// Taps that wait for the connection. A tap is written down before it is sent and taken out when it is
// answered, so a closed tab or a dead service loses none; its key lets the service record it once,
// however often it is sent. Used by the pages and by the service worker: no page is touched here.
const STORE = "taps";
const PATIENCE_MS = 12000;
const PHOTO_PATIENCE_MS = 180000; // some megabytes over a bad link
const LATE_MS = 30000;
const SIGNED_OUT = 401;
const AGAIN = new Set([SIGNED_OUT, 408, 421, 425, 429]); // nothing is wrong with the tap

/** Where the service answers a repeated tap as it answered the first. */
const KEPT = /^\/(instruments\/\d+\/(coat|step|hang|moved|cold|verdict|flaw|undo\/\w+\/\d+)|notices\/\d+\/seen)$/;

export function mayWait(path) {
  return KEPT.test(path);
}

/** A UUID (RFC 9562, version 4); `crypto.randomUUID` exists only where the page came by TLS. */
export function newKey() {
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return [hex.slice(0, 8), hex.slice(8, 12), hex.slice(12, 16), hex.slice(16, 20), hex.slice(20)].join("-");
}

// -- the store ---------------------------------------------------------------------------------

let opened = null;

function database() {
  opened ??= new Promise((resolve, reject) => {
    const asked = indexedDB.open("boothglass", 1);
    asked.onupgradeneeded = () => asked.result.createObjectStore(STORE, { keyPath: "key" });
    asked.onsuccess = () => resolve(asked.result);
    asked.onerror = () => reject(asked.error);
    asked.onblocked = () => reject(new Error("another tab holds the store"));
  }).catch((error) => {
    opened = null; // the next tap tries again
    throw error;
  });
  return opened;
}

async function within(mode, work) {
  const db = await database();
  return new Promise((resolve, reject) => {
    const turn = db.transaction(STORE, mode, { durability: "strict" });
    const asked = work(turn.objectStore(STORE));
    turn.oncomplete = () => resolve(asked.result);
    turn.onerror = turn.onabort = () => reject(turn.error);
  });
}

/** Writes a tap down: `{key, path, fields, said, madeAt, at, state}`; one with a photo has `photo`, too. */
export function keep(tap) {
  return within("readwrite", (store) => store.put(tap));
}

export function drop(key) {
  return within("readwrite", (store) => store.delete(key));
}

/** Every tap that is kept, in the order they were made. */
export async function kept() {
  const all = await within("readonly", (store) => store.getAll());
  return all.sort((one, other) => one.at - other.at);
}

// -- sending -----------------------------------------------------------------------------------

let turn = Promise.resolve();

/** One sender at a time, in this page and, where the browser can, in all of them. */
export function inTurn(work) {
  if (navigator.locks) return navigator.locks.request("boothglass-taps", work);
  const mine = turn.then(work, work);
  turn = mine.catch(() => {});
  return mine;
}

/** How long an answer to a tap may take. */
export function patienceFor(tap) {
  return tap.photo ? PHOTO_PATIENCE_MS : PATIENCE_MS;
}

/** What is sent of a tap; one that waited says when it was made. */
export function bodyOf(tap) {
  const fields = fieldsOf(tap);
  if (!tap.photo) return fields;
  const form = new FormData();
  for (const [name, value] of fields) form.append(name, value);
  form.append("photo", tap.photo, "photo");
  return form;
}

function fieldsOf(tap) {
  const fields = new URLSearchParams(tap.fields);
  fields.set("tap", tap.key);
  if (tap.tries > 0 || Date.now() - tap.at > LATE_MS) fields.set("tapped_at", tap.madeAt);
  return fields;
}

/** Sends what waits, oldest first, and says what came of each; stops where nobody answers, or answers
 * that somebody has to sign in first. */
export async function sendAll(but = null) {
  const done = [];
  for (const tap of await kept()) {
    if (tap.state !== "waiting" || tap.key === but) continue;
    let answer;
    try {
      answer = await post(tap);
    } catch {
      answer = null;
    }
    if (!answer || answer.status >= 500 || AGAIN.has(answer.status)) {
      await keep({ ...tap, tries: tap.tries + 1 });
      return { done, away: true, signedOut: answer?.status === SIGNED_OUT };
    }
    const why = await refusal(answer);
    if (why) await keep({ ...tap, state: "refused", why });
    else await drop(tap.key);
    done.push({ ...tap, why });
  }
  return { done, away: false, signedOut: false };
}

async function post(tap) {
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), patienceFor(tap));
  try {
    return await fetch(tap.path, {
      method: "POST",
      body: bodyOf({ ...tap, tries: 1 }), // whoever comes here has waited
      headers: { Accept: "application/json" },
      signal: stop.signal,
    });
  } finally {
    clearTimeout(timer);
  }
}

/** Answers that lead on and yet have not done it all, by what the page that they lead to says. */
const LEFT_UNDONE = {
  "moved-on": "that step had already moved on",
  "photo-unusable": "the flaw is logged, its photo cannot be used",
};

async function refusal(answer) {
  if (answer.ok) {
    return LEFT_UNDONE[new URL(answer.url).searchParams.get("said")] ?? "";
  }
  try {
    return (await answer.json()).detail || `the service answered ${answer.status}`;
  } catch {
    return `the service answered ${answer.status}`;
  }
}
