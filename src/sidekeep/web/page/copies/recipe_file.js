/** The recipe as a file: saved, followed from a file, or taken over from another record. */
import { makeEdit } from "../changes.js";
import { html, useEffect, useState } from "../html.js";
import { Select } from "../parts.js";
import { get, recordApi } from "../server.js";
import { loadShelf, tell, told, useKnown } from "../store.js";
import { nameOf } from "../words.js";

const LARGEST_BYTES = 500_000;
/** Parts of a recipe that hold for any record; which repairs are left stays with the record they are in. */
const PARTS = /** @type {const} */ (["mend", "level", "edges", "copies"]);
const OWN = new Set(["leave", "choices"]);

/** @param {any} choices @returns {Record<string, unknown>} the fields of one edit */
export function settingsOf(choices) {
  return Object.fromEntries(PARTS.flatMap((part) => Object.entries(choices[part] ?? {})).filter(([name]) => !OWN.has(name)));
}

/** @param {{record: any}} props */
export function RecipeFile({ record }) {
  const known = useKnown();
  const [open, setOpen] = useState(false);
  const [from, setFrom] = useState("");
  useEffect(() => {
    if (open && !known.shelf) void loadShelf();
  }, [open]);
  const others = (known.shelf ?? []).filter((each) => each.id !== record.id);
  /** @param {HTMLInputElement} input */
  const follow = async (input) => {
    const file = input.files?.[0];
    if (!file) return;
    if (file.size > LARGEST_BYTES) tell(`${file.name} is too large for a recipe.`, { severity: "act" });
    else if (await makeEdit(record.id, { kind: "recipe-text", text: await file.text() }, "The recipe")) tell(`The recipe of ${file.name} is followed from now on; Undo brings the old one back.`);
    input.value = "";
  };
  const take_over = async () => {
    const other = await told(get(recordApi(from, "recipe")));
    if (other && (await makeEdit(record.id, { kind: "recipe", ...settingsOf(other.choices) }, "The recipe"))) tell("The settings are taken over; which repairs are left alone stays as it was here.");
  };
  return html`<details class="more-ways" onToggle=${(/** @type {any} */ event) => setOpen(event.currentTarget.open)}><summary>Save or follow a recipe</summary>
    ${others.length > 0 && html`<p class="as-other"><label>Treat it as <${Select} value=${from} options=${[["", "choose a record"], ...others.map((other) => [other.id, `${other.artist ? `${other.artist}: ` : ""}${nameOf(other)}`])]} set=${setFrom} /></label>
      <button disabled=${!from} onClick=${take_over}>Take its settings over</button></p>`}
    <p class="buttons"><a class="button" href=${recordApi(record.id, "recipe/file")} download=${`${nameOf(record).replace(/[/\\]/g, "-")} recipe.toml`}>Save the recipe as a file</a>
      <label class="button">Follow a recipe from a file<input class="unseen" type="file" accept=".toml,text/plain,application/toml" onChange=${(/** @type {any} */ event) => void follow(event.target)} /></label></p>
    <p class="soft">A recipe file says all of it, which repairs are left alone too.</p>
  </details>`;
}
