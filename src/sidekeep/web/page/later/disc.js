/** Two takes of a side laid over each other: the marks of both on one disc, and both to listen to. */
import { html, useRef } from "../html.js";
import { useAnswer } from "../parts.js";
import { LP_RPM } from "../pictures/light.js";
import { takeApi } from "../server.js";
import { capital, clock, count, decibels, whole } from "../words.js";
import { ListenToBoth, useEar } from "./listen.js";

/** Radii of a 12 inch disc in millimetres (IEC 60098). */
const EDGE_MM = 146;
const INSIDE_MM = 60;
const MOST_POINTS = 2500;
const MOST_LISTED = 12;
const NOMINAL_TURN_S = 60 / LP_RPM;

/**
 * @param {{found: any, old: any, young: any, colour: string}} props what the comparison found, the two takes, the colour of the label
 */
export function TwoDiscs({ found, old, young, colour }) {
  const damage = useAnswer(takeApi(old.id, "damage"))?.repairs ?? [];
  const period_s = found.turn?.period_s || NOMINAL_TURN_S;
  const { offset_s, speed_ratio } = found.alignment;
  /** A moment of the new take, as it is on the old one. @param {number} at_s */
  const onOld = (at_s) => (at_s - offset_s) / (speed_ratio || 1);
  /** A moment of the old take, as it is on the new one. @param {number} at_s */
  const onNew = (at_s) => offset_s + (speed_ratio || 1) * at_s;
  const added = found.marks.new ?? [];
  const gone = found.marks.gone ?? [];
  const gone_at = gone.map((/** @type {any} */ mark) => mark.start_s);
  const kept = [...damage].sort((a, b) => b[5] - a[5]).slice(0, MOST_POINTS).map((/** @type {any} */ row) => row[1] / old.rate_hz)
    .filter((at_s) => !gone_at.some((/** @type {number} */ other) => Math.abs(other - at_s) < 0.002));
  /** @param {number} at_s */
  const radiusAt = (at_s) => EDGE_MM - Math.min(1, Math.max(0, at_s / old.length_s)) * (EDGE_MM - INSIDE_MM);
  /** @param {number} at_s @returns {[number, number]} */
  const place = (at_s) => {
    const radius = radiusAt(at_s);
    const angle = 2 * Math.PI * ((at_s / period_s) % 1);
    return [Number((radius * Math.sin(angle)).toFixed(1)), Number((-radius * Math.cos(angle)).toFixed(1))];
  };
  const dots = kept.map((at_s) => { const [x, y] = place(at_s); return `M${x} ${y}h0`; }).join("");
  const rings = gone.map((/** @type {any} */ mark) => { const [x, y] = place(mark.start_s); return `M${x - 2.4} ${y}a2.4 2.4 0 1 0 4.8 0a2.4 2.4 0 1 0-4.8 0`; }).join("");
  const diamonds = added.map((/** @type {any} */ mark) => { const [x, y] = place(onOld(mark.start_s)); return `M${x} ${Number((y - 3.4).toFixed(1))}l3.4 3.4-3.4 3.4-3.4-3.4z`; }).join("");
  const listed = [...added.map((/** @type {any} */ mark) => ({ ...mark, at_s: onOld(mark.start_s), is_new: true })), ...gone.map((/** @type {any} */ mark) => ({ ...mark, at_s: mark.start_s, is_new: false }))];
  const loudest = listed.sort((a, b) => b.size_db - a.size_db).slice(0, MOST_LISTED).sort((a, b) => a.at_s - b.at_s);
  const ear = useEar(old.id, young.id, found.heard ?? null);
  const groove = useRef(/** @type {SVGCircleElement | null} */ (null));
  /** @param {number} at_s */
  const moved = (at_s) => groove.current?.setAttribute("r", radiusAt(at_s).toFixed(1));
  /** @param {MouseEvent} event a press on the disc lowers the needle into that groove */
  const press = (event) => {
    const box = /** @type {SVGElement} */ (event.currentTarget).getBoundingClientRect();
    const radius = (Math.hypot(event.clientX - box.left - box.width / 2, event.clientY - box.top - box.height / 2) * 304) / box.width;
    if (ear && radius >= INSIDE_MM && radius <= EDGE_MM + 4) ear.put(((EDGE_MM - radius) / (EDGE_MM - INSIDE_MM)) * old.length_s);
  };
  return html`<h2>On the disc</h2><div class="two-discs">
    <figure><svg viewBox="-152 -152 304 304" role="img" onClick=${press} class=${ear ? "can-press" : null} aria-label=${`Both takes from above: ${count(added.length, "new mark")}, ${count(gone.length, "mark")} gone.`}>
      <circle class="disc" r="150" /><path class="on-both" d=${dots} /><path class="gone" d=${rings} /><path class="new" d=${diamonds} />${ear && html`<circle class="groove" ref=${groove} r=${EDGE_MM} />`}<circle r="50" fill=${colour} /><circle class="disc-hole" r="3.6" /></svg></figure>
    <div><ul class="disc-key">
      ${[["new", "M0-3.4l3.4 3.4-3.4 3.4-3.4-3.4z", capital(count(added.length, "new mark"))], ["gone", "M-2.4 0a2.4 2.4 0 1 0 4.8 0a2.4 2.4 0 1 0-4.8 0", `${capital(count(gone.length, "mark"))} gone`], ["on-both", "M0 0h0", `On both: ${whole(found.marks.persisting ?? kept.length)}`]].map(([kind, shape, words]) => html`<li key=${kind}><svg viewBox="-5 -5 10 10" aria-hidden="true"><rect class="disc" x="-5" y="-5" width="10" height="10" /><path class=${kind} d=${shape} /></svg>${words}</li>`)}</ul>
      <p class="soft">From above: the edge is where the side begins, the angle is the place in the turn. A scratch is a line.</p>
      ${ear ? html`<${ListenToBoth} ear=${ear} gain_db=${found.heard.gain_db} onNew=${onNew} moved=${moved} />` : html`<p class="soft">Compare them again to listen to both here.</p>`}
      ${loudest.length > 0 && html`<${Marks} marks=${loudest} ear=${ear} all=${listed.length} />`}
    </div></div>`;
}

/** The loudest marks, new and gone, to hear around and around. @param {{marks: any[], ear: import("../shapes.js").Ear | null, all: number}} props */
function Marks({ marks, ear, all }) {
  return html`<h3>The marks${all > marks.length ? `, the ${count(marks.length, "loudest", "loudest")}` : ""}</h3>
    <table class="new-marks"><thead><tr><th scope="col">At</th><th scope="col">Mark</th><th scope="col">Over the music</th>${ear && html`<th scope="col">Listen</th>`}</tr></thead>
      <tbody>${marks.map((mark) => html`<tr key=${`${mark.is_new}${mark.start_s}`}><th scope="row" class="number">${clock(mark.start_s, 1)}</th><td>${mark.is_new ? "new" : "gone"}</td><td class="number">${decibels(mark.size_db, "dB", 0)}</td>
        ${ear && html`<td class="buttons"><button class="quiet" aria-pressed=${ear.rounding === mark.at_s ? "true" : "false"} onClick=${() => ear.around(mark.at_s)}>around it<span class="unseen"> at ${clock(mark.start_s, 1)}</span></button></td>`}</tr>`)}</tbody></table>`;
}
