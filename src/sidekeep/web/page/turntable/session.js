/** Starting an evening at the turntable: one call, whichever place it is asked from. */
import { go, recordPath } from "../address.js";
import { recall, remember } from "../remembered.js";
import { get, post, Refused } from "../server.js";
import { keepSession, knownNow, once, tell, told } from "../store.js";
import { sentence } from "../words.js";

const THEN = "then";
const STYLUS = "stylus";
export const USUAL_KINDS = ["lossless", "portable"];

export const writesAfter = () => recall(THEN) !== "no";
/** @param {boolean} on */
export const setWritesAfter = (on) => remember(THEN, on ? "yes" : "no");

const LATER = "survey";
/** While they play; not on a slow machine. */
export const surveysAtOnce = () => recall(LATER) !== "later";
/** @param {boolean} on */
export const setSurveysAtOnce = (on) => remember(LATER, on ? "at once" : "later");

/** Empty: its hours are not counted. */
export const stylusInUse = () => recall(STYLUS) ?? "";
/** @param {string} name */
export const useStylus = (name) => remember(STYLUS, name);

export async function inputIsKnown() {
  const inputs = (await get("/api/inputs").catch(() => ({ inputs: [] }))).inputs ?? [];
  return inputs.some((/** @type {any} */ input) => input.chosen);
}

/** Those without a take; all when none is missing. @param {any} record @returns {string[]} */
export function sidesToTake(record) {
  const sides = record.sides.map((/** @type {any} */ side) => side.side);
  const missing = record.sides.filter((/** @type {any} */ side) => !(side.chosen_take ?? (side.state && side.state !== "planned"))).map((/** @type {any} */ side) => side.side);
  return missing.length ? missing : sides.length ? sides : ["A", "B"];
}

/**
 * Arm the first side that is missing; without a known input the guide comes first.
 * @param {any} record @param {string[]} [sides] @param {{by_needle?: boolean, any_side?: boolean}} [how] @returns {Promise<void>}
 */
export function startSession(record, sides = sidesToTake(record), how = {}) {
  return once("session", () => begin(record, sides, how));
}
/** @param {any} record @param {string[]} sides @param {{by_needle?: boolean, any_side?: boolean}} how */
async function begin(record, sides, how) {
  const path = recordPath(record.id, "turntable");
  const session = knownNow().session;
  if (session && session.phase !== "done" && session.record === record.id) return go(path);
  if (!(await inputIsKnown())) return go(`${path}#set-up=1`);
  try {
    const answer = await post("/api/session", { record: record.id, sides, then: writesAfter() ? { copies: USUAL_KINDS } : null, stylus: stylusInUse(), by_needle: how.by_needle ?? true, any_side: how.any_side ?? false, survey: surveysAtOnce() });
    if (answer.session) keepSession(answer.session);
  } catch (error) {
    if (!(error instanceof Refused)) throw error;
    tell(sentence(error.message), { severity: "act" });
  }
  go(path);
}

/** How long a press waits for the answer to the one before it: a line may be lost without a word. */
const IN_TURN_MS = 4000;
/** @type {Promise<any>} */
let before = Promise.resolve();
/**
 * It names the record and the take that were seen: a press that comes as the next side begins is not done to that one. Presses are
 * sent in their order.
 * @param {any} session as it was seen @param {string} what @param {Record<string, unknown>} [more] @returns {Promise<any>}
 */
export function act(session, what, more = {}) {
  const asked = { do: what, record: session.record, ...more };
  return once(JSON.stringify(asked), () => {
    const turn = Promise.race([before, new Promise((come) => setTimeout(come, IN_TURN_MS))]);
    const work = turn.then(() => told(post("/api/session/act", asked)));
    before = work.catch(() => null);
    return work;
  });
}
