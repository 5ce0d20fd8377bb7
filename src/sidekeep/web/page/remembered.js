/** What this browser remembers: what was typed and is not kept yet, and how the page is used here. A browser that keeps nothing (it was told so, or has no room) remembers it as long as the page stands. */

const PREFIX = "sidekeep ";
/** What could not be written, null: or not be taken away. @type {Map<string, string | null>} */
const here = new Map();

/** @param {string} what @returns {string | null} */
export function recall(what) {
  const kept = here.get(what);
  if (kept !== undefined) return kept;
  try {
    return localStorage.getItem(PREFIX + what);
  } catch {
    return null;
  }
}

/** @param {string} what @param {string | null} text  null: no more */
export function remember(what, text) {
  try {
    if (text === null) localStorage.removeItem(PREFIX + what);
    else localStorage.setItem(PREFIX + what, text);
    here.delete(what);
  } catch {
    here.set(what, text);
    addEventListener("beforeunload", ask);
  }
}

/** Whether single letters are heard. */
export const singleKeys = () => recall("single keys") !== "off";
/** @param {boolean} on */
export const setSingleKeys = (on) => remember("single keys", on ? "on" : "off");

/** @param {string} what */
const draft = (what) => `draft ${what}`;
/** @param {string} what */
export const recallDraft = (what) => recall(draft(what));
/** @param {string} what @param {string | null} text  null: it is kept elsewhere now */
export const keepDraft = (what, text) => remember(draft(what), text);
/** Whether a reload would lose what was typed. @param {string} what */
export const isOnlyHere = (what) => typeof here.get(draft(what)) === "string";

/** What would be lost is asked about. @param {BeforeUnloadEvent} event */
function ask(event) {
  if ([...here].some(([what, text]) => what.startsWith(draft("")) && text !== null)) event.preventDefault();
}
