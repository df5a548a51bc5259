// Which pages are kept for when the connection is away, and how. Shared by pages and service worker.
export const PAGES = "boothglass-pages";

const KEPT = /^\/($|instruments$|instruments\/\d+(\/flaw)?$|places$|(air|outlook)\/[^/]+$|wall$)/;
const MOST = 40;

/**
 * Name under which a page is kept, or null where it is not: now, pieces, a piece, its flaw tiles, air,
 * outlook, the wall.
 */
export function keptAs(address) {
  const url = new URL(address, location.origin);
  if (url.origin !== location.origin || !KEPT.test(url.pathname)) return null;
  for (const name of ["did", "said"]) url.searchParams.delete(name);
  return url.origin + url.pathname + (url.searchParams.size ? `?${url.searchParams}` : "");
}

/** Keeps the text of a page and the instant it was true; the oldest beyond a bounded number go. */
export async function store(address, text) {
  const name = keptAs(address);
  if (!name) return;
  const pages = await caches.open(PAGES);
  const headers = { "Content-Type": "text/html; charset=utf-8", "X-Kept-At": String(Date.now()) };
  // Put over the old one: between taking that out and this in, a phone that is cut off would find none.
  await pages.put(name, new Response(text, { headers }));
  const names = await pages.keys();
  for (const old of names.slice(0, Math.max(0, names.length - MOST))) await pages.delete(old);
}
