/** Every place is an address; this module reads and writes them and tells who listens when they change. */
import { useEffect, useState } from "./html.js";

/** @typedef {import("./shapes.js").Address} Address */

const RECORD_PLACES = new Set(["sleeve", "turntable", "copies", "later"]);

/** @param {string} path @param {string} hash @returns {Address} */
export function readAddress(path, hash) {
  const parts = path.split("/").filter(Boolean).map(decode);
  const at = Object.fromEntries(new URLSearchParams(hash.replace(/^#/, "")));
  const [first = "", record = "", word = "sleeve", side = ""] = parts;
  /** @type {(place: Address["place"]) => Address} */
  const plain = (place) => ({ place, record: "", side: "", at });
  if (parts.length === 0) return plain("shelf");
  if (first === "new" || first === "phone" || first === "turntable") return plain(first);
  if (first !== "record" || !record) return plain("lost");
  if (word === "side") return { place: "side", record, side: side || "A", at };
  if (RECORD_PLACES.has(word)) return { place: /** @type {Address["place"]} */ (word), record, side: "", at };
  return plain("lost");
}

/** @param {string} part */
function decode(part) {
  try {
    return decodeURIComponent(part);
  } catch {
    return part;
  }
}

/** @param {string} record @param {string} [place] @param {string} [side] */
export function recordPath(record, place = "sleeve", side = "") {
  return `/record/${encodeURIComponent(record)}/${place}${side ? `/${encodeURIComponent(side)}` : ""}`;
}

/** @type {Set<() => void>} */
const listeners = new Set();
const tell = () => listeners.forEach((listener) => listener());

/** Go to another place; the page itself stays. @param {string} path @param {{replace?: boolean}} [how] */
export function go(path, how = {}) {
  const here = location.pathname + location.hash;
  if (path === here) return;
  const left = location.pathname;
  if (how.replace) history.replaceState(null, "", path);
  else history.pushState(null, "", path);
  if (left !== location.pathname) scrollTo(0, 0);
  tell();
}

/** Write the hash of this place without a new step in the history. @param {Record<string, string | number | null>} at */
export function keepAt(at) {
  const words = new URLSearchParams(location.hash.slice(1));
  for (const [name, value] of Object.entries(at)) {
    if (value === null || value === "") words.delete(name);
    else words.set(name, String(value));
  }
  const hash = words.toString();
  // Whole, for a path that begins with two slashes is read as the name of another machine.
  history.replaceState(null, "", location.href.split("#")[0] + (hash ? `#${hash}` : ""));
}

/** @returns {Address} */
export function useAddress() {
  const [address, setAddress] = useState(() => readAddress(location.pathname, location.hash));
  useEffect(() => {
    const read = () => setAddress(readAddress(location.pathname, location.hash));
    listeners.add(read);
    addEventListener("popstate", read);
    addEventListener("hashchange", read);
    return () => {
      listeners.delete(read);
      removeEventListener("popstate", read);
      removeEventListener("hashchange", read);
    };
  }, []);
  return address;
}

/** Links within the page are followed without leaving it. @param {MouseEvent} event */
export function followLink(event) {
  if (event.defaultPrevented || event.button !== 0 || event.metaKey || event.ctrlKey || event.shiftKey || event.altKey) return;
  const link = /** @type {Element} */ (event.target).closest?.("a[href]");
  if (!(link instanceof HTMLAnchorElement) || link.target || link.hasAttribute("download")) return;
  const url = new URL(link.href);
  if (url.origin !== location.origin || url.pathname.startsWith("/api/") || url.pathname.startsWith("/page/")) return;
  if (url.pathname === location.pathname && url.hash) return;
  event.preventDefault();
  go(url.pathname + url.hash);
}
