// What the service worker does with a push: shows it, opens its page, answers it. The service may be
// out of reach while the push service is not: then the notice comes back and says so.
const SEEN = "seen";
const MOVED = "moved";
const MOVES = "move-due";

export function onPush(event) {
  event.waitUntil(show(event.data));
}

export function onNotificationClick(event) {
  const notice = event.notification;
  notice.close();
  const answers = event.action === SEEN || event.action === MOVED;
  event.waitUntil(answers ? acknowledge(notice, event.action) : open(notice.data?.url ?? "/"));
}

async function show(data) {
  let said = {};
  try {
    said = data.json() ?? {};
  } catch {
    // Browsers want something shown for every push, whatever was in it.
  }
  const at = Date.parse(said.at ?? "");
  const ack = pathOf(said.ack_url);
  await self.registration.showNotification(said.title || "Boothglass", {
    body: said.body || "Something to look at.",
    tag: said.tag || "boothglass",
    icon: "/assets/icon-192.png",
    timestamp: Number.isNaN(at) ? Date.now() : at,
    requireInteraction: said.urgent === true,
    data: { url: pathOf(said.url) ?? "/notices", ack },
    actions: ack ? actionsOf(said.kind) : [],
  });
}

function actionsOf(kind) {
  const seen = { action: SEEN, title: "Seen" };
  return kind === MOVES ? [{ action: MOVED, title: "Moved" }, seen] : [seen];
}

/** Says that somebody looks after it, or that what was to be moved is. */
async function acknowledge(notice, action) {
  let answered = false;
  try {
    const answer = await fetch(notice.data.ack, {
      method: "POST",
      headers: { Accept: "application/json" },
      body: action === MOVED ? new URLSearchParams({ move: "all" }) : undefined,
    });
    answered = answer.ok;
  } catch {
    // Out of reach: told below.
  }
  if (answered) return;
  await self.registration.showNotification(notice.title, {
    body: `Not confirmed: the shop is out of reach.\n${notice.body}`,
    tag: notice.tag,
    icon: "/assets/icon-192.png",
    data: notice.data,
    actions: [{ action, title: "Try again" }],
  });
}

async function open(path) {
  const pages = await self.clients.matchAll({ type: "window", includeUncontrolled: true });
  for (const page of pages) {
    if (!("navigate" in page)) continue;
    try {
      const shown = await page.navigate(path);
      await (shown ?? page).focus();
      return;
    } catch {
      // Not a page of this worker: another one, or a new one.
    }
  }
  await self.clients.openWindow(path);
}

/** The path of an address: a message may name the service otherwise than this phone does. */
function pathOf(address) {
  try {
    const url = new URL(address, location.origin);
    return url.pathname + url.search;
  } catch {
    return undefined;
  }
}
