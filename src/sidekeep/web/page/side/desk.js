/** What lies on the desk in the Side place: the take, what is seen of it, what is chosen, where the needle is. */
import { keepAt } from "../address.js";
import { Listening } from "../sound/listening.js";
import { takeSound } from "../sound/take_sound.js";

/** @typedef {import("../shapes.js").Choice} Choice */

export const NARROWEST = 24;
const LISTEN_AROUND_S = 2;

export class Desk {
  /** @param {import("../take.js").Take} take @param {any} cuts @param {Record<string, string>} at */
  constructor(take, cuts, at) {
    this.take = take;
    this.cuts = cuts;
    const whole = this.whole();
    /** What is seen, in frames. */
    this.start = whole.start;
    this.stop = whole.stop;
    /** Where the needle is. @type {number} */
    this.needle = cuts?.music_start_frame ?? whole.start;
    /** @type {Choice | null} */
    this.choice = null;
    this.round = false;
    /** A mark on the way to a new place. @type {{track: number, edge: "start" | "stop", frame: number, caught: string} | null} */
    this.moving = null;
    this.hidden = false;
    /** @type {Set<() => void>} */
    this.hearers = new Set();
    /** @type {Set<() => void>} */
    this.movers = new Set();
    this.sound = new Listening(takeSound(take), () => this.changed());
    this.readAt(at);
  }

  /** From needle down to needle up, the whole take where there are no cuts. */
  whole() {
    const start = Math.max(0, this.cuts?.needle_down_frame ?? 0);
    const stop = Math.min(this.take.length, this.cuts?.needle_up_frame || this.take.length);
    return stop - start > this.take.rate_hz ? { start, stop } : { start: 0, stop: this.take.length };
  }

  /** @param {Record<string, string>} at what the address says: t (seconds), from and to (seconds) */
  readAt(at) {
    const rate = this.take.rate_hz;
    if (at.t && Number.isFinite(Number(at.t))) this.needle = this.#inside(Math.round(Number(at.t) * rate));
    if (at.from && at.to && Number(at.to) > Number(at.from)) this.see(Number(at.from) * rate, Number(at.to) * rate);
    else if (at.t) this.reveal(this.needle);
  }

  /** @param {number} frame */
  #inside(frame) {
    return Math.min(this.take.length - 1, Math.max(0, frame));
  }

  changed() {
    this.hearers.forEach((hear) => hear());
    this.moved();
  }
  moved() {
    this.movers.forEach((hear) => hear());
  }

  /** @param {number} start @param {number} stop */
  see(start, stop) {
    const most = this.take.length;
    let span = Math.min(Math.max(stop - start, NARROWEST), most);
    let from = (start + stop) / 2 - span / 2;
    const whole = this.whole();
    if (span >= (whole.stop - whole.start) * 0.995 && span <= (whole.stop - whole.start) * 1.3) {
      from = whole.start;
      span = whole.stop - whole.start;
    }
    from = Math.min(Math.max(0, from), most - span);
    this.start = from;
    this.stop = from + span;
    this.moved();
    this.#remember();
  }
  /** @param {number} factor over 1: wider @param {number} [around] */
  zoom(factor, around = this.start <= this.needle && this.needle <= this.stop ? this.needle : (this.start + this.stop) / 2) {
    const share = (around - this.start) / (this.stop - this.start);
    const span = (this.stop - this.start) * factor;
    this.see(around - share * span, around + (1 - share) * span);
  }
  /** @param {number} frames */
  pan(frames) {
    const span = this.stop - this.start;
    const start = Math.min(Math.max(0, this.start + frames), this.take.length - span);
    this.see(start, start + span);
  }
  seeWhole() {
    const { start, stop } = this.whole();
    this.see(start, stop);
  }
  /** @param {number} frame @param {number} [span] */
  reveal(frame, span) {
    const width = span ?? this.stop - this.start;
    const inside = frame > this.start + width * 0.08 && frame < this.stop - width * 0.08;
    if (!inside || span) this.see(frame - width / 2, frame + width / 2);
  }

  #timer = 0;
  #remember() {
    clearTimeout(this.#timer);
    this.#timer = /** @type {any} */ (setTimeout(() => {
      if (this.hidden) return;
      const whole = this.whole();
      const rate = this.take.rate_hz;
      const all = this.start === whole.start && this.stop === whole.stop;
      keepAt({ t: (this.needle / rate).toFixed(3), from: all ? null : (this.start / rate).toFixed(4), to: all ? null : (this.stop / rate).toFixed(4) });
    }, 250));
  }

  /** What is heard goes on from there. @param {number} frame */
  lower(frame) {
    this.needle = this.#inside(Math.round(frame));
    if (this.sound.playing) void this.sound.play(this.needle);
    this.#remember();
    this.changed();
  }
  /** The needle as it is now: heard, or waiting. */
  now() {
    return this.sound.position() ?? this.needle;
  }
  listen() {
    if (this.sound.playing) {
      this.needle = this.#inside(Math.round(this.sound.position() ?? this.needle));
      this.sound.stop();
      this.#remember();
    } else if (this.round) {
      void this.sound.play(this.aroundChoice().start, this.aroundChoice());
    } else {
      void this.sound.play(this.needle);
    }
  }
  /** Listen around a place again and again. @param {{start: number, stop: number}} [span] */
  listenAround(span = this.aroundChoice()) {
    void this.sound.play(span.start, span);
  }

  /** @param {Choice | null} choice */
  choose(choice) {
    this.choice = choice;
    this.changed();
  }

  /** @param {{track: number, edge: "start" | "stop"}} mark @returns {number} */
  markFrame(mark) {
    if (this.moving && this.moving.track === mark.track && this.moving.edge === mark.edge) return this.moving.frame;
    return this.keptFrame(mark);
  }
  /** Where it is kept, wherever it is being moved to. @param {{track: number, edge: "start" | "stop"}} mark @returns {number} */
  keptFrame(mark) {
    const track = this.cuts?.tracks.find((/** @type {any} */ each) => each.number === mark.track);
    return track ? (mark.edge === "start" ? track.start_frame : track.stop_frame) : 0;
  }
  /** The chosen thing as a span. */
  choiceSpan() {
    const choice = this.choice;
    if (choice?.kind === "mark") return { start: this.markFrame(choice), stop: this.markFrame(choice) };
    if (choice?.kind === "region") return { start: choice.start, stop: choice.stop };
    if (choice?.kind === "finding") return { start: choice.at, stop: choice.at };
    if (choice?.kind === "repair") {
      const repair = this.repair(choice.id);
      if (repair) return { start: repair[1], stop: repair[2] };
    }
    return { start: this.needle, stop: this.needle };
  }
  /** With some sound before and after it. */
  aroundChoice() {
    const { start, stop } = this.choiceSpan();
    const margin = (this.choice?.kind === "repair" ? 0.6 : this.choice?.kind === "region" ? 0.15 : LISTEN_AROUND_S) * this.take.rate_hz;
    return { start: Math.max(0, start - margin), stop: Math.min(this.take.length, stop + margin) };
  }
  /** @param {string | number} id */
  repair(id) {
    return this.take.repairs.find((repair) => repair[0] === id) ?? null;
  }
  /** @param {number} frame @returns {any} the track that sounds at a frame */
  trackAt(frame) {
    return this.cuts?.tracks.find((/** @type {any} */ track) => track.start_frame <= frame && frame < track.stop_frame) ?? null;
  }
}
