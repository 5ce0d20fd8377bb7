/** What was typed and not yet kept: survives reloads and crashes, in this browser only. */

const PREFIX = "sidekeep draft ";

/** @param {string} what @returns {string | null} */
export function draft(what) {
  try {
    return localStorage.getItem(PREFIX + what);
  } catch {
    return null;
  }
}

/** @param {string} what @param {string | null} text  null: it is kept elsewhere now */
export function keepDraft(what, text) {
  try {
    if (text === null) localStorage.removeItem(PREFIX + what);
    else localStorage.setItem(PREFIX + what, text);
  } catch {
    // A browser that keeps nothing: the text still stands in the field.
  }
}
