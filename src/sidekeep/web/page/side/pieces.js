/** Pieces of one side, because the needle was lifted, the disk was full or the machine slept: put together as one more take. */
import { recordPath } from "../address.js";
import { html, useState } from "../html.js";
import { Bar, isAtWork, newestJob, Select } from "../parts.js";
import { takeApi } from "../server.js";
import { askJob, useKnown } from "../store.js";
import { capital, clock, listed } from "../words.js";

/** @param {string[]} ids in the order they were played */
const putTogether = (ids) => askJob(takeApi(ids[0] ?? "", "combine"), { others: ids.slice(1), pieces: true });

/** Where they lie, told by what was noticed while they were recorded: one button. @param {{record: any, side: any}} props */
export function Pieces({ record, side }) {
  useKnown();
  const job = newestJob((each) => each.kind === "combine" && each.record === record.id);
  const all = [...record.takes, ...(record.binned ?? [])];
  const made = job?.state === "done" && job.result?.seams && job.result.side === side.side ? all.find((take) => take.id === job.result.take && take.chosen) : null;
  const pieces = (side.pieces ?? []).map((/** @type {string} */ id) => all.find((take) => take.id === id)).filter(Boolean);
  if (isAtWork(job)) return html`<div class="working"><p class="working-what" role="status">${capital(job.doing || "putting the pieces together")} …</p><${Bar} share=${job.share} label="Putting the pieces together" /></div>`;
  if (made) {
    return html`<div class="finding"><p>Side ${side.side} is take ${made.number} now, put together of its pieces. ${job.result.seams.map((/** @type {any} */ seam) => html`They meet at <a href=${`${recordPath(record.id, "side", side.side)}#t=${(seam.frame / made.rate_hz - 3).toFixed(3)}`}>${clock(seam.frame / made.rate_hz, 1)}</a>${seam.how === "apart" ? ", and what was played in between is missing" : ""}. `)}
      The pieces are kept: put take ${made.number} into the bin, and everything is as it was.</p></div>`;
  }
  if (pieces.length < 2) return null;
  return html`<div class="finding look"><p>${capital(listed(pieces.map((/** @type {any} */ take) => `take ${take.number}${(record.binned ?? []).includes(take) ? " in the bin" : ""} (${clock(take.length_s)})`)))} are pieces of one side: each goes on after the one before.</p>
    ${job?.state === "failed" && html`<p role="alert">${capital(job.error?.text ?? "it could not be done")}</p>`}
    <p class="buttons"><button class="main" onClick=${() => void putTogether(side.pieces)}>Put them together</button></p></div>`;
}

/** Any two of the takes, where nothing told of it. @param {{takes: any[], binned: any[]}} props takes of one side alone */
export function AreTheyPieces({ takes, binned }) {
  useKnown();
  const all = [...takes, ...binned].filter((take) => take.how !== "combined" && take.side.length === 1).sort((a, b) => a.number - b.number);
  const [chosen, setChosen] = useState(/** @type {string[]} */ ([]));
  if (all.length < 2) return null;
  const working = Boolean(newestJob((each) => each.kind === "combine" && isAtWork(each)));
  const second = all.find((take) => take.id === chosen[1]) ?? all.find((take, at) => at > 0 && take.chosen) ?? all[1];
  const first = all.find((take) => take.id === chosen[0]) ?? all[Math.max(0, all.indexOf(second) - 1)];
  /** @param {any} now @param {(id: string) => void} set @param {string} name */
  const pick = (now, set, name) => html`<${Select} label=${name} value=${now.id} options=${all.map((take) => [take.id, `take ${take.number}, ${clock(take.length_s)}${binned.includes(take) ? ", in the bin" : ""}`])} set=${set} />`;
  return html`<p class="buttons"><span class="soft">Two pieces of one side?</span> ${pick(first, (id) => setChosen([id, second.id]), "The beginning")} <span class="soft">then</span> ${pick(second, (id) => setChosen([first.id, id]), "The rest")}
    <button class="quiet" disabled=${working || first === second} onClick=${() => void putTogether([first.id, second.id])}>Put them together</button></p>`;
}
