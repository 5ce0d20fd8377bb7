/** Looking after the shelf: room on the disk, checksums, takes that were interrupted, the index. */
import { recordPath } from "../address.js";
import { html, useEffect, useState } from "../html.js";
import { Bar, isAtWork, newestJob, Select, Tick, useAnswer } from "../parts.js";
import { newestOnly, post } from "../server.js";
import { askJob, loadShelf, once, tell, told } from "../store.js";
import { capital, count, day, listed, nameOf, roughly, size } from "../words.js";
import { Checked } from "./checked.js";

const AGES = [6, 12, 24, 60].map((months) => [months, months === 6 ? "half a year" : months === 12 ? "a year" : `${months / 12} years`]);
const MOST_DUE = 40;
const BYTES_PER_HOUR = 96_000 * 2 * 3 * 3600;

/** Takes that a crash or a pulled plug left open; asked again when the shelf changes. @param {{shelf: any, of?: string}} props of that record only */
export function Interrupted({ shelf, of }) {
  const [takes, setTakes] = useState(/** @type {any[]} */ ([]));
  const [ask] = useState(newestOnly);
  const load = () => ask("/api/interrupted").then((answer) => answer && setTakes(answer.takes.filter((/** @type {any} */ take) => !of || take.record === of)), () => undefined);
  useEffect(() => void load(), [shelf]);
  if (!takes.length) return null;
  const close = () => once("close interrupted", async () => {
    const answer = await told(post("/api/interrupted/close"));
    if (!answer) return load();
    void load();
    const kept = answer.takes.map((/** @type {any} */ take) => `side ${take.side}, ${roughly(take.length_s)}`);
    if (kept.length) tell(`Closed and kept: ${listed(kept)}. Tracks are being looked for.`);
    else if (!answer.left.length) tell("There was no sound in what was interrupted.");
    if (answer.left.length) tell(`${capital(count(answer.left.length, "take"))} could not be closed; what is there is left as it is.`, { severity: "act" });
  });
  return html`<section class="finding look" aria-label="Interrupted takes">
    <p>${capital(count(takes.length, "take was", "takes were"))} interrupted before ${takes.length > 1 ? "they were" : "it was"} closed: ${takes.map((take, at) => html`${at ? ", " : ""}side ${take.side} of <a href=${recordPath(take.record, "turntable")}><cite>${nameOf(take)}</cite></a>`)}.</p>
    <p class="buttons"><button onClick=${close}>Close ${takes.length > 1 ? "them" : "it"}, and keep all that was recorded</button></p></section>`;
}

/** @param {{state: any}} props */
export function Foot({ state }) {
  const [decode, setDecode] = useState(false);
  const [open, setOpen] = useState(false);
  if (!state) return null;
  const check = async () => {
    if (await askJob("/api/verify", { decode_flac: decode })) tell("Everything on the shelf is being read and compared with its checksums.");
  };
  const look_again = () => once("index", async () => {
    const answer = await told(post("/api/index"));
    if (answer) tell(`${capital(count(answer.records, "record"))} found in the folders.`);
    await loadShelf();
  });
  const hours = state.shelf.free_bytes / BYTES_PER_HOUR;
  const job = newestJob((each) => each.kind === "verify" && !each.record);
  const checking = isAtWork(job);
  return html`<footer class="shelf-foot soft">
    <p>Kept in ${state.shelf.name}. ${size(state.shelf.free_bytes)} free: about ${hours >= 10 ? Math.round(hours) : hours.toFixed(1)} hours of recording at 96 kHz.
    ${state.shelf.writable === false ? " This shelf cannot be written to: records can be heard, not changed." : ""}</p>
    ${checking ? html`<p role="status">${capital(job.doing || "reading every file")} …</p><${Bar} share=${job.share} label="Checking every file" />` : null}
    ${job?.state === "done" && html`<${Checked} result=${job.result} />`}
    ${job?.state === "failed" && html`<p class="finding act" role="alert">${capital(job.error?.text ?? "it could not be done")}</p>`}
    <details class="shelf-care" onToggle=${(/** @type {any} */ event) => setOpen(event.currentTarget.open)}><summary>Look after the shelf</summary>
      <p class="buttons"><button disabled=${checking} onClick=${check}>Check every file against its checksum</button><${Decode} on=${decode} set=${setDecode} /></p>
      <p class="buttons"><button disabled=${state.shelf.writable === false} onClick=${look_again}>Read the record folders again</button><span>For folders that were moved, renamed or restored by hand. What is there now then counts as what should be there.</span></p>
      ${open && html`<${Due} />`}
    </details>
  </footer>`;
}

/** Sides that were last taken long ago: time to listen again. */
function Due() {
  const [months, setMonths] = useState(12);
  /** @type {any[] | null} */
  const sides = useAnswer(`/api/due?months=${months}`)?.sides ?? null;
  return html`<p><label>Taken longer ago than <${Select} value=${months} options=${AGES} set=${(/** @type {string} */ value) => setMonths(Number(value))} /></label>: ${sides === null ? "…" : sides.length ? "time to take these again and hear what has changed." : "no side."}</p>
    ${sides && sides.length > 0 && html`<ul class="due">${sides.slice(0, MOST_DUE).map((side) => html`<li key=${side.record + side.side}><a href=${recordPath(side.record, "turntable")}>side ${side.side} of <cite>${nameOf(side)}</cite></a>, ${day(side.taken_utc)}</li>`)}</ul>${sides.length > MOST_DUE && html`<p>and ${sides.length - MOST_DUE} more.</p>`}`}`;
}

/** @param {{on: boolean, set: (on: boolean) => void}} props */
export function Decode({ on, set }) {
  return html`<${Tick} on=${on} set=${set}>decode every FLAC too (slower)<//>`;
}
