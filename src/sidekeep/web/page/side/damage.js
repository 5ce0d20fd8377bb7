/** Damage and findings as words and tables: the twin of the amber points. */
import { html } from "../html.js";
import { clock, count, decibels, tight, whole } from "../words.js";
import { takeMark } from "./chosen.js";

const KINDS = [
  { kind: "tick", text: "Ticks", what: "short and sharp: dust or static" },
  { kind: "pop", text: "Pops", what: "longer and louder: deeper damage" },
  { kind: "crackle", text: "Crackle", what: "faint and dense: a worn or dusty groove" },
  { kind: "thump", text: "Thumps", what: "with a low tail: the needle thrown by a deep scratch" },
];
const MOST_PLACES = 24;
const SEVERITY = { act: "Act", look: "Look", note: "Note" };

/** @param {import("../shapes.js").OnSide} props */
export function Damage({ desk, edit, side }) {
  const repairs = desk.take.repairs;
  const rate = desk.take.rate_hz;
  const largest = [...repairs].sort((a, b) => b[5] - a[5]).slice(0, 12);
  const take = takeMark(desk);
  return html`<details><summary>The damage, by kind</summary>
    <div class="scroll" tabindex="0" role="region" aria-label="Damage by kind"><table>
      <caption class="unseen">Damage of side ${side.side} by kind</caption>
      <thead><tr><th scope="col">Kind</th><th scope="col">Found</th><th scope="col">Left as it is</th><th scope="col"><span class="unseen">What to do</span></th></tr></thead>
      <tbody>${KINDS.map(({ kind, text, what }) => {
        const all = repairs.filter((repair) => repair[4] === kind);
        const left = all.filter((repair) => repair[7]).length;
        return html`<tr key=${kind}><th scope="row">${text} <span class="soft">${what}</span></th><td class="number">${whole(all.length)}</td><td class="number">${whole(left)}</td>
          <td class="buttons"><button class="quiet" disabled=${!all.length || left === all.length} onClick=${() => void edit({ kind: "leave", take, of_kind: kind }, `That all ${kind} are left`)}>Leave all<span class="unseen"> ${text}</span></button>
            <button class="quiet" disabled=${!left} onClick=${() => void edit({ kind: "mend", take, of_kind: kind }, `The mending of all ${kind}`)}>Mend all<span class="unseen"> ${text}</span></button></td></tr>`;
      })}</tbody></table></div>
    ${largest.length > 0 && html`<h2 class="small-head">The largest</h2>
    <ul class="largest">${largest.map((repair) => html`<li key=${repair[0]}><button class="quiet" onClick=${() => { desk.choose({ kind: "repair", id: repair[0] }); desk.reveal(repair[1], rate * 1.5); desk.lower(repair[1] - rate * 0.5); }}>${clock(repair[1] / rate, 1)}</button> <span class="soft">${repair[4]}, ${decibels(repair[5], "dB", 0)}${repair[7] ? (repair[8] ? ", left in doubt" : ", left as it is") : ""}</span></li>`)}</ul>`}
  </details>`;
}

/** Where a finding is, as places to go to; none for one about the whole take. @param {any} finding @param {import("./desk.js").Desk} desk @returns {number[]} */
function placesOf(finding, desk) {
  const spans = finding.places ?? [finding];
  const local = spans.filter((/** @type {any} */ span) => span.stop_frame > 0 && span.stop_frame - span.start_frame < desk.take.length * 0.9);
  return [...new Set(local.map((/** @type {any} */ span) => /** @type {number} */ (span.start_frame)))].slice(0, MOST_PLACES);
}

/** @param {import("../shapes.js").OnSide} props */
export function Findings({ desk, side }) {
  const found = (desk.take.view.findings ?? []).filter((/** @type {any} */ finding) => !finding.side || finding.side === side.side);
  if (!found.length) return null;
  return html`<details><summary>What else was noticed: ${count(found.length, "thing")}</summary>
    ${found.map((/** @type {any} */ finding, /** @type {number} */ at) => html`<div key=${at} class=${`finding ${finding.severity}`}>
      <p><strong>${SEVERITY[/** @type {keyof typeof SEVERITY} */ (finding.severity)] ?? ""}</strong> ${placesOf(finding, desk).map((at) => html`<button class="quiet" key=${at} onClick=${() => { const here = desk.take.repairs.find((repair) => repair[1] === at); desk.choose(here ? { kind: "repair", id: here[0] } : { kind: "finding", at }); desk.lower(at); desk.reveal(at); }}>at ${clock(at / desk.take.rate_hz, 1)}</button>`)}</p>
      <p>${tight(finding.text)}</p></div>`)}
  </details>`;
}
