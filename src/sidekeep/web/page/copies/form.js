/** The form of the copies: what the recipe says of files, none of which changes the sound. */
import { html } from "../html.js";
import { Select, Tick } from "../parts.js";
import { readNumber, useChoice, useField } from "../field.js";

const FRONTS = { cover: "cover.jpg", folder: "folder.jpg", both: "cover.jpg and folder.jpg" };
const USUAL = { forms: [], picture_px: 1400, picture_kb: 0, front_file: "cover", cd_picture: false, disc_folders: false, through_numbers: false, old_tags: false, owner: "" };

/** @param {{copies: any, set: (fields: Record<string, unknown>) => Promise<unknown>}} props */
export function FileForm({ copies, set }) {
  const now = { ...USUAL, ...copies };
  const usual = Object.entries(USUAL).every(([name, value]) => JSON.stringify(now[name]) === JSON.stringify(value));
  return html`<details class="more-ways"><summary>Form of the files${usual ? "" : ": not as usual"}</summary>
    <${Text} label="Bits, rates and bit rates" value=${now.forms.join(" ")} placeholder="lossless=16 portable=good" set=${(/** @type {string} */ value) => set({ forms: value.split(/\s+/).filter(Boolean) })} about="form-words" />
    <p class="soft" id="form-words">One for a kind: lossless=16,48000 is 16 bits at 48000 Hz, portable=good or aac=192 a bit rate (small, good, best or kbit/s). Without one, exact kinds have the bits and rate of the take.</p>
    <label>Longest edge of pictures <${Figure} label="Longest edge of pictures" step=${1} value=${now.picture_px} min=${64} max=${10000} unit="pixels" set=${(/** @type {number} */ value) => set({ picture_px: value })} /></label>
    <label>Largest picture in kilobytes, 0 for no limit <${Figure} label="Largest picture in kilobytes, 0 for no limit" step=${1} value=${now.picture_kb} min=${0} max=${100000} unit="kB" set=${(/** @type {number} */ value) => set({ picture_kb: value })} /></label>
    <label>The front lies beside the tracks as <${Pick} value=${now.front_file} words=${FRONTS} set=${(/** @type {string} */ value) => set({ front_file: value })} /></label>
    <${Check} label="A folder for every disc of a set" value=${now.disc_folders} set=${(/** @type {boolean} */ value) => set({ disc_folders: value })} />
    <${Check} label="Tracks are numbered through all discs" value=${now.through_numbers} set=${(/** @type {boolean} */ value) => set({ through_numbers: value })} />
    <${Check} label="CD tracks carry the picture too" value=${now.cd_picture} set=${(/** @type {boolean} */ value) => set({ cd_picture: value })} />
    <${Check} label="Tags for old players (ID3v2.3 in MP3, WAV and AIFF)" value=${now.old_tags} set=${(/** @type {boolean} */ value) => set({ old_tags: value })} />
    <${Text} label="Who keeps the master: a person or an organisation" value=${now.owner} placeholder="" set=${(/** @type {string} */ value) => set({ owner: value })} />
  </details>`;
}

/** @param {{label: string, value: string, placeholder: string, about?: string, set: (value: string) => void}} props */
function Text({ label, value, placeholder, about, set }) {
  const field = useField(value, (text) => text.trim(), set);
  return html`<label>${label} <input type="text" maxlength="500" placeholder=${placeholder} aria-describedby=${about} ...${field} /></label>`;
}

/** @param {{label: string, value: number, min: number, max: number, step: number, unit: string, set: (value: number) => void}} props */
export function Figure({ label, value, min, max, step, unit, set }) {
  const field = useField(value, (text) => {
    const now = readNumber(text, min, max);
    return step < 1 || Number.isInteger(now) ? now : null;
  }, set);
  return html`<span class="with-unit"><input type="number" aria-label=${label} min=${min} max=${max} step=${step} ...${field} /> ${unit}</span>`;
}

/** @param {{label: string, value: boolean, set: (value: boolean) => Promise<unknown>}} props */
function Check({ label, value, set }) {
  const [on, choose] = useChoice(value, set);
  return html`<${Tick} on=${on} set=${choose}>${label}.<//>`;
}

/** One of a few words. @param {{label?: string, value: string, words: Record<string, string>, set: (value: string) => Promise<unknown>}} props */
export function Pick({ label, value, words, set }) {
  const [now, choose] = useChoice(value, set);
  return html`<${Select} label=${label} value=${now} options=${Object.entries(words)} set=${choose} />`;
}
