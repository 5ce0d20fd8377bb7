/** Turntable: the guide for the first time, then one sentence that reads from across the room, and the disc drawing itself. */
import { go, recordPath } from "../address.js";
import { html, useEffect, useState } from "../html.js";
import { Bar, jobAtWork, Missing, Tick } from "../parts.js";
import { recordApi } from "../server.js";
import { askJob, loadRecord, loadShelf, putSessionBy, say, useKnown, useRecord } from "../store.js";
import { count, doingOf, nameOf, tight } from "../words.js";
import { lostOf, newsLines, sentenceOf } from "../turntable/words.js";
import { Interrupted } from "../shelf/care.js";
import { LiveDisc, useNeedle } from "../turntable/disc.js";
import { SetUp } from "../turntable/setup.js";
import { Stylus } from "../turntable/stylus.js";
import { act, inputIsKnown, setSurveysAtOnce, setWritesAfter, sidesToTake, startSession, surveysAtOnce, USUAL_KINDS, writesAfter } from "../turntable/session.js";

/** @param {{address: import("../shapes.js").Address}} props */
export function Place({ address }) {
  const known = useKnown();
  const record = useRecord(address.record);
  const [ready, setReady] = useState(/** @type {boolean | null} */ (null));
  useEffect(() => {
    if (!address.record) document.title = "The turntable – sidekeep";
    void inputIsKnown().then(setReady);
  }, []);
  const session = known.session;
  const busy = session && session.phase !== "done";
  if (!address.record) {
    if (busy) return html`<${Onwards} session=${session} />`;
    return html`<${SetUp} done=${null} known=${ready} bring="/new" />`;
  }
  if (!record || ready === null) return html`<p class="soft waiting">One moment …</p>`;
  if (record.missing) return html`<${Missing} record=${record} />`;
  if (busy && session.record !== record.id) return html`<${Elsewhere} session=${session} />`;
  if (session?.record === record.id) return html`<${Evening} session=${session} record=${record} />`;
  if (!ready || address.at["set-up"]) return html`<${SetUp} known=${ready} bring=${recordPath(record.id, "sleeve")} done=${() => { setReady(true); go(recordPath(record.id, "turntable"), { replace: true }); void startSession(record); }} />`;
  return html`<${Ready} record=${record} />`;
}

/** The turntable without a record is that of the record which lies on it. @param {{session: any}} props */
function Onwards({ session }) {
  useEffect(() => go(recordPath(session.record, "turntable"), { replace: true }), [session.record]);
  return html`<p class="soft waiting">One moment …</p>`;
}

/** @param {{session: any}} props */
function Elsewhere({ session }) {
  const record = useRecord(session.record);
  return html`<div class="stage"><h1 class="far">Another record is on the turntable.</h1>
    <p class="buttons"><a class="button main" href=${recordPath(session.record, "turntable")}>To ${record ? html`<cite>${nameOf(record)}</cite>` : "it"}</a></p></div>`;
}

/** Letters from which on a name is set smaller, so that what is to be done stays in sight. */
const LONG_NAME = 44;

/** The letter after the last one. @param {string[]} sides */
function nextLetter(sides) {
  const last = sides.filter((side) => /^[A-Y]$/.test(side)).sort().at(-1);
  return last ? String.fromCharCode(last.charCodeAt(0) + 1) : "";
}

/** Nothing is armed yet. @param {{record: any}} props */
function Ready({ record }) {
  const [more, setMore] = useState(/** @type {string[]} */ ([]));
  const sides = [...new Set([...record.sides.map((/** @type {any} */ side) => side.side), ...more])];
  const printed = new Set((record.sleeve?.sides ?? []).map((/** @type {any} */ side) => side.name));
  const following = nextLetter(sides);
  const [chosen, setChosen] = useState(/** @type {string[]} */ (sidesToTake(record)));
  const [after, setAfter] = useState(writesAfter());
  const [by_needle, setByNeedle] = useState(true);
  const [at_once, setAtOnce] = useState(surveysAtOnce());
  const all_taken = sides.length > 0 && record.sides.every((/** @type {any} */ side) => side.chosen_take);
  const again = record.sides.some((/** @type {any} */ side) => chosen.includes(side.side) && side.chosen_take);
  return html`<div class="stage ready">
    <h1 class=${nameOf(record).length > LONG_NAME ? "far long" : "far"}>${all_taken ? html`Every side of <cite>${nameOf(record)}</cite> is taken.` : html`Put <cite>${nameOf(record)}</cite> on the turntable.`}</h1>
    ${all_taken && html`<p class="buttons"><a class="button main large" href=${recordPath(record.id, "copies")}>To its copies</a></p><h2>Take a side again</h2>`}
    <${Interrupted} shelf=${record} of=${record.id} />
    <p>Clean the record and the stylus. Turn the volume down before the needle touches the groove.</p>
    ${sides.length > 0 && html`<fieldset class="choose-sides"><legend>Sides to take</legend>
      ${sides.map((/** @type {string} */ side) => html`<${Tick} key=${side} on=${chosen.includes(side)} set=${(/** @type {boolean} */ on) => setChosen(sides.filter((/** @type {string} */ each) => (each === side ? on : chosen.includes(each))))}>Side ${side}${printed.has(side) ? "" : html` <span class="soft">not on the sleeve</span>`}<//>`)}
      ${following && html`<button class="quiet" onClick=${() => { setMore([...more, following]); setChosen([...chosen, following]); }}>and side ${following}, which the sleeve does not list</button>`}
    </fieldset>`}
    ${again && html`<p class="soft">A side that is taken already gets a second take; the first stays, and you choose which one is used.</p>`}
    <p class="buttons"><button class=${all_taken ? "large" : "main large"} disabled=${sides.length > 0 && !chosen.length} onClick=${() => void startSession(record, chosen.length ? chosen : ["A", "B"], { by_needle, any_side: chosen.some((side) => !printed.has(side)) })}>I am ready</button>
      <a class="button" href=${`${recordPath(record.id, "turntable")}#set-up=1`} onClick=${(/** @type {Event} */ event) => { event.preventDefault(); go(`${recordPath(record.id, "turntable")}#set-up=1`); }}>Look at input and level first</a></p>
    <div class="stage-options">
      <${Tick} on=${after} set=${(/** @type {boolean} */ on) => { setAfter(on); setWritesAfter(on); }}>When all sides are taken and nothing is unsure, write the copies (lossless and portable).<//>
      <${Stylus} />
      <${Tick} on=${!by_needle} set=${(/** @type {boolean} */ on) => setByNeedle(!on)}>Begin and end each side by my press, not by the needle.<//>
      <${Tick} on=${!at_once} set=${(/** @type {boolean} */ on) => { setAtOnce(!on); setSurveysAtOnce(!on); }}>Look for tracks and damage afterwards, not while the side plays: for a slow machine.<//>
    </div>
    <p class="care">Fasten the turntable's thin earth wire to the phono stage; never defeat the mains safety earth. Copying your own records for yourself is allowed in some countries and not in others.</p>
  </div>`;
}

/** @param {{session: any, record: any}} props */
function Evening({ session, record }) {
  const needle = useNeedle(session);
  const { link } = useKnown();
  const sentence = link === "down" && session.phase !== "done" ? lostOf(session) : sentenceOf(session, needle.is_stuck);
  useEffect(() => say(sentence.main), [sentence.main]);
  const done = session.phase === "done";
  useEffect(() => {
    if (session.phase === "flip" || done) void loadRecord(record.id);
    if (done) void loadShelf();
  }, [session.phase]);
  return html`<div class=${`stage evening ${session.phase}`}>
    <div class="stage-words">
      <h1 class="far">${sentence.main}</h1>
      ${sentence.more && html`<p class="stage-more">${sentence.more}</p>`}
      ${WAITS.has(session.phase) && html`<${Listening} session=${session} />`}
      ${done ? html`<${Done} record=${record} session=${session} />` : html`<${Acts} session=${session} record=${record} />`}
      <${News} session=${session} />
    </div>
    ${!done && html`<${LiveDisc} session=${session} record=${record} needle=${needle.text} />`}
  </div>`;
}

const WAITS = new Set(["armed", "flip"]);
/** So long nobody waits who has lowered the needle. */
const LONG_WAIT_MS = 60_000;

/** Which input the needle is waited for on: with another one it would be for ever. @param {{session: any}} props */
function Listening({ session }) {
  const name = useKnown().state?.settings?.input_name;
  const [long, setLong] = useState(false);
  useEffect(() => {
    setLong(false);
    const timer = setTimeout(() => setLong(true), LONG_WAIT_MS);
    return () => clearTimeout(timer);
  }, [session.phase, session.side]);
  if (!name && !long) return null;
  return html`<p class="soft">${name && `Listening to ${name}. `}${long && session.by_needle !== false && "The needle is down and nothing happens? Begin now by hand, or stop for tonight and look at input and level."}</p>`;
}

/** Whether the last thing that came of the needle is a take in the bin. @param {any} session */
const wasPutAside = (session) => (session.news ?? []).findLast((/** @type {any} */ news) => ["false-start", "kept", "taken", "begun"].includes(news.code))?.code === "false-start";

/** @param {{session: any, record: any}} props */
function Acts({ session, record }) {
  const open = session.phase === "recording" || session.phase === "run-out";
  const waits = WAITS.has(session.phase);
  const taken = session.taken ?? [];
  const before = taken.at(-1) ?? "";
  // Of an open take, or of the last one, it can be said that it was another side; of one that is not begun, that another comes first.
  const judged = open ? session.side : waits ? before : "";
  const others = judged ? record.sides.map((/** @type {any} */ side) => side.side).filter((/** @type {string} */ side) => side !== judged) : [];
  const first = waits ? session.sides.filter((/** @type {string} */ side) => side !== session.side && !taken.includes(side)) : [];
  const asks = (/** @type {string} */ what, more = {}) => () => void act(session, what, { take: session.take ?? "", ...more });
  return html`<div class="buttons stage-acts">
    ${waits && html`<button class=${session.by_needle === false ? "large main" : "large"} onClick=${() => void act(session, "begin")}>Begin now</button>`}
    ${open && html`<button class="large main" onClick=${asks("end")}>End this side</button>`}
    ${open && html`<button onClick=${asks("again")}>Take it again</button>`}
    ${open && html`<button class="quiet" onClick=${asks("discard")}>Throw it away</button>`}
    ${session.phase === "flip" && html`<button class="quiet" onClick=${asks("again")}>Take ${before ? `side ${before}` : "the last side"} again</button>`}
    ${others.length > 0 && html`<${Sides} many="It ${open ? "is" : "was"} another side" all=${others.map((/** @type {string} */ side) => ({ side, text: `It ${open ? "is" : "was"} side ${side}` }))} press=${(/** @type {string} */ side) => asks("side-is", { side })} />`}
    ${first.length > 0 && html`<${Sides} many="Another side first" all=${first.map((/** @type {string} */ side) => ({ side, text: `Side ${side} first` }))} press=${(/** @type {string} */ side) => asks("first", { side })} />`}
    ${waits && wasPutAside(session) && html`<button class="quiet" onClick=${asks("keep")}>What was put aside was the side: keep it</button>`}
    <button class="quiet" onClick=${() => void act(session, "stop")}>Stop for tonight</button>
  </div>`;
}

/** So many sides are offered by themselves; more are behind a word. */
const SIDES_IN_SIGHT = 2;

/** @param {{many: string, all: {side: string, text: string}[], press: (side: string) => () => void}} props */
function Sides({ many, all, press }) {
  const buttons = all.map(({ side, text }) => html`<button key=${side} class="quiet" onClick=${press(side)}>${text}</button>`);
  return all.length > SIDES_IN_SIGHT ? html`<details><summary>${many}</summary><span class="buttons">${buttons}</span></details>` : html`${buttons}`;
}

/** @param {{session: any}} props */
function News({ session }) {
  const news = newsLines(session.news ?? []).slice(-5).reverse();
  if (!news.length) return null;
  return html`<ul class="stage-news" aria-label="What has happened">${news.map((/** @type {any} */ each, /** @type {number} */ at) => html`<li key=${at} class=${each.severity}>${tight(each.text)}</li>`)}</ul>`;
}

/** All sides are taken: the copies, or what is unsure, or the next record of the pile. @param {{record: any, session: any}} props */
function Done({ record, session }) {
  const known = useKnown();
  const [asked, setAsked] = useState(false);
  const job = jobAtWork(record);
  const taken = record.sides.filter((/** @type {any} */ side) => side.chosen_take);
  const settled = taken.length > 0 && taken.every((/** @type {any} */ side) => side.cuts);
  const unsure = record.sides.reduce((/** @type {number} */ sum, /** @type {any} */ side) => sum + (side.unsure?.length ?? 0), 0);
  const first_unsure = record.sides.find((/** @type {any} */ side) => side.unsure?.length);
  const copied = (record.copies ?? []).length > 0;
  const pile = (known.state?.pile ?? []).filter((/** @type {string} */ id) => id !== record.id);
  const following = known.shelf?.find((/** @type {any} */ each) => each.id === pile[0]);
  const left = (session.sides ?? []).filter((/** @type {string} */ side) => record.sides.some((/** @type {any} */ each) => each.side === side && !each.chosen_take));
  useEffect(() => {
    if (pile.length && !known.shelf) void loadShelf();
  }, [pile.length]);
  const write = () => void askJob(recordApi(record.id, "copies"), { copies: USUAL_KINDS });
  // The server writes the copies by itself when it was asked to; this page asks only where the server cannot.
  useEffect(() => {
    if (session.then !== undefined || !writesAfter() || asked || job || copied || !settled || unsure || taken.length < record.sides.length) return;
    setAsked(true);
    write();
  }, [settled, unsure, job, copied]);
  const finish = async () => {
    if (following) await startSession(following);
  };
  return html`<${Interrupted} shelf=${record} of=${record.id} />
    ${job && html`<div class="stage-job"><p>${doingOf(job)} …</p><${Bar} share=${job.share} label=${doingOf(job)} /></div>`}
    ${!job && copied && html`<p class="stage-more">The copies are written and read back.</p>`}
    <p class="buttons stage-acts">
      ${taken.length > 0 && left.length > 0 && html`<button class="main large" onClick=${() => void startSession(record, left, { by_needle: session.by_needle, any_side: true })}>Go on with side ${left[0]}</button>`}
      ${unsure > 0 && html`<a class=${left.length ? "button large" : "button main large"} href=${recordPath(record.id, "side", first_unsure.side)}>Look once: ${count(unsure, "thing is", "things are")} unsure</a>`}
      ${!unsure && settled && !copied && !job && html`<button class=${left.length ? "large" : "main large"} onClick=${write}>Write the copies</button>`}
      ${following && html`<button class=${unsure || !copied ? "large" : "main large"} onClick=${finish}>Next on the pile: <cite>${nameOf(following)}</cite></button>`}
      <a class="button" href=${recordPath(record.id, "copies")}>To its copies</a>
      <button class="quiet" onClick=${putSessionBy}>Take a side again</button>
    </p>
    <p class="care">Put the guard over the stylus before you work near it.</p>`;
}

