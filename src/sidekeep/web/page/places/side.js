/** Side: the disc and the unrolled strip, what is unsure first, listening, marks and repairs. */
import { recordPath } from "../address.js";
import { makeEdit } from "../changes.js";
import { html, useEffect, useMemo, useRef, useState } from "../html.js";
import { Bar, isAtWork, Missing, newestJob, Tick, UndoRedo } from "../parts.js";
import { setSingleKeys, singleKeys } from "../remembered.js";
import { recordApi } from "../server.js";
import { askJob, useKnown, useRecord } from "../store.js";
import { useTake } from "../take.js";
import { capital, clock, count, doingOf } from "../words.js";
import { Desk } from "../side/desk.js";
import { Pieces } from "../side/pieces.js";
import { Disc } from "../side/disc_view.js";
import { Damage, Findings } from "../side/damage.js";
import { History } from "../side/history.js";
import { Listen } from "../side/listen.js";
import { Chosen } from "../side/chosen.js";
import { Strip } from "../side/strip_view.js";
import { Takes } from "../side/takes.js";
import { Tracks } from "../side/tracks.js";
import { Unsure, useUnsure } from "../side/unsure.js";
import { KEYS, useKeys } from "../side/keys.js";
import { Spectrum } from "../side/spectrum.js";

/** @param {{address: import("../shapes.js").Address}} props */
export function Place({ address }) {
  const record = useRecord(address.record);
  useKnown();
  if (!record) return html`<p class="soft waiting">One moment …</p>`;
  if (record.missing) return html`<${Missing} record=${record} />`;
  const side = record.sides.find((/** @type {any} */ each) => each.side === address.side);
  if (!side) return html`<h1>This record has no side ${address.side}.</h1><p><a href=${recordPath(record.id)}>To its sleeve</a></p>`;
  if (!side.chosen_take) return html`<h1>Side ${side.side} is not taken yet.</h1><p class="by-itself"><a class="button main" href=${recordPath(record.id, "turntable")}>To the turntable</a></p><${Takes} record=${record} side=${side} />`;
  const last = newestJob((each) => each.record === record.id && each.kind === "survey");
  const job = newestJob((each) => each.record === record.id && each.kind === "survey" && isAtWork(each));
  const failed = job ? null : last;
  const why = failed?.state === "failed" ? (failed.error?.text ?? "") : "";
  return html`<${Whole} key=${`${record.id}${side.side}${side.chosen_take}`} record=${record} side=${side} job=${job} why=${why} at=${address.at} />`;
}

/** @param {{record: any, side: any, job: any, why: string, at: Record<string, string>}} props `why` the last survey came to nothing */
function Whole({ record, side, job, why, at }) {
  const { take, trouble } = useTake(side.chosen_take, `${record.revision}/${job ? "" : "settled"}`);
  if (trouble) return html`<h1>Side ${side.side}</h1><p class="finding act">${trouble}</p><${Takes} record=${record} side=${side} />`;
  if (!take) return html`<div class="side-head"><h1>Side ${side.side}</h1><p class="soft">Opening the side …</p></div>`;
  if (!take.view.surveyed && !take.view.envelope) return html`<div class="side-head"><h1>Side ${side.side}</h1></div><${NotSurveyed} record=${record} job=${job} why=${why} /><${Pieces} record=${record} side=${side} /><${Takes} record=${record} side=${side} />`;
  return html`<${OnTheDesk} key=${take.id} record=${record} side=${side} take=${take} job=${job} why=${why} at=${at} />`;
}

/** @param {any} record */
const askSurvey = (record) => askJob(recordApi(record.id, "survey"));

/** @param {{record: any, job: any, why: string}} props */
function NotSurveyed({ record, job, why }) {
  return html`<div class="not-surveyed"><p>${job ? `${doingOf(job)} …` : "Its tracks and its damage have not been looked for yet."}</p>
    ${why && html`<p class="finding act" role="alert">${capital(why)}.</p>`}
    ${job
      ? html`<${Bar} share=${job.share} label="Looking for tracks and damage" />`
      : html`<p class="buttons"><button class="main" onClick=${() => void askSurvey(record)}>Look for them now</button></p>`}</div>`;
}

/** A survey that came to nothing, of what was surveyed before. @param {{record: any, why: string}} props */
function NotAgain({ record, why }) {
  return html`<div class="finding act" role="alert"><p>${capital(why)}. What you see is from the time before.</p>
    <p class="buttons"><button onClick=${() => void askSurvey(record)}>Look once more</button></p></div>`;
}

/** @param {{record: any, side: any, take: import("../take.js").Take, job: any, why: string, at: Record<string, string>}} props */
function OnTheDesk({ record, side, take, job, why, at }) {
  const cuts = side.cuts ?? take.view.sides?.find((/** @type {any} */ each) => each.side === side.side) ?? null;
  const desk = useMemo(() => new Desk(take, cuts, at), [take]);
  desk.cuts = cuts;
  const [, again] = useState(0);
  const renewed = useRef(JSON.stringify(record.recipe));
  useEffect(() => {
    const hear = () => again((n) => n + 1);
    desk.hearers.add(hear);
    desk.hidden = false;
    return () => {
      desk.hearers.delete(hear);
      desk.hidden = true;
      void desk.sound.close();
    };
  }, [desk]);
  // A repair left or mended, here or on another page: what is heard follows at once.
  const left = useRef(leftKey(take));
  useEffect(() => {
    const hear = () => {
      const now = leftKey(take);
      if (now === left.current) return desk.moved();
      left.current = now;
      void desk.sound.renew();
      desk.changed();
    };
    take.waiting.add(hear);
    return () => void take.waiting.delete(hear);
  }, [take, desk]);
  useEffect(() => {
    renewed.current = JSON.stringify(record.recipe);
    desk.changed();
  }, [record]);
  useEffect(() => {
    desk.readAt(at);
  }, [at.t, at.from, at.to]);

  const unsure = useUnsure(side);
  /** @param {Record<string, unknown>} edit @param {string} [what] */
  const edit = async (edit, what) => {
    const made = await makeEdit(record.id, edit, what);
    if (made && edit.repair !== undefined) take.settle(/** @type {any} */ (edit.repair), edit.kind === "leave");
    return made;
  };
  useKeys(desk, { record, side, unsure, edit });

  const tracks = cuts?.tracks ?? [];
  const span = desk.whole();
  const damaged = take.repairs.filter((repair) => span.start <= repair[1] && repair[1] < span.stop);
  const stays = damaged.filter((repair) => repair[7]).length;
  return html`
    <div class="side-head">
      <h1>Side ${side.side}</h1>
      <p class="soft">${take.view.surveyed === false ? clock(take.length / take.rate_hz) : html`${capital(count(tracks.length, "track"))}, ${clock((span.stop - span.start) / take.rate_hz)} from needle to lift, ${count(damaged.length, "damaged place")}${stays ? `, ${count(stays, "left as it is", "left as they are")}` : ""}`}.${job && take.view.surveyed !== false ? ` ${capital(job.doing || "measuring again")} …` : ""}</p>
      <${UndoRedo} record=${record} keys />
    </div>
    ${take.view.surveyed === false ? html`<${NotSurveyed} record=${record} job=${job} why=${why} />` : why && html`<${NotAgain} record=${record} why=${why} />`}
    <${Pieces} record=${record} side=${side} />
    <div class="desk">
      <${Disc} desk=${desk} record=${record} side=${side} />
      <div class="desk-right">
        ${take.view.surveyed !== false && html`<${Unsure} desk=${desk} unsure=${unsure} record=${record} side=${side} edit=${edit} />`}
        <${Tracks} desk=${desk} record=${record} side=${side} edit=${edit} unsure=${unsure} />
        <${Listen} desk=${desk} />
      </div>
    </div>
    <${Strip} desk=${desk} edit=${edit} side=${side} unsure=${unsure} />
    <${Chosen} desk=${desk} edit=${edit} side=${side} record=${record} />
    <${Spectrum} desk=${desk} />
    <div class="side-more">
      <${Findings} desk=${desk} record=${record} side=${side} />
      <${Damage} desk=${desk} edit=${edit} side=${side} />
      <${Takes} record=${record} side=${side} />
      <${History} record=${record} rate_hz=${take.rate_hz} />
      <${KeyList} />
    </div>
  `;
}

/** @param {import("../take.js").Take} take */
function leftKey(take) {
  return take.repairs.reduce((key, repair) => (repair[7] ? `${key}${repair[0]} ` : key), "");
}

function KeyList() {
  return html`<details class="keys"><summary>Keys</summary>
    <${SingleKeys} />
    <table><caption class="unseen">Keys of this place</caption><tbody>${KEYS.map(([keys, what]) => html`<tr><th scope="row">${keys.map((key, at) => html`${at ? " " : ""}<kbd>${key}</kbd>`)}</th><td>${what}</td></tr>`)}</tbody></table>
  </details>`;
}

function SingleKeys() {
  const [on, setOn] = useState(singleKeys);
  return html`<${Tick} on=${on} set=${(/** @type {boolean} */ now) => { setOn(now); setSingleKeys(now); }}>Single letters and Enter work anywhere in this place. When off, only Tab, Enter and the arrows work, on what has the focus.<//>`;
}

