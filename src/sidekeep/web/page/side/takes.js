/** The takes of a side: which one counts, and a bin that keeps what was thrown away. */
import { recordPath } from "../address.js";
import { makeEdit, newestRevision } from "../changes.js";
import { html } from "../html.js";
import { Empty } from "../parts.js";
import { post, recordApi, remove, takeApi } from "../server.js";
import { loadRecord, once, tell, told } from "../store.js";
import { AreTheyPieces } from "./pieces.js";
import { clock, count, day, form } from "../words.js";

/** @param {{record: any, side: any}} props */
export function Takes({ record, side }) {
  const own = record.takes.filter((/** @type {any} */ take) => take.side.includes(side.side));
  const binned = (record.binned ?? []).filter((/** @type {any} */ take) => take.side.includes(side.side));
  if (!own.length && !binned.length) return null;
  /** @param {any} take @param {string} what @param {string} said */
  const act = (take, what, said) => once(take.id + what, async () => {
    if (await told(post(takeApi(take.id, what), { revision: await newestRevision(record.id) }))) tell(said);
    await loadRecord(record.id);
  });
  const others = own.length ? record.sides.map((/** @type {any} */ each) => each.side).filter((/** @type {string} */ letter) => letter !== side.side && letter.length === 1) : [];
  const empty = async () => {
    if (await told(remove(recordApi(record.id, "bin"), { revision: await newestRevision(record.id) }))) tell("The bin of this record is empty.");
    await loadRecord(record.id);
  };
  return html`<details open=${own.length !== 1}><summary>${own.length > 1 ? `The ${count(own.length, "take")} of this side` : own.length ? "The take" : `In the bin: ${count(binned.length, "take")} of this side`}</summary>
    <ul class="takes">${own.map((/** @type {any} */ take) => html`<li key=${take.id}>
      <span><strong>Take ${take.number}</strong> <span class="soft">${clock(take.length_s)}, ${form(take.rate_hz, take.bits)}, ${take.how === "recorded" ? "recorded" : take.how === "combined" ? `made of ${take.original_name}` : "brought in"} ${day(take.taken_utc)}${take.stylus ? `, ${take.stylus}` : ""}</span>
        ${take.problems?.length ? html`<br /><span>${take.problems.join("; ")}</span>` : null}</span>
      <span class="buttons">${take.chosen ? html`<span class="counts">in use</span>` : html`<button onClick=${() => void makeEdit(record.id, { kind: "choose-take", side: side.side, number: take.number }, "The choice of the take")}>Use this one</button>`}
        <button class="quiet" onClick=${() => void act(take, "discard", `Take ${take.number} of side ${side.side} is in the bin; it can be brought back.`)} aria-label=${`Put take ${take.number} in the bin`}>To the bin</button></span>
    </li>`)}
    ${binned.map((/** @type {any} */ take) => html`<li key=${take.id} class="soft"><span>Take ${take.number}, in the bin</span><button class="quiet" onClick=${() => void act(take, "restore", `Take ${take.number} is back.`)}>Bring it back</button></li>`)}
    </ul>
    ${others.length > 0 && html`<p class="buttons"><span class="soft">Recorded as the wrong side?</span> ${others.map((/** @type {string} */ other) => html`<button class="quiet" onClick=${() => void makeEdit(record.id, { kind: "swap-sides", a: side.side, b: other }, "The swap")}>Swap sides ${side.side} and ${other}</button>`)}</p>`}
    <${AreTheyPieces} takes=${own} binned=${binned} />
    ${own.length > 1 && html`<p><a href=${`${recordPath(record.id, "later")}#side=${side.side}`}>What has changed between them, and one better take out of them</a></p>`}
    ${(record.binned ?? []).length > 0 && html`<${Empty} what=${count(record.binned.length, "take")} empty=${empty} />`}</details>`;
}
