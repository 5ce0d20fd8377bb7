/**
 * One sound in several versions that run in lockstep; only their loudness is switched, so that changing over leaves no gap. `take_sound.js` says which versions there are.
 */

const PIECES_S = [0.6, 2, 5];
const AHEAD_S = 4;
const SWITCH_S = 0.012;
const LONGEST_LOOP_S = 30;

/** @typedef {import("../shapes.js").Run} Run */
/** @typedef {import("../shapes.js").Span} Span */

export class Listening {
  /** @param {import("../shapes.js").Heard} heard @param {() => void} changed */
  constructor(heard, changed) {
    this.heard = heard;
    this.changed = changed;
    /** @type {string} */
    this.version = heard.first;
    /** @type {AudioContext | null} */
    this.context = null;
    /** @type {Run | null} */
    this.run = null;
    this.trouble = "";
    /** @type {ReturnType<typeof setInterval> | undefined} */
    this.timer = undefined;
  }

  get playing() {
    return this.run !== null;
  }

  /** The frame that is heard now; null when nothing is. */
  position() {
    const { run, context } = this;
    if (!run || !context) return null;
    const heard = run.from + Math.max(0, context.currentTime - (context.outputLatency || 0) - run.at) * this.heard.rate_hz;
    if (!run.loop) return Math.min(heard, this.heard.length);
    const length = run.loop.stop - run.loop.start;
    return run.loop.start + ((((heard - run.loop.start) % length) + length) % length);
  }

  /**
   * Listen from a frame, or around and around a span.
   * @param {number} frame @param {Span | null} [loop]
   */
  async play(frame, loop = null) {
    const context = this.#open();
    const old = this.run;
    const from = Math.round(Math.min(Math.max(0, loop ? Math.min(Math.max(frame, loop.start), loop.stop - 1) : frame), this.heard.length - 1));
    const round = loop ? { start: Math.max(0, Math.round(loop.start)), stop: Math.min(this.heard.length, Math.round(Math.min(loop.stop, loop.start + LONGEST_LOOP_S * this.heard.rate_hz))) } : null;
    const run = this.#newRun(from, round);
    this.run = run;
    this.trouble = "";
    this.changed();
    await context.resume();
    await (round ? this.#fillLoop(run) : this.#fill(run));
    if (old) this.#end(old, run.at);
    clearInterval(this.timer);
    this.timer = setInterval(() => this.#tend(), 250);
  }

  stop() {
    const run = this.run;
    this.run = null;
    clearInterval(this.timer);
    if (run && this.context) this.#end(run, this.context.currentTime);
    this.changed();
  }

  /** @param {string} version */
  choose(version) {
    this.version = version;
    if (this.run && this.context) this.#balance(this.run, this.context.currentTime);
    this.changed();
  }

  /** The mended sound changed: go on at the same place with the new one, without a gap. */
  async renew() {
    const { run, context } = this;
    if (!run || !context) return;
    const fresh = this.#newRun(run.from, run.loop);
    fresh.at = run.at;
    if (!run.loop) {
      const ahead = run.from + Math.max(0, context.currentTime + 0.05 - run.at) * this.heard.rate_hz;
      fresh.next = Math.floor(Math.max(run.from, ahead));
    }
    this.run = fresh;
    await (run.loop ? this.#fillLoop(fresh) : this.#fill(fresh));
    this.#end(run, context.currentTime + 0.01);
    fresh.out.gain.setValueAtTime(0, context.currentTime);
    fresh.out.gain.linearRampToValueAtTime(1, context.currentTime + 0.01 + SWITCH_S);
  }

  async close() {
    this.stop();
    await this.context?.close().catch(() => undefined);
    this.context = null;
  }

  #open() {
    if (!this.context) {
      try {
        this.context = new AudioContext({ sampleRate: this.heard.rate_hz, latencyHint: "interactive" });
      } catch {
        this.context = new AudioContext({ latencyHint: "interactive" });
      }
    }
    return this.context;
  }

  /** @param {number} from @param {Span | null} loop @returns {Run} */
  #newRun(from, loop) {
    const context = /** @type {AudioContext} */ (this.context);
    const out = context.createGain();
    out.connect(context.destination);
    const gains = /** @type {Record<string, GainNode>} */ ({});
    for (const version of this.heard.versions) {
      gains[version] = context.createGain();
      gains[version].gain.value = version === this.version ? 1 : 0;
      gains[version].connect(out);
    }
    return { from, at: 0, next: from, loop, out, gains, sources: [], over: false, piece: 0, loading: false };
  }

  /** @param {Run} run @param {number} now */
  #balance(run, now) {
    for (const version of this.heard.versions) {
      const gain = run.gains[version].gain;
      gain.cancelScheduledValues(now);
      gain.setValueAtTime(gain.value, now);
      gain.linearRampToValueAtTime(version === this.version ? 1 : 0, now + SWITCH_S);
    }
  }

  /** @param {number} start @param {number} stop */
  async #buffers(start, stop) {
    const context = /** @type {AudioContext} */ (this.context);
    const { rate_hz, sounds } = await this.heard.read(start, stop);
    return /** @type {Record<string, AudioBuffer>} */ (
      Object.fromEntries(
        this.heard.versions.map((version) => {
          const buffer = context.createBuffer(sounds[version].length, sounds[version][0].length, rate_hz);
          sounds[version].forEach((samples, channel) => buffer.copyToChannel(/** @type {any} */ (samples), channel));
          return [version, buffer];
        }),
      )
    );
  }

  /** The next piece, lined up behind the last. @param {Run} run */
  async #fill(run) {
    if (run.loading || run.over) return;
    run.loading = true;
    try {
      const start = run.next;
      const length = PIECES_S[Math.min(run.piece, PIECES_S.length - 1)];
      const stop = Math.min(this.heard.length, start + Math.round(length * this.heard.rate_hz));
      if (stop <= start) return;
      const buffers = await this.#buffers(start, stop);
      if (run.over) return;
      this.#begin(run);
      const when = run.at + (start - run.from) / this.heard.rate_hz;
      this.#schedule(run, buffers, when, false);
      run.next = stop;
      run.piece += 1;
      if (run.piece === 1) queueMicrotask(() => void this.#fill(run));
    } catch (error) {
      this.trouble = /** @type {Error} */ (error).message;
      if (this.run === run) this.stop();
    } finally {
      run.loading = false;
    }
  }

  /** @param {Run} run */
  async #fillLoop(run) {
    const { start, stop } = /** @type {Span} */ (run.loop);
    try {
      const buffers = await this.#buffers(start, stop);
      if (run.over) return;
      const fresh = run.at === 0;
      this.#begin(run);
      const context = /** @type {AudioContext} */ (this.context);
      const when = fresh ? run.at : context.currentTime + 0.01;
      const heard = run.from - start + (when - run.at) * this.heard.rate_hz;
      const offset = (((heard % (stop - start)) + (stop - start)) % (stop - start)) / this.heard.rate_hz;
      this.#schedule(run, buffers, when, true, offset);
    } catch (error) {
      this.trouble = /** @type {Error} */ (error).message;
      if (this.run === run) this.stop();
    }
  }

  /** The clock of a run starts when its first sound is here. @param {Run} run */
  #begin(run) {
    const context = /** @type {AudioContext} */ (this.context);
    if (run.at === 0) run.at = Math.ceil((context.currentTime + 0.005) * context.sampleRate) / context.sampleRate;
  }

  /** @param {Run} run @param {Record<string, AudioBuffer>} buffers @param {number} when @param {boolean} loop @param {number} [offset] */
  #schedule(run, buffers, when, loop, offset = 0) {
    const context = /** @type {AudioContext} */ (this.context);
    const soonest = context.currentTime + 0.002; // asked once: the clock goes on between one version and the next
    const late = Math.max(0, soonest - when);
    if (late > 0.05 && !loop) run.at += late; // the sound came too late: wait for it rather than leave a piece out
    const skip = late > 0.05 && !loop ? 0 : late;
    for (const version of this.heard.versions) {
      const source = context.createBufferSource();
      source.buffer = buffers[version];
      source.loop = loop;
      source.connect(run.gains[version]);
      source.start(Math.max(when, soonest), loop ? offset : skip);
      run.sources.push(source);
    }
    run.sources = run.sources.slice(-24);
  }

  #tend() {
    const run = this.run;
    if (!run || !this.context || run.at === 0) return;
    const heard = this.position() ?? 0;
    if (!run.loop && heard >= this.heard.length - 1) return this.stop();
    if (!run.loop && run.next - heard < AHEAD_S * this.heard.rate_hz) void this.#fill(run);
  }

  /** @param {Run} run @param {number} when */
  #end(run, when) {
    run.over = true;
    const now = /** @type {AudioContext} */ (this.context).currentTime;
    const at = Math.max(when, now);
    run.out.gain.setValueAtTime(1, at);
    run.out.gain.linearRampToValueAtTime(0, at + SWITCH_S);
    setTimeout(() => {
      run.sources.forEach((source) => { try { source.stop(); } catch { /* it never began */ } });
      run.out.disconnect();
    }, 1000 * (at + SWITCH_S - now) + 60);
  }
}
