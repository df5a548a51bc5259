// Rows of a place's air, and of what they would have done to a film, as columns for a chart.
const BREAK = 3; // a step this many times the usual one is a gap

/** The address of some rows, over another span. */
export function spanned(address, from, to) {
  const url = new URL(address, location.href);
  url.searchParams.set("from", new Date(from * 1000).toISOString());
  url.searchParams.set("to", new Date(to * 1000).toISOString());
  return url;
}

/** From when to when an address asks, in seconds since 1970. */
export function spanOf(address) {
  const asked = new URL(address, location.href).searchParams;
  return ["from", "to"].map((name) => Date.parse(asked.get(name)) / 1000);
}

/** Asks for rows; null where none come, so that what is drawn stays. */
export async function rowsOf(address) {
  try {
    const answer = await fetch(address, { headers: { Accept: "application/json" } });
    return answer.ok ? await answer.json() : null;
  } catch {
    return null;
  }
}

const seconds = (instant) => Date.parse(instant) / 1000;

export function columns(rows, past) {
  const us = document.body.dataset.us === "1";
  const degrees = (value) => (value == null ? null : us ? value * 1.8 + 32 : value);
  const mean = (row, name) => row[name]?.mean ?? row[name] ?? null;
  const floors = new Map((past?.rows ?? []).map((row) => [seconds(row.at), row.film_floor_c]));
  const times = rows.map((row) => seconds(row.at));
  const steps = times.slice(1).map((time, index) => time - times[index]);
  const usual = [...steps].sort((a, b) => a - b)[steps.length >> 1];
  const data = { at: [], air: [], dew: [], film: [], rh: [] };
  const push = (at, air, dew, film, rh) => {
    data.at.push(at);
    data.air.push(air);
    data.dew.push(dew);
    data.film.push(film);
    data.rh.push(rh);
  };
  rows.forEach((row, index) => {
    const at = times[index];
    if (index && steps[index - 1] > BREAK * usual) push(at - usual, null, null, null, null);
    push(at, degrees(mean(row, "air_c")), degrees(mean(row, "dew_point_c")), degrees(floors.get(at)), mean(row, "rh_pct"));
  });
  data.windows = (past?.windows ?? []).map((w) => [seconds(w.start_at), seconds(w.end_at)]);
  data.coats = (past?.coats ?? []).map((coat) => seconds(coat.at));
  return data;
}
