/** What came of comparing files with their checksums. */
import { html } from "../html.js";
import { count } from "../words.js";

const MOST_SHOWN = 20;
const FAULTS = { changed: "has changed since it was written", missing: "is missing", unreadable: "cannot be read" };

/** A sentence for every file that is not as it was. @param {any[]} places @returns {string[]} */
function faultsOf(places) {
  return places.flatMap((place) => [
    ...Object.entries(FAULTS).flatMap(([kind, text]) => (place[kind] ?? []).map((/** @type {string} */ file) => `${file} ${text}.`)),
    ...(place.faults ?? []).map(String),
  ]);
}

/** @param {{result: any}} props of a job that has verified */
export function Checked({ result }) {
  const places = result?.places ?? [];
  const files = places.reduce((/** @type {number} */ sum, /** @type {any} */ place) => sum + (place.checked_files ?? 0), 0);
  const unchecked = places.flatMap((/** @type {any} */ place) => place.unchecked ?? []);
  if (result?.ok && !unchecked.length) return html`<p class="finding">Everything is as it was written: ${count(files, "file was", "files were")} read and compared.</p>`;
  if (result?.ok) return html`<div class="finding look" role="alert"><p>What could be checked is as it was written: ${count(files, "file was", "files were")} read and compared. Not checked:</p><${Listed} lines=${unchecked} /></div>`;
  return html`<div class="finding act" role="alert"><p>Not everything is as it was:</p>
    <${Listed} lines=${faultsOf(places)} />
    ${unchecked.length > 0 && html`<p>Not checked:</p><${Listed} lines=${unchecked} />`}
    <p class="soft">Restore what has changed or is missing from another copy or a backup. Copies can be written again from their takes.</p></div>`;
}

/** @param {{lines: string[]}} props */
function Listed({ lines }) {
  return html`<ul>${lines.slice(0, MOST_SHOWN).map((text) => html`<li>${text}</li>`)}</ul>${lines.length > MOST_SHOWN && html`<p>and ${lines.length - MOST_SHOWN} more.</p>`}`;
}
