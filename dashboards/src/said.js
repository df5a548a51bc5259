// What the scripts say, in the language of the page: the server sends the words along where that is
// not English.
const words = JSON.parse(document.body.dataset.said || "{}");

/** A message in the page's language; `{name}` in it is filled in. */
export function t(message, given = {}) {
  return (words[message] ?? message).replace(/\{(\w+)\}/g, (whole, name) => given[name] ?? whole);
}
