/**
 * Changes of records, one after another, each on the newest revision that this page has seen. What somebody else overtook can be made
 * anyway. What is unanswered when the page goes is sent at once and remembered: the next page asks whether it was made.
 */
import { isLeaving } from "./leaving.js";
import { get, post, put, recordApi, Refused } from "./server.js";
import { keepRecord, knownNow, loadRecord, onEvent, say, tell, unsay } from "./store.js";
import { sentence } from "./words.js";

/** @typedef {import("./shapes.js").Asked} Asked */
/** @typedef {import("./shapes.js").Waiting} Waiting */

const REMEMBERED = "sidekeep unanswered ";
const MINE = `${REMEMBERED}${Math.random().toString(36).slice(2)}`;

/** A page that goes breaks its requests off a moment before it says that it goes. */
const GOING_MS = 400;

/** Without an answer, until tried again or seen. @type {Set<Asked>} */
const unheard = new Set();
/** Not answered yet, of each record, in order. @type {Map<string, Waiting[]>} */
const lines = new Map();
/** The last step of each record's line. @type {Map<string, Promise<any>>} */
const steps = new Map();

/** @param {string} id @param {Record<string, unknown>} edit @param {string} [what] the edit in words @returns {Promise<any>} the record as it is now, or null */
export async function makeEdit(id, edit, what = "Your change") {
  const now = await change(id, "edits", { edit }, what);
  if (now) say(`Kept: ${what.charAt(0).toLowerCase()}${what.slice(1)}.`);
  return now;
}
/** @param {string} id @param {"undo" | "redo"} way */
export async function stepBack(id, way) {
  const now = await change(id, way, {}, way === "undo" ? "Undo" : "Redo");
  if (!now) return;
  if (way === "undo") say(now.can_undo ? "Undone." : "Undone. Nothing is left to undo.");
  else say(now.can_redo ? "Done again." : "Done again. Nothing is left to redo.");
}
/** @param {string} id @param {string} path @param {Record<string, any>} body @param {string} what @param {{puts?: boolean}} [how] @returns {Promise<any>} the record as it is now, or null */
export function change(id, path, body, what, { puts = false } = {}) {
  return lineUp({ id, path, puts, body, what });
}

/** The revision once every change of the record that this page has asked for is answered. @param {string} id @returns {Promise<any>} */
export async function newestRevision(id) {
  await steps.get(id);
  return knownNow().records.get(id)?.revision;
}

/** @param {Asked} asked @returns {Promise<any>} */
function lineUp(asked) {
  const { id } = asked;
  const waiting = /** @type {Waiting} */ ({ asked, answer: null, left: false });
  const line = lines.get(id) ?? [];
  lines.set(id, line);
  line.push(waiting);
  const work = (steps.get(id) ?? Promise.resolve()).then(() => take(waiting)).finally(() => {
    if (waiting.left) return;
    line.splice(line.indexOf(waiting), 1);
    if (!isLeaving()) remember();
  });
  steps.set(id, work.catch(() => null));
  if (isLeaving()) sendAll();
  return work;
}

/** @param {Asked} asked @param {any} revision @returns {Promise<any>} */
function send(asked, revision) {
  asked.revision ??= revision;
  return (asked.puts ? put : post)(recordApi(asked.id, asked.path), { ...asked.body, revision: asked.revision });
}

/** Send it in its turn, and hear what came of it. @param {Waiting} waiting @returns {Promise<any>} */
async function take(waiting) {
  const { asked } = waiting;
  const { id, what } = asked;
  const was_sent_before = asked.revision !== undefined && !waiting.answer;
  try {
    if (isLeaving()) sendAll();
    if (!waiting.answer) {
      if (was_sent_before && (await isMade(asked))) return await loadRecord(id);
      const record = knownNow().records.get(id) ?? (await loadRecord(id));
      waiting.answer ??= send(asked, record?.revision);
    }
    const answer = await waiting.answer;
    if (answer?.record) return keepRecord(answer.record);
    return await loadRecord(id);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    if (error.status === 409 && error.code === "changed-elsewhere") {
      const now = error.body?.record ? keepRecord(error.body.record) : await loadRecord(id);
      if (was_sent_before && (await isMade(asked))) return now;
      const anew = () => void lineUp({ ...asked, revision: undefined });
      if (asked.insists) anew();
      else tell(`This record was changed on another page. ${what} was not made; what you see now is the newest.`, { severity: "look", action: { text: "Make it anyway", run: anew } });
    } else if (error.code !== "away") {
      tell(sentence(error.message), { severity: "act" });
    } else {
      waiting.answer = null;
      if (!isLeaving()) await new Promise((go_on) => setTimeout(go_on, GOING_MS));
      waiting.left = isLeaving();
      if (waiting.left) sendAll();
      else tellUnheard(asked);
    }
    return null;
  }
}

/** It may have been made, and only its answer lost: asked for the same revision, it is not made twice. @param {Asked} asked */
function tellUnheard(asked) {
  unheard.add(asked);
  const letGo = () => void unheard.delete(asked);
  const again = () => void lineUp({ ...asked, insists: true });
  tell(unheardText(asked), { severity: "act", action: { text: "Try again", run: again }, put_by: letGo });
}
/** @param {Asked} asked */
const unheardText = (asked) => `${asked.what} was not kept yet: sidekeep does not answer. It is made once it does; is it still running?`;

/** It answers again: what was not answered is made now, in order. What follows a change that is refused is asked about as well. */
async function makeUnheard() {
  const waiting = [...unheard];
  const texts = new Set(waiting.map(unheardText));
  unheard.clear();
  texts.forEach(unsay);
  /** @type {Map<string, boolean>} */
  const made = new Map();
  for (const asked of waiting) {
    if (made.get(asked.id) === false) tellUnheard(asked);
    else made.set(asked.id, Boolean(await lineUp(made.has(asked.id) ? { ...asked, revision: undefined } : asked)));
  }
}
onEvent("hello", () => void makeUnheard());

/** Whether the change after the revision it was sent for is this one. @param {Asked} asked */
async function isMade(asked) {
  const { entries } = await get(recordApi(asked.id, "history")).catch(() => ({ entries: [] }));
  const made = entries.find((/** @type {any} */ entry) => entry.seq === /** @type {number} */ (asked.revision) + 1);
  if (!made) return false;
  if (asked.path !== "edits") return made.by === asked.path;
  const { kind, ...fields } = asked.body.edit;
  return made.code === kind && Object.entries(fields).every(([name, value]) => value === null || value === "" || JSON.stringify(made.facts[name]) === JSON.stringify(value));
}

/** The page goes: nothing waits for what is ahead of it. Each change makes the revision one more. */
function sendAll() {
  for (const [id, line] of lines) {
    const first = line.find((waiting) => waiting.asked.revision !== undefined)?.asked.revision ?? knownNow().records.get(id)?.revision;
    if (first === undefined) continue;
    line.forEach((waiting, at) => {
      if (waiting.answer) return;
      waiting.answer = send(waiting.asked, first + at);
      waiting.answer.catch(() => undefined); // heard in its turn, if the page comes back
    });
  }
  remember();
}

/** For the next page; but what is put (a sleeve's text, corners) is seen to be missing. */
function remember() {
  try {
    const kept = [...unheard, ...[...lines.values()].flat().map((waiting) => waiting.asked)].filter((asked) => !asked.puts && asked.revision !== undefined);
    if (kept.length && isLeaving()) localStorage.setItem(MINE, JSON.stringify(kept));
    else localStorage.removeItem(MINE);
  } catch {
    // A browser that keeps nothing.
  }
}

/** What pages that went had no answer to. */
export function askAgain() {
  /** @type {Asked[]} */
  const left = [];
  try {
    for (const name of Object.keys(localStorage).filter((each) => each.startsWith(REMEMBERED))) {
      left.push(...JSON.parse(localStorage.getItem(name) ?? "[]"));
      localStorage.removeItem(name);
    }
  } catch {
    // Nothing is kept, or nothing that can be read.
  }
  for (const asked of left) void lineUp(asked);
}

addEventListener("pagehide", sendAll);
addEventListener("pageshow", (event) => {
  if (!event.persisted) return;
  for (const line of lines.values()) line.splice(0, Infinity, ...line.filter((waiting) => !waiting.left));
  askAgain();
});
