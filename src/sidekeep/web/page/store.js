/** What the page knows: one truth for all places, kept fresh by the server's events. */
import { useEffect, useState } from "./html.js";
import { AWAY, get, listen, post, recordApi, Refused } from "./server.js";
import { capital, sentence } from "./words.js";

/** @typedef {import("./shapes.js").Notice} Notice */

/** @type {import("./shapes.js").Known} */
const known = { link: "starting", state: null, records: new Map(), shelf: null, jobs: new Map(), session: null, notices: [], said: "", live: [], meter: null, shelf_gone: "" };
/** @type {Set<() => void>} */
const listeners = new Set();
/** @type {Map<string, Set<(event: any) => void>>} */
const hearers = new Map();
let version = 0;
let notice_id = 0;
const NOTE_MS = 9000;

function changed() {
  version += 1;
  listeners.forEach((listener) => listener());
}

/** All that is known; drawn anew when it changes. @returns {import("./shapes.js").Known} */
export function useKnown() {
  const [, set] = useState(0);
  useEffect(() => {
    const hear = () => set(version);
    listeners.add(hear);
    hear();
    return () => void listeners.delete(hear);
  }, []);
  return known;
}
export const knownNow = () => known;

/** Events of one kind as they come. @param {string} kind @param {(event: any) => void} hear @returns {() => void} */
export function onEvent(kind, hear) {
  const set = hearers.get(kind) ?? new Set();
  hearers.set(kind, set);
  set.add(hear);
  return () => void set.delete(hear);
}

/** @param {string} text @param {{severity?: Notice["severity"], action?: Notice["action"], put_by?: Notice["put_by"]}} [more] */
export function tell(text, more = {}) {
  const same = known.notices.find((notice) => notice.text === text);
  if (same) {
    // Said once, though it holds for two: what can be done is done for both.
    const { action, put_by } = same;
    if (action && more.action) same.action = { ...action, run: () => [action, more.action].forEach((each) => each?.run()) };
    same.put_by = () => [put_by, more.put_by].forEach((each) => each?.());
    return;
  }
  notice_id += 1;
  const id = notice_id;
  known.notices = [...known.notices.slice(-3), { id, text, severity: more.severity ?? "note", action: more.action ?? null, put_by: more.put_by ?? null }];
  // It wants nothing of the person.
  if (!more.action && (more.severity ?? "note") === "note") setTimeout(() => seen(id), NOTE_MS);
  changed();
}
/** @param {number} id */
export function seen(id) {
  known.notices.find((notice) => notice.id === id)?.put_by?.();
  known.notices = known.notices.filter((notice) => notice.id !== id);
  changed();
}
/** What was told holds no more. @param {string} text */
export const unsay = (text) => known.notices.filter((notice) => notice.text === text).forEach((notice) => seen(notice.id));
/** Say something to a screen reader only. @param {string} text */
export function say(text) {
  known.said = known.said === text ? `${text}\u00a0` : text; // the same once more is said once more
  changed();
}

/** Run something that may be refused; the refusal is told. @template T @param {Promise<T>} work @returns {Promise<T | null>} */
export async function told(work) {
  try {
    return await work;
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    if (!isShelfGone(error)) tell(sentence(error.message), { severity: "act" });
    return null;
  }
}

/** Pressed and not answered yet. @type {Map<string, Promise<any>>} */
const underway = new Map();
/** Pressed again before it is answered, it is one question. @template T @param {string} what @param {() => Promise<T>} ask @returns {Promise<T>} */
export function once(what, ask) {
  const same = underway.get(what);
  if (same) return same;
  const work = ask().finally(() => underway.delete(what));
  underway.set(what, work);
  return work;
}
/** @param {string} path @param {any} [body] @returns {Promise<any>} the job, or null when it was refused */
export const askJob = (path, body) => once(path, async () => keepJob(await told(post(path, body))));

/** An answer to an older question never replaces a newer one. */
let shelf_asked = 0;
/** The last news before the known shelf was read; and how new it must be. */
let shelf_seq = -1;
let shelf_wanted = -1;
export async function loadShelf() {
  const mine = (shelf_asked += 1);
  try {
    const { records, seq } = await get("/api/records");
    // Something to see at once: what was overtaken is shown only where nothing is known yet.
    if (mine !== shelf_asked && known.shelf) return;
    known.shelf = records;
    shelf_seq = seq;
    changed();
    if (mine === shelf_asked && seq < shelf_wanted) void loadShelf();
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    if (!isShelfGone(error) && error.code !== "away") tell(error.message, { severity: "act" });
  }
}

const SHELF_AGAIN_MS = 4000;
const SHELF_GONE = "shelf-gone";
/** The disk of the shelf is not there: it is asked for until it is. @param {Refused} refused */
function isShelfGone({ code, message }) {
  if (code !== SHELF_GONE) return false;
  if (!known.shelf_gone) setTimeout(askForShelf, SHELF_AGAIN_MS);
  known.shelf_gone = message;
  changed();
  return true;
}
async function askForShelf() {
  const code = await get("/api/records").then(() => "", (/** @type {any} */ error) => error.code);
  if (code === SHELF_GONE || code === "away") return void setTimeout(askForShelf, SHELF_AGAIN_MS);
  known.shelf_gone = "";
  say("The shelf is there again.");
  void loadState();
  refresh();
}

/** What this page showed ahead of an answer was refused. */
export async function loadState() {
  const state = await get("/api/state").catch(() => null);
  if (state) known.state = state;
  changed();
}
/** Before the server has said so. @param {string[]} pile */
export function showPile(pile) {
  if (known.state) known.state.pile = pile;
  changed();
}
/** News that came before this answer are newer. @template T @param {T} job @returns {T} */
function keepJob(job) {
  const { id } = /** @type {any} */ (job) ?? {};
  if (id && !known.jobs.has(id)) {
    known.jobs.set(id, job);
    changed();
  }
  return job;
}

/** Being read; `again` once what is on its way may be older than what is known. @type {Map<string, {work: Promise<any>, again: boolean}>} */
const loading = new Map();
/** Who asks while it is being read gets an answer that was begun after the asking. @param {string} id @returns {Promise<any>} */
export function loadRecord(id) {
  const running = loading.get(id);
  if (running) {
    running.again = true;
    return running.work;
  }
  const run = { work: Promise.resolve(null), again: false };
  loading.set(id, run);
  run.work = readUntilNewest(id, run);
  return run.work;
}
/** So long after no answer came it is asked once more, where there is nothing to see. */
export const AGAIN_MS = 2000;
/** @param {string} id @param {{again: boolean}} run */
async function readUntilNewest(id, run) {
  try {
    for (;;) {
      run.again = false;
      const record = await get(recordApi(id));
      // Something to see at once: what was overtaken is shown only where nothing is known yet.
      if (run.again && known.records.has(id)) continue;
      showRecord(record);
      if (run.again) continue;
      loading.delete(id);
      return record;
    }
  } catch (error) {
    loading.delete(id);
    if (/** @type {any} */ (error).code === "away") {
      if (!known.records.has(id)) setTimeout(() => void loadRecord(id), AGAIN_MS); // nothing is shown yet
      return null;
    }
    if (isShelfGone(/** @type {any} */ (error)) && known.records.has(id)) return null;
    const { code, message } = /** @type {any} */ (error);
    known.records.set(id, { id, missing: true, code, text: message });
    changed();
    return null;
  }
}
/** The answer to a change: whatever was asked before it is older, and asked again. @param {any} record */
export function keepRecord(record) {
  const running = loading.get(record.id);
  if (running) running.again = true;
  return showRecord(record);
}
/** @param {any} record */
function showRecord(record) {
  known.records.set(record.id, record);
  changed();
  return record;
}

/** It is not on the shelf any more. @param {string} id */
export function forgetRecord(id) {
  known.records.delete(id);
  changed();
}

/** @param {string} id @returns {any} null while it is read */
export function useRecord(id) {
  useKnown();
  useEffect(() => {
    if (id && !known.records.has(id) && !loading.has(id)) void loadRecord(id);
  }, [id]);
  return known.records.get(id) ?? null;
}

/** What an evening answered when it was begun; news are newer. @param {any} session */
export function keepSession(session) {
  if (known.session?.record === session.record && known.session.phase !== "done") return;
  known.session = session;
  changed();
}

/** @param {any} session */
const sessionKey = (session) => `${session.record} ${session.take} ${session.elapsed_frames}`;
/** The ended session this page does not show any more. */
let put_by = "";
/** What came of it has been seen: the turntable is there for another side. */
export function putSessionBy() {
  if (known.session?.phase !== "done") return;
  put_by = sessionKey(known.session);
  known.session = null;
  changed();
}

/** @param {any} event */
function hear(event) {
  if (event.kind === "hello" && event.state) {
    const is_first = known.state === null;
    unsay(AWAY);
    if (known.state && known.state.version !== event.state.version) tell("Another version of sidekeep answers now. Load this page again to go with it; what you typed is kept.", { severity: "look", action: { text: "Load it again", run: () => location.reload() } });
    known.state = event.state;
    // What came of an evening stays on the page until the next one, or until a side is to be taken again.
    const last = event.state.last_session;
    known.session = event.state.session ?? (last && sessionKey(last) !== put_by ? last : null);
    known.live = event.state.live;
    known.jobs = new Map((event.state.jobs ?? []).map((/** @type {any} */ job) => [job.id, job]));
    if (is_first) {
      refreshShelf(event.seq);
      refreshRecords();
    } else refresh();
  } else if (event.kind === "record") {
    const have = known.records.get(event.id);
    if (have && event.revision === undefined) known.records.set(event.id, { id: event.id, missing: true, text: "it is in the bin" });
    else if (have && have.revision !== event.revision) void loadRecord(event.id);
    soonShelf();
  } else if (event.kind === "shelf") {
    if (event.pile && known.state) known.state.pile = event.pile;
    soonShelf();
  } else if (event.kind === "job") {
    const before = known.jobs.get(event.job.id);
    known.jobs.set(event.job.id, event.job);
    if (before?.state !== event.job.state && event.job.record) void (known.records.has(event.job.record) && loadRecord(event.job.record));
  } else if (event.kind === "session") {
    known.session = event.session;
  } else if (event.kind === "session-failed" || event.kind === "meter-ended") {
    tell(capital(event.text), { severity: "act" });
  } else if (event.kind === "pile" && known.state) {
    known.state.pile = event.pile;
  }
  if (event.kind === "meter") known.meter = event;
  if (event.kind === "live") for (const each of event.events ?? [event]) keepLive(each);
  hearers.get(event.kind)?.forEach((listener) => listener(event));
  if (event.kind !== "meter" && event.kind !== "live") changed();
}

/** For a place that is opened late: turns and damage add up, of the rest the newest counts. @param {any} event */
function keepLive(event) {
  const adds = event.code === "live-turns" || event.code === "live-damage" || event.code === "live-boundary";
  if (event.code === "live-begun") known.live = [];
  known.live = [...(adds ? known.live : known.live.filter((each) => each.code !== event.code)), event];
}

/** What the live survey tells of the side of a session: so far, from now on, and all again once a lost line is back.
 * @param {any} session @param {(event: any) => void} hear @returns {() => void} ends it */
export function hearLive(session, hear) {
  /** @param {any} event */
  const mine = (event) => void ((!event.side || event.side === session.side) && hear(event));
  const all = () => known.live.forEach(mine);
  all();
  const ends = [onEvent("live", (event) => (event.events ?? [event]).forEach(mine)), onEvent("hello", all)];
  return () => ends.forEach((end) => end());
}

/** @type {ReturnType<typeof setTimeout> | undefined} */
let shelf_timer;
function soonShelf() {
  if (known.shelf === null) return;
  clearTimeout(shelf_timer);
  shelf_timer = setTimeout(() => void loadShelf(), 150);
}

/** The line stands for the first time. @param {number} seq the number of the last news */
function refreshShelf(seq) {
  shelf_wanted = seq;
  if (known.shelf && shelf_seq < seq) void loadShelf();
}
/** It stands again: what was read may have changed unheard. */
function refresh() {
  shelf_wanted = -1;
  if (shelf_asked > 0) void loadShelf();
  refreshRecords();
}
function refreshRecords() {
  for (const id of new Set([...known.records.keys(), ...loading.keys()])) void loadRecord(id);
}

export function start() {
  listen({
    event: hear,
    link(up) {
      const was = known.link;
      known.link = up ? "up" : was === "starting" ? "starting" : "down";
      if (!up && was === "up") known.said = "The connection to sidekeep is lost. Nothing you typed is lost.";
      if (up && was === "down") known.said = "Connected again.";
      changed();
    },
  });
}
