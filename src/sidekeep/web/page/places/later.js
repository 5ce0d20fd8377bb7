/** A year later: two takes of one side, side by side, and one better take out of several. Both are made by the server. */
import { recordPath } from "../address.js";
import { sleeveColour } from "../colours.js";
import { html, useState } from "../html.js";
import { Bar, isAtWork, Missing, newestJob, Select, useAnswer } from "../parts.js";
import { put, recordApi, takeApi } from "../server.js";
import { askJob, told, useKnown, useRecord } from "../store.js";
import { capital, clock, count, day, tight, whole } from "../words.js";
import { TwoDiscs } from "../later/disc.js";

const MEASURES = /** @type {const} */ ([["inside_db", "Treble of the inner third", " dB", 1], ["groove_db", "Surface noise", " dB", 3], ["marks", "Marks", "", 10]]);

/** What has become of the side over all takes that were compared: a small line for each measure, time to the right.
 * @param {{points: any[]}} props */
function Years({ points }) {
  const times = points.map((point) => Date.parse(point.taken_utc));
  const span = Math.max((times[times.length - 1] ?? 0) - (times[0] ?? 0), 1);
  return html`<h2>Over the years</h2><div class="years">${MEASURES.map(([field, name, unit, least]) => {
    const known = points.map((point, index) => ({ at: /** @type {number} */ (times[index]), value: point[field] })).filter((each) => each.value !== null);
    if (known.length < 2) return null;
    const most = Math.max(least, ...known.map((each) => Math.abs(each.value)));
    const places = known.map((each) => [4 + (332 * (each.at - /** @type {number} */ (times[0]))) / span, 32 - (28 * each.value) / most]);
    const last = known[known.length - 1]?.value ?? 0;
    const now = `${last > 0 ? "+" : last < 0 ? "−" : "±"}${Number(Math.abs(last).toFixed(1))}${unit}`;
    return html`<figure key=${field}><svg viewBox="0 0 340 64" role="img" aria-label=${`${name}: ${now} since the first take`}>
      <line class="first-take" x1="0" x2="340" y1="32" y2="32" /><polyline points=${places.map((place) => place.join(",")).join(" ")} />
      ${places.map(([x, y]) => html`<circle cx=${x} cy=${y} r="3" />`)}</svg><figcaption>${name}: ${now}</figcaption></figure>`;
  })}</div><p class="soft">Against the first take: ${points.map((point) => `${point.take}, ${day(point.taken_utc)}`).join("; ")}.</p>`;
}

/** The day after which a person wants to play the record again. @param {{record: any}} props */
function Again({ record }) {
  const after = record.play_again_after ?? "";
  /** @param {string} day */
  const keep = (day) => void told(put(recordApi(record.id, "again"), { after: day }));
  return html`<h2>Next time</h2>
    <p class="two-takes"><label>Remind me to play it again after <input type="date" value=${after} onChange=${(/** @type {any} */ event) => keep(event.target.value)} /></label>
      ${after && html` <button class="quiet" onClick=${() => keep("")}>No reminder</button>`}</p>`;
}

/** @param {{address: import("../shapes.js").Address}} props */
export function Place({ address }) {
  const record = useRecord(address.record);
  useKnown();
  const [chosen, setChosen] = useState(/** @type {string[]} */ ([]));
  const pairs = (record?.sides ?? []).filter((/** @type {any} */ side) => (record.takes ?? []).filter((/** @type {any} */ take) => take.side.includes(side.side)).length > 1);
  const side = pairs.some((/** @type {any} */ each) => each.side === address.at.side) ? address.at.side : (pairs[0]?.side ?? "");
  const takes = (record?.takes ?? []).filter((/** @type {any} */ take) => side && take.side.includes(side));
  const old = takes.find((/** @type {any} */ take) => take.id === chosen[0]) ?? takes[0];
  const young = takes.find((/** @type {any} */ take) => take.id === chosen[1]) ?? takes[takes.length - 1];
  const job = newestJob((each) => (each.kind === "compare" || each.kind === "combine") && each.record === record?.id);
  const working = isAtWork(job);
  const path = old && young && old !== young ? takeApi(young.id, "compare") : "";
  const between = old ? `?with=${encodeURIComponent(old.id)}` : "";
  const found = useAnswer(path && !working ? path + between : "", job?.state);
  if (!record) return html`<p class="soft waiting">One moment …</p>`;
  if (record.missing) return html`<${Missing} record=${record} />`;
  if (!pairs.length) return html`<h1>A year later</h1><p>When a side has been taken twice, this place tells what has changed in between: new damage, lost treble, more noise.</p><p class="by-itself"><a class="button" href=${recordPath(record.id, "turntable")}>Take a side again</a></p>`;
  const best = record.sides.find((/** @type {any} */ each) => each.side === side)?.chosen_take;
  const others = takes.map((/** @type {any} */ take) => take.id).filter((/** @type {string} */ id) => id !== best);
  /** @param {number} at @param {any} now */
  const pick = (at, now) => html`<label>${at ? "and" : "Between"} <${Select} value=${now.id} disabled=${takes.length < 3} options=${takes.map((/** @type {any} */ take) => [take.id, `take ${take.number}, ${day(take.taken_utc)}, ${clock(take.length_s)}`])} set=${(/** @type {string} */ id) => setChosen(at ? [old.id, id] : [id, young.id])} /></label>`;
  return html`<h1>A year later: side ${side}</h1>
    ${pairs.length > 1 && html`<p class="buttons" role="group" aria-label="Side">${pairs.map((/** @type {any} */ each) => html`<a class="button quiet" href=${`${recordPath(record.id, "later")}#side=${each.side}`} aria-current=${each.side === side ? "true" : null}>Side ${each.side}</a>`)}</p>`}
    <p class="two-takes">${pick(0, old)} ${pick(1, young)}</p>
    ${working ? html`<div class="working"><p class="working-what" role="status">${capital(job.doing || (job.kind === "combine" ? "combining the takes" : "lining them up"))} …</p><${Bar} share=${job.share} label=${job.kind === "combine" ? "Combining" : "Comparing"} /></div>`
      : html`<p class="buttons"><button class="main" disabled=${!path} onClick=${() => void askJob(path, { old: old.id })}>${found ? "Compare again" : "Say what has changed"}</button>
        ${found && html`<a class="button quiet" href=${`${path}/report${between}`} target="_blank" rel="noreferrer">All of it as a page<span class="unseen"> (opens a new window)</span></a>`}</p>`}
    ${job?.state === "failed" && html`<p class="finding act" role="alert">${capital(job.error?.text ?? "it could not be done")}</p>`}
    ${found && html`<ul class="changes">${(found.lines ?? found.findings).map((/** @type {any} */ finding) => html`<li class=${`finding ${finding.severity}`}>${tight(finding.text)}</li>`)}</ul>`}
    ${found?.same && html`<${TwoDiscs} found=${found} old=${old} young=${young} colour=${sleeveColour(record)} />`}
    ${(found?.history ?? []).length > 1 && html`<${Years} points=${found.history} />`}
    <${Again} record=${record} />
    <h2>One better take out of these</h2>
    <p>Where the take in use is damaged and another is not, the other's sound is put in. The takes stay as they are; the result is one more take, which is then in use.</p>
    ${job?.kind === "combine" && job.state === "done" && html`<p class="finding">Take ${job.result?.number} is made of them: ${whole(job.result?.replaced_frames ?? 0)} damaged frames were taken from the others. <a href=${recordPath(record.id, "side", side)}>Look at side ${side}</a></p>`}
    <p class="buttons"><button disabled=${working || !best || !others.length} onClick=${() => void askJob(takeApi(best, "combine"), { others })}>Combine the ${count(takes.length, "take")}</button></p>`;
}
