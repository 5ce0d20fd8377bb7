/** Copies: what is written, how the record is treated on the way, progress, and what is there. */
import { recordPath } from "../address.js";
import { makeEdit } from "../changes.js";
import { html, useEffect, useState } from "../html.js";
import { Bar, jobAtWork, Missing, newestJob, Select, Tick, UndoRedo, useAnswer } from "../parts.js";
import { keepDraft, recall, recallDraft, remember } from "../remembered.js";
import { get, post, recordApi, remove } from "../server.js";
import { askJob, loadRecord, once, tell, told, useKnown, useRecord } from "../store.js";
import { Checked } from "../shelf/checked.js";
import { Figure, FileForm, Pick } from "../copies/form.js";
import { RecipeFile } from "../copies/recipe_file.js";
import { Decode } from "../shelf/care.js";
import { capital, count, day, decibels, doingOf, gain, roughly, sidesInWords, size } from "../words.js";

const CHOSEN = "kinds";
const USUAL = ["lossless", "portable"];
/** Shown first; the others are a press away. */
const FIRST = ["lossless", "portable", "phone", "side", "cd", "master"];
const SIZES = { gentle: "gently: only what stands out clearly", even: "evenly", thorough: "thoroughly: faint crackle too", off: "not at all" };
const TARGETS = { peak: "until its highest peak is at", loudness: "until it is as loud as", none: "as it was recorded, without a change" };
const TITLES = { sure: "only where they are sure", printed: "all, in the sleeve's order", heard: "by the lengths that are heard" };
const USUAL_WAY = { titles: "sure", comment: "", track_names: "" };
const LEAD_INS = { cut: "where the music begins", needle: "where the needle comes down", groove: "with the last second of groove" };

/** @param {{address: import("../shapes.js").Address}} props */
export function Place({ address }) {
  const record = useRecord(address.record);
  useKnown();
  const [kinds, setKinds] = useState(/** @type {any[] | null} */ (null));
  const [chosen, setChosen] = useState(/** @type {string[]} */ (usualKinds()));
  const [more, setMore] = useState(() => typed(address.record));
  useEffect(() => void told(get("/api/kinds")).then((answer) => answer && setKinds(answer.kinds)), []);
  if (!record) return html`<p class="soft waiting">One moment …</p>`;
  if (record.missing) return html`<${Missing} record=${record} />`;
  const working = jobAtWork(record);
  const last = newestJob((job) => job.record === record.id && (job.kind === "copies" || job.kind === "verify"));
  const missing = record.sides.filter((/** @type {any} */ side) => !side.chosen_take).map((/** @type {any} */ side) => side.side);
  const unsure = record.sides.reduce((/** @type {number} */ sum, /** @type {any} */ side) => sum + (side.unsure?.length ?? 0), 0);
  const first_unsure = record.sides.find((/** @type {any} */ side) => side.unsure?.length);
  const nothing = record.sides.length === 0 || missing.length === record.sides.length;
  /** @param {string} kind @param {boolean} on */
  const choose = (kind, on) => {
    const now = (kinds ?? []).map((each) => each.name).filter((name) => (name === kind ? on : chosen.includes(name)));
    setChosen(now);
    remember(CHOSEN, now.join(","));
  };
  /** @param {boolean} replace */
  const write = async (replace) => {
    const job = await askJob(recordApi(record.id, "copies"), { copies: chosen, replace, ...more });
    if (job) await loadRecord(record.id);
  };
  return html`
    <div class="copies-head"><h1>${nothing ? "Nothing is taken yet." : record.copies?.length ? "Copies" : "Write the copies"}</h1>
      ${missing.length > 0 && !nothing && html`<p class="finding look">${sidesInWords(missing)} ${missing.length > 1 ? "are" : "is"} not taken yet: the copies would hold only the rest.</p>`}
      ${unsure > 0 && html`<p class="finding look">${capital(count(unsure, "thing is", "things are"))} still unsure. <a href=${recordPath(record.id, "side", first_unsure.side)}>Look once</a>, or write them as they are.</p>`}
    </div>
    ${nothing ? html`<p class="by-itself"><a class="button main" href=${recordPath(record.id, "turntable")}>To the turntable</a></p>` : html`
    ${working && html`<${Working} job=${working} />`}
    ${!working && last && html`<${Ended} job=${last} replace=${() => void write(true)} />`}
    <div class="copies">
      <div class="copies-left">
        <section aria-labelledby="kinds"><h2 id="kinds">What for</h2>
          <${Kinds} kinds=${(kinds ?? []).filter((kind) => FIRST.includes(kind.name))} chosen=${chosen} choose=${choose} />
          ${kinds && html`<details class="kinds-more" open=${chosen.some((name) => !FIRST.includes(name))}><summary>${capital(count(kinds.filter((kind) => !FIRST.includes(kind.name)).length, "more kind"))}</summary>
            <${Kinds} kinds=${kinds.filter((kind) => !FIRST.includes(kind.name))} chosen=${chosen} choose=${choose} /></details>`}
          <${More} more=${more} set=${(/** @type {typeof USUAL_WAY} */ next) => { setMore(next); keepTyped(record.id, next); }} />
          <${Room} room=${record.copies_room} chosen=${chosen} there=${record.copies ?? []} />
          <p class="buttons"><button class="main large" disabled=${Boolean(working) || !chosen.length} onClick=${() => void write(false)}>Write ${chosen.length === 1 ? "this kind" : chosen.length ? `these ${count(chosen.length, "kind")}` : "the copies"}</button>
            ${record.copies?.length > 0 && html`<button class="quiet" disabled=${Boolean(working) || !chosen.length} onClick=${() => void write(true)}>Write again, in place of the old files</button>`}</p>
        </section>
        <${Recipe} record=${record} />
      </div>
      <${There} record=${record} working=${working} />
    </div>`}`;
}

/** What the chosen kinds need on the disk, and whether it is there; those that are there need nothing new.
 * @param {{room: any, chosen: string[], there: any[]}} props */
function Room({ room, chosen, there }) {
  const have = new Set(there.flatMap((set) => set.kinds.map((/** @type {any} */ kind) => kind.kind)));
  const needed = chosen.filter((name) => !have.has(name)).reduce((sum, name) => sum + (room?.kinds?.[name] ?? 0), 0);
  if (!needed) return null;
  const is_tight = needed > room.free_bytes;
  return html`<p class=${is_tight ? "finding act" : "soft"}>About ${size(needed)} on the disk; ${size(room.free_bytes)} are free.${is_tight ? " Make room first, or choose fewer kinds." : ""}</p>`;
}

/** @param {{kinds: any[], chosen: string[], choose: (kind: string, on: boolean) => void}} props */
function Kinds({ kinds, chosen, choose }) {
  return html`<ul class="kinds">${kinds.map((kind) => html`<li key=${kind.name}><${Tick} on=${chosen.includes(kind.name)} set=${(/** @type {boolean} */ on) => choose(kind.name, on)}><strong>${kind.name}</strong> <span class="soft">${kind.purpose}</span><//></li>`)}</ul>`;
}

/** What is seldom otherwise than usual. @param {{more: typeof USUAL_WAY, set: (more: typeof USUAL_WAY) => void}} props */
function More({ more, set }) {
  const usual = JSON.stringify(more) === JSON.stringify(USUAL_WAY);
  return html`<details class="more-ways"><summary>Titles, names and tags${usual ? "" : ": not as usual"}</summary>
    <label>Titles are given <${Select} value=${more.titles} options=${Object.entries(TITLES)} set=${(/** @type {string} */ titles) => set({ ...more, titles })} /></label>
    <label>A line about stylus and chain, for the tags <input type="text" maxlength="500" value=${more.comment} onInput=${(/** @type {any} */ event) => set({ ...more, comment: event.target.value })} /></label>
    <label>Files are named <input type="text" maxlength="200" placeholder="{number} {title}" value=${more.track_names} onInput=${(/** @type {any} */ event) => set({ ...more, track_names: event.target.value })} aria-describedby="name-words" /></label>
    <p class="soft" id="name-words">Words in braces are filled in: {number} {title} {artist} {side} {position} {year}.</p>
    <p class="soft">The ISRC of a track stands in the sleeve text, indented on a line of its own below the track: <code>isrc: AA6Q72000047</code>.</p>
  </details>`;
}

/** What was typed for this record before its page was left. @param {string} id @returns {typeof USUAL_WAY} */
function typed(id) {
  try {
    return { ...USUAL_WAY, ...JSON.parse(recallDraft(`${id} copies`) ?? "{}") };
  } catch {
    return USUAL_WAY;
  }
}
/** @param {string} id @param {typeof USUAL_WAY} more */
function keepTyped(id, more) {
  const text = JSON.stringify(more);
  keepDraft(`${id} copies`, text === JSON.stringify(USUAL_WAY) ? null : text);
}

/** @returns {string[]} */
function usualKinds() {
  const kept = recall(CHOSEN);
  return kept === null ? USUAL : kept.split(",").filter(Boolean);
}

/** @param {{job: any}} props */
function Working({ job }) {
  const finishing = job.state === "running" && job.share >= 0.995;
  const left = finishing ? null : (job.left_s ?? null);
  return html`<section class="working" aria-label="At work">
    <p class="working-what">${finishing ? "Finishing" : doingOf(job)}${job.state === "waiting" ? ", as soon as what comes before is done" : ""} …</p>
    <${Bar} share=${job.share} label=${doingOf(job)} />
    <p class="buttons"><span class="soft number">${job.share === null || job.share === undefined ? "" : `${Math.round(job.share * 100)} %`}${left === null ? "" : `, about ${roughly(left)} left`}</span>
      <button class="quiet" onClick=${() => void told(remove(`/api/jobs/${encodeURIComponent(job.id)}`)).then((done) => done && tell("Ended. Nothing half written stays behind."))}>End it</button></p>
  </section>`;
}

/** How the last work ended. @param {{job: any, replace: () => void}} props */
function Ended({ job, replace }) {
  if (job.state === "failed") {
    const text = job.error?.text ?? "It could not be done.";
    const there = ["exists", "copies-exist", "master-exists"].includes(job.error?.code);
    return html`<div class="finding act" role="alert"><p>${capital(text)}${/[.!]$/.test(text) ? "" : "."}</p>${there && html`<p class="buttons"><button onClick=${replace}>Write them in place of the old files</button></p>`}</div>`;
  }
  if (job.state === "cancelled") return html`<p class="finding">Cancelled before it was done. Nothing half written is left behind.</p>`;
  if (job.kind === "verify" && job.result?.ok && job.result.complete !== false) return html`<${Checked} result=${job.result} />`;
  if (job.kind === "copies" && job.state === "done") return html`<p class="finding" role="status">${writtenText(job.result?.files ?? [])}</p>`;
  return null; // what a check found wrong stands below, with the record
}

/** What came of writing copies, in one or two sentences. @param {{action: string}[]} files */
function writtenText(files) {
  /** @param {string} action */
  const number = (action) => files.filter((file) => file.action === action).length;
  const said = [
    number("made") > 0 && `${capital(count(number("made"), "file was", "files were"))} written and read back.`,
    number("tagged") > 0 && `${capital(count(number("tagged"), "file"))} got new tags; ${number("tagged") === 1 ? "its" : "their"} sound was as it should be.`,
    number("kept") > 0 && `${capital(count(number("kept"), "file was", "files were"))} there already, just as ${number("kept") === 1 ? "it" : "they"} would be written.`,
  ].filter(Boolean);
  return said.join(" ") || "There was nothing to write.";
}

/** The recipe in sentences; every choice says what it does to this record. @param {{record: any}} props */
function Recipe({ record }) {
  const found = useAnswer(recordApi(record.id, "recipe"), JSON.stringify([record.revision, record.recipe])); // without it the sentences stand, the figures do not
  const recipe = record.recipe ?? found?.choices ?? {}; // the record's own is the newest: what was asked about it may be of before
  const { mend = {}, level = {}, edges = {} } = recipe;
  const effect = found?.effect;
  /** @param {Record<string, unknown>} fields */
  const set = (fields) => makeEdit(record.id, { kind: "recipe", ...fields }, "The choice");
  const size_now = mend.enabled === false ? "off" : (mend.size ?? "even");
  return html`<section class="recipe" aria-labelledby="recipe"><h2 id="recipe">How this record is treated</h2>
    <ul class="sentences">
      <li>Damage is mended <${Pick} label="How much is mended" value=${size_now} words=${SIZES} set=${(/** @type {string} */ value) => set(value === "off" ? { enabled: false } : { enabled: true, size: value })} />.</li>
      <li>The whole record is turned up or down by one gain, <${Pick} label="How its level is set" value=${level.target ?? "peak"} words=${TARGETS} set=${(/** @type {string} */ value) => set({ target: value })} />
        ${(level.target ?? "peak") === "peak" && html` <${Figure} label="Highest peak in dBTP" value=${level.peak_dbtp ?? -1} min=${-20} max=${0} step=${0.5} unit="dBTP" set=${(/** @type {number} */ value) => set({ peak_dbtp: value })} />`}
        ${level.target === "loudness" && html` <${Figure} label="Loudness in LUFS" value=${level.loudness_lufs ?? -18} min=${-40} max=${-5} step=${0.5} unit="LUFS" set=${(/** @type {number} */ value) => set({ loudness_lufs: value })} />`}. Nothing is compressed.</li>
      <li>The first file begins${" "}<${Pick} label="Where the first file begins" value=${edges.lead_in ?? "cut"} words=${LEAD_INS} set=${(/** @type {string} */ value) => set({ lead_in: value })} />, fades in over <${Figure} label="Fade in, seconds" value=${edges.fade_in_s ?? 0.05} min=${0} max=${10} step=${0.05} unit="s" set=${(/** @type {number} */ value) => set({ fade_in_s: value })} />${" "}and out over <${Figure} label="Fade out, seconds" value=${edges.fade_out_s ?? 1} min=${0} max=${10} step=${0.1} unit="s" set=${(/** @type {number} */ value) => set({ fade_out_s: value })} />.</li>
    </ul>
    ${effect && html`<${Effect} effect=${effect} />`}
    <${FileForm} copies=${recipe.copies} set=${set} />
    <${RecipeFile} record=${record} />
    <${UndoRedo} record=${record} />
  </section>`;
}

/** Before and after: how near the record comes to the top, as distance. @param {{effect: any}} props */
function Effect({ effect }) {
  const rows = [
    { text: "as recorded", peak: effect.recorded?.true_peak_dbtp, lufs: effect.recorded?.loudest_side_lufs },
    { text: "mended", peak: effect.mended?.true_peak_dbtp, lufs: effect.mended?.integrated_lufs },
    { text: "in the copies", peak: effect.copies?.true_peak_dbtp, lufs: effect.copies?.integrated_lufs },
  ].filter((row) => Number.isFinite(row.peak));
  if (!rows.length) return null;
  /** @param {number} value */
  const share = (value) => Math.min(100, Math.max(0, (1 + value / 30) * 100));
  return html`<div class="effect">
    <p class="effect-gain"><strong class="number">${gain(effect.gain_db ?? 0)}</strong> <span class="soft">for the whole record</span></p>
    <table><caption class="unseen">Levels before and after</caption><thead class="unseen"><tr><th scope="col">When</th><th scope="col">Picture</th><th scope="col">Highest peak</th><th scope="col">Loudness</th></tr></thead>
      <tbody>${rows.map((row) => html`<tr key=${row.text}><th scope="row">${row.text}</th>
        <td class="reach"><svg viewBox="0 0 100 10" preserveAspectRatio="none" aria-hidden="true"><line x1="0" y1="5" x2="100" y2="5" class="reach-way" /><line x1=${share(row.lufs ?? row.peak - 12)} y1="5" x2=${share(row.peak)} y2="5" class="reach-part" /></svg></td>
        <td class="number">${decibels(row.peak, "dBTP")}</td><td class="number">${Number.isFinite(row.lufs) ? decibels(row.lufs, "LUFS") : ""}</td></tr>`)}</tbody></table>
    <p class="soft">The thick part reaches from the loudness to the highest peak; the right end of the line is full scale.</p></div>`;
}

/** The files that are there. @param {{record: any, working: any}} props */
function There({ record, working }) {
  const [decode, setDecode] = useState(false);
  const check = record.last_check;
  const sets = record.copies ?? [];
  const path = recordApi(record.id);
  return html`<section class="there" aria-labelledby="there"><h2 id="there">On the disk</h2>
    ${sets.length === 0 && html`<p class="soft">No copies yet. The takes themselves are kept untouched, with their checksums, whatever you do here.</p>`}
    ${sets.map((/** @type {any} */ set, /** @type {number} */ at) => {
      return html`<article key=${at}><h3 class="music">${set.name}</h3>
        <p class="soft">${count(set.files, "file")}, ${size(set.size_bytes)}, written ${day(new Date(set.written_utc * 1000).toISOString())}</p>
        ${!set.is_named_now && html`<p class="finding look">This is what the sleeve text said then. Write the copies again: folder, files and tags get the names of now.</p>`}
        <ul>${set.kinds.map((/** @type {any} */ kind) => html`<li key=${kind.kind}>${kind.kind} <span class="soft">${count(kind.files, "file")}</span></li>`)}</ul>
        <p class="buttons"><button onClick=${() => void once(`${path}/open-folder`, () => told(post(`${path}/open-folder`)))}>Open the folder</button>
          ${set.has_report && html`<a class="button" href=${`${path}/report`} target="_blank" rel="noreferrer">The report<span class="unseen"> (opens a new window)</span></a>`}</p></article>`;
    })}
    ${check?.checked_utc && html`<p class="soft">Last checked ${day(check.checked_utc)}${check.ok === false ? ": not everything was as it should be" : ": all as it was"}.</p>`}
    ${check?.ok === false && !working && html`<${Checked} result=${checkKept(check)} />`}
    <p class="buttons"><button class="quiet" disabled=${Boolean(working)} onClick=${() => void askJob(`${path}/verify`, { decode_flac: decode })}>Check takes and copies against their checksums</button><${Decode} on=${decode} set=${setDecode} /></p>
  </section>`;
}

/** A check as the record remembers it, in the form of a job's result: a restart does not lose what was found. @param {any} check */
function checkKept(check) {
  const faulty = ["changed", "missing", "unreadable", "faults"].some((kind) => check[kind]?.length);
  return { ok: !faulty, places: [{ ...check, checked_files: check.files }] };
}
