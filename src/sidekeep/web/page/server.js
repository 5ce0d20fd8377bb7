/** Talking to the server: JSON in and out, refusals as values, one stream of events that heals by itself. */
import { early } from "./early.js";
import { isLeaving } from "./leaving.js";

/** A refusal or a failure. `code` is the server's own word, or "away" when it did not answer. */
export class Refused extends Error {
  /** @param {string} text @param {string} code @param {number} status @param {any} [body] */
  constructor(text, code, status, body) {
    super(text);
    this.code = code;
    this.status = status;
    this.body = body;
  }
}

export const AWAY = "sidekeep does not answer. Is it still running?";
/** What is answered at once may still read a large shelf or close a long take; a line lost without a word holds nothing for ever. */
const ANSWER_MS = 300_000;

/** @param {string} method @param {string} path @param {any} [body] @returns {Promise<Response>} */
async function ask(method, path, body) {
  /** @type {RequestInit} */
  const request = { method, headers: { "X-Sidekeep": "page" }, credentials: "same-origin" };
  if (body instanceof Blob) {
    request.body = body;
    request.headers = { ...request.headers, "Content-Type": body.type || "application/octet-stream" };
  } else if (body !== undefined) {
    request.body = JSON.stringify(body);
    request.keepalive = isLeaving();
    request.signal = AbortSignal.timeout(ANSWER_MS);
    request.headers = { ...request.headers, "Content-Type": "application/json" };
  }
  let answer;
  try {
    answer = await ((method === "GET" && early(path)) || fetch(path, request));
  } catch {
    throw new Refused(AWAY, "away", 0);
  }
  if (answer.ok) return answer;
  const told = await answer.json().catch(() => null);
  const error = told?.error ?? {};
  if (error.code === "no-such-address") throw new Refused("This sidekeep does not do that from the page; the command line does.", "not-served", 404, told);
  throw new Refused(error.text ?? `The server said ${answer.status}.`, error.code ?? "refused", answer.status, told);
}

/** What breaks off on the way is no answer. @returns {never} */
const brokenOff = () => {
  throw new Refused(AWAY, "away", 0);
};
/** @param {Response} answer */
const json = (answer) => (answer.status === 204 ? null : answer.json().catch(brokenOff));

/** @param {string} path @returns {Promise<any>} */
export const get = (path) => ask("GET", path).then(json);
/** The address of a record in the interface, and of what is below it. @param {string} id @param {string} [below] */
export const recordApi = (id, below = "") => `/api/records/${encodeURIComponent(id)}${below && "/"}${below}`;
/** Of a take. @param {string} id @param {string} below */
export const takeApi = (id, below) => `/api/takes/${encodeURIComponent(id)}/${below}`;
/** Null for an answer that a later question has overtaken. @returns {(path: string) => Promise<any>} */
export function newestOnly() {
  let asked = 0;
  return async (path) => {
    const mine = (asked += 1);
    const answer = await get(path);
    return mine === asked ? answer : null;
  };
}
/** @param {string} path @param {any} [body] @returns {Promise<any>} */
export const post = (path, body = {}) => ask("POST", path, body).then(json);
/** @param {string} path @param {any} [body] @returns {Promise<any>} */
export const put = (path, body = {}) => ask("PUT", path, body).then(json);
/** @param {string} path @param {any} [body] @returns {Promise<any>} */
export const remove = (path, body) => ask("DELETE", path, body).then(json);
/** @param {string} path @returns {Promise<{bytes: ArrayBuffer, about: any}>} numbers, with the JSON of their header */
export async function getBytes(path) {
  const answer = await ask("GET", path);
  const about = answer.headers.get("X-Sidekeep-Peaks") ?? answer.headers.get("X-Sidekeep-Spectrum") ?? answer.headers.get("X-Sidekeep-Sound");
  return { bytes: await answer.arrayBuffer().catch(brokenOff), about: about ? JSON.parse(about) : null };
}

const FIRST_WAIT_MS = 400;
const LONGEST_WAIT_MS = 5000;
/** The server says something every 15 s, readings come many times a second: a longer silence is a line lost without a word. */
const SILENCE_MS = 25_000;
const SILENCE_OF_READINGS_MS = 6_000;
const LOOK_MS = 1_000;

/**
 * Reconnects at once when the machine wakes or the net is back.
 * @param {{event: (event: any) => void, link: (up: boolean) => void}} hear
 */
export function listen(hear) {
  let wait = FIRST_WAIT_MS;
  /** @type {WebSocket | null} */
  let socket = null;
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let timer;
  let heard = performance.now();
  let readings = false;
  const is_silent = () => performance.now() - heard > (readings ? SILENCE_OF_READINGS_MS : SILENCE_MS);

  function open() {
    clearTimeout(timer);
    readings = false;
    const mine = new WebSocket(`${location.protocol === "https:" ? "wss" : "ws"}://${location.host}/api/events`);
    socket = mine;
    heard = performance.now();
    mine.onopen = () => {
      wait = FIRST_WAIT_MS;
      hear.link(true);
    };
    mine.onmessage = (message) => {
      heard = performance.now();
      const event = JSON.parse(message.data);
      readings = event.kind === "meter" && event.recording === true;
      hear.event(event);
    };
    mine.onclose = () => {
      if (socket !== mine) return;
      hear.link(false);
      socket = null;
      timer = setTimeout(open, wait);
      wait = Math.min(LONGEST_WAIT_MS, wait * 1.7);
    };
  }
  const now = () => {
    if (socket && socket.readyState <= WebSocket.OPEN && !is_silent()) return;
    if (socket) hear.link(false);
    const old = socket;
    socket = null;
    old?.close();
    open();
  };
  addEventListener("online", now);
  addEventListener("pageshow", (event) => event.persisted && now());
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && now());
  setInterval(() => socket && is_silent() && now(), LOOK_MS);
  open();
}
