/**
 * What the first picture needs is asked for before the rest of the page is here: the record of the address, and the take that
 * counts on its side. Imports nothing, so that it runs first; `server.js` takes these answers when it is asked for the same.
 */

/** @type {Map<string, Promise<Response>>} */
const coming = new Map();
const PATIENCE_MS = 15_000;

/** @param {string} path */
function ask(path) {
  const answer = fetch(path, { headers: { "X-Sidekeep": "page" }, credentials: "same-origin" });
  answer.catch(() => coming.delete(path));
  coming.set(path, answer);
  return answer;
}

/** The answer that is on its way already, once; undefined when nobody has asked. @param {string} path */
export function early(path) {
  const answer = coming.get(path);
  coming.delete(path);
  return answer;
}

/** @param {string} address */
async function begin(address) {
  const [first, id, place, side] = address.split("/").filter(Boolean);
  if (first !== "record" || !id) return;
  const answer = await ask(`/api/records/${id}`);
  if (place !== "side" || !answer.ok) return;
  const record = await answer.clone().json();
  const take = record.sides?.find((/** @type {any} */ each) => each.side === decodeURIComponent(side ?? "A"))?.chosen_take;
  if (!take) return;
  await Promise.all([ask(`/api/takes/${take}/view`), ask(`/api/takes/${take}/damage`)]);
}

begin(location.pathname).catch(() => undefined); // the page asks again, and tells what went wrong
setTimeout(() => coming.clear(), PATIENCE_MS);
