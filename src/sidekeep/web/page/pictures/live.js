/** The disc that draws itself while it is recorded, from the edge inward, with the level of both channels around it. */
import { brush, LP_RPM, circle, css, lightOf, paintLabel, paintNeedle, placing, shade } from "./light.js";

const BOTTOM_DB = -48;
const USUAL_AIM = [-12, -6];
const NOMINAL_TURN_S = 60 / LP_RPM;
/** Angles of the level arcs: from below, up each side, to the top. */
const FROM = 0.5 * Math.PI + 0.62;
const TO = 1.5 * Math.PI - 0.16;

/** A groove under the lamp, at an angle. @param {number} light 0 to 1 @param {number} angle @returns {[number, number, number]} */
function lit(light, angle) {
  const lamp = 0.35 + 0.65 * Math.max(0, Math.cos(2 * (angle + 1.01)) ** 3);
  const bright = shade(light, true);
  return /** @type {[number, number, number]} */ (shade(light, false).map((value, at) => Math.round(value + (bright[at] - value) * lamp * 0.85)));
}

export class LivePicture {
  /** @param {{colour: string, writing: string, title: string, artist: string, letter: string, paper: string}} label @param {number} expected_s */
  constructor(label, expected_s) {
    this.label = label;
    this.rate_hz = 96_000;
    this.turn = NOMINAL_TURN_S * this.rate_hz;
    this.expected_s = expected_s;
    /** @type {Map<number, number[]>} levels of each turn in equal parts */
    this.turns = new Map();
    /** @type {any[]} */
    this.damage = [];
    /** @type {Map<string, number>} */
    this.boundaries = new Map();
    this.loud = -14;
    this.disc = document.createElement("canvas");
    this.drawn = new Set();
    this.frame = 0;
    this.frameAt = 0;
    /** @type {any} */
    this.reading = null;
    /** Smoothed levels of left and right as they are shown. */
    this.shown = [BOTTOM_DB, BOTTOM_DB];
    /** Between which levels the highest peaks should come, in dBFS. */
    this.aim = USUAL_AIM;
  }

  get place() {
    return placing({ start: 0, stop: this.expected_s * this.rate_hz, rate_hz: this.rate_hz });
  }

  /** A piece of live news. @param {any} event */
  hear(event) {
    const facts = event.facts ?? {};
    if (event.code === "live-begun") this.begin(facts.rate_hz ?? this.rate_hz, facts.turn_frames);
    if (event.code === "live-turns") {
      this.turn = facts.turn_frames ?? this.turn;
      (facts.levels_db ?? []).forEach((/** @type {number[]} */ levels, /** @type {number} */ at) => this.turns.set((facts.first_turn ?? 0) + at, levels));
      this.#room();
    }
    if (event.code === "live-damage") this.damage.push(...(facts.repairs ?? []).filter((/** @type {any} */ repair) => repair[0] > (this.damage.at(-1)?.[0] ?? -1)));
    if (event.code === "live-boundary") {
      if (facts.state === "withdrawn") this.boundaries.delete(facts.id);
      else this.boundaries.set(facts.id, facts.frame ?? event.at_frame);
      this.drawn.clear();
    }
  }

  /** @param {number} rate_hz @param {number} [turn_frames] */
  begin(rate_hz, turn_frames) {
    this.rate_hz = rate_hz;
    this.turn = turn_frames ?? NOMINAL_TURN_S * rate_hz;
    this.turns.clear();
    this.damage = [];
    this.boundaries.clear();
    this.drawn.clear();
  }

  /** A level heard at a frame, where no live survey tells more. @param {number} frame @param {number} level_db */
  heardAt(frame, level_db) {
    const parts = 48;
    const turn = Math.floor(frame / this.turn);
    const row = this.turns.get(turn) ?? [];
    row[Math.floor(((frame / this.turn) % 1) * parts)] = level_db;
    row.length = parts;
    this.turns.set(turn, row);
    this.drawn.delete(turn);
    this.#room();
  }

  /** A side longer than expected goes on inward: everything is drawn anew, a little closer. */
  #room() {
    const last = (Math.max(0, ...[...this.turns.keys()].slice(-3)) + 1) * this.turn;
    while (last > this.expected_s * this.rate_hz) {
      this.expected_s *= 1.15;
      this.drawn.clear();
    }
  }

  /** @param {HTMLCanvasElement} canvas @param {{moving: boolean, still: boolean}} how */
  draw(canvas, how) {
    const context = brush(canvas);
    const size = Math.min(canvas.width, canvas.height);
    const place = this.place;
    const scale = size / (2 * (place.edge + 30));
    this.#grow(canvas, scale, place);
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, canvas.width, canvas.height);
    context.drawImage(this.disc, 0, 0);
    context.setTransform(scale, 0, 0, scale, canvas.width / 2, canvas.height / 2);
    for (const frame of this.boundaries.values()) {
      circle(context, place.radius(frame));
      context.strokeStyle = "rgba(10,11,13,.9)";
      context.lineWidth = 1.2;
      context.stroke();
    }
    context.fillStyle = "#ffc46b";
    context.beginPath();
    for (const repair of this.damage) {
      const angle = 2 * Math.PI * (repair[5] ?? (repair[0] / this.turn) % 1);
      const radius = place.radius(repair[0]);
      const wide = repair[3] === "crackle" ? 0.45 : repair[3] === "tick" ? 0.7 : 1.1;
      const x = radius * Math.cos(angle);
      const y = -radius * Math.sin(angle);
      context.moveTo(x + wide, y);
      context.arc(x, y, wide, 0, 2 * Math.PI);
    }
    context.fill();
    paintLabel(context, place, this.label);
    if (how.moving) paintNeedle(context, place.radius(this.now()), -2 * Math.PI * ((this.now() / this.turn) % 1), { trail: 22, wide: 2, reach: 19, dot: 2.4 });
    this.#levels(context, place, how.still);
  }

  /** Turns that are new are added to the picture. @param {HTMLCanvasElement} canvas @param {number} scale @param {ReturnType<typeof placing>} place */
  #grow(canvas, scale, place) {
    const disc = this.disc;
    if (disc.width !== canvas.width || disc.height !== canvas.height) {
      disc.width = canvas.width;
      disc.height = canvas.height;
      this.drawn.clear();
    }
    const context = brush(disc);
    context.setTransform(scale, 0, 0, scale, canvas.width / 2, canvas.height / 2);
    if (this.drawn.size === 0) {
      context.clearRect(-999, -999, 1998, 1998);
      circle(context, place.edge);
      context.fillStyle = css(shade(0.05, false));
      context.fill();
      circle(context, place.edge - 0.6);
      context.strokeStyle = "#6d6a66";
      context.lineWidth = 0.9;
      context.stroke();
      this.drawn.add(-1);
    }
    for (const [turn, levels] of this.turns) {
      if (this.drawn.has(turn)) continue;
      this.drawn.add(turn);
      const pitch = Math.abs(place.radius(turn * this.turn) - place.radius((turn + 1) * this.turn));
      const step = (2 * Math.PI) / levels.length;
      // One stroke a turn, its colour running on from part to part: the light of the lamp has no edges.
      const around = context.createConicGradient(0, 0, 0);
      context.beginPath();
      for (let part = 0; part < levels.length; part += 1) {
        const level = levels[part];
        if (level === undefined || level === null) continue;
        around.addColorStop(1 - (part + 0.5) / levels.length, css(lit(lightOf(level, this.loud), -(part + 0.5) * step)));
        const radius = place.radius((turn + (part + 0.5) / levels.length) * this.turn);
        const begun = typeof levels[part - 1] === "number";
        if (!begun) context.moveTo(radius * Math.cos(part * step), -radius * Math.sin(part * step));
        context.arc(0, 0, radius, -part * step, -(part + 1) * step, true);
      }
      context.lineWidth = Math.max(pitch * 1.15, 0.7 / scale);
      context.strokeStyle = around;
      context.stroke();
    }
  }

  /** The frame that is under the needle by now. */
  now() {
    return this.frame + Math.min(1, (performance.now() - this.frameAt) / 1000) * this.rate_hz;
  }

  /** Two arcs that rise with the level and would meet at the top, which is full scale. @param {CanvasRenderingContext2D} context @param {ReturnType<typeof placing>} place @param {boolean} still */
  #levels(context, place, still) {
    /** @type {any} */
    const reading = this.reading;
    const radius = place.edge + 15;
    const style = getComputedStyle(context.canvas);
    const line = style.getPropertyValue("--line").trim() || "#ddd";
    const ink = style.getPropertyValue("--ink").trim() || "#000";
    const glow = style.getPropertyValue("--glow").trim() || "#f2a93b";
    const peaks = reading?.peak_dbfs ?? [];
    /** @param {number} level */
    const share = (level) => Math.min(1, Math.max(0, (level - BOTTOM_DB) / -BOTTOM_DB));
    for (const channel of [0, 1]) {
      const level = Math.max(BOTTOM_DB, peaks[Math.min(channel, peaks.length - 1)] ?? BOTTOM_DB);
      this.shown[channel] = still || level > this.shown[channel] ? level : this.shown[channel] + (level - this.shown[channel]) * 0.12;
      /** @param {number} part */
      const at = (part) => (channel === 0 ? FROM + (TO - FROM) * part : Math.PI - (FROM + (TO - FROM) * part));
      /** @param {number} a @param {number} b @param {number} width @param {string} colour */
      const arc = (a, b, width, colour) => {
        context.beginPath();
        context.arc(0, 0, radius, Math.min(at(a), at(b)), Math.max(at(a), at(b)));
        context.lineWidth = width;
        context.strokeStyle = colour;
        context.stroke();
      };
      context.lineCap = "round";
      arc(0, 1, 9, line);
      context.lineCap = "butt";
      // Where the loudest passage should come to: a bracket outside the arc.
      context.beginPath();
      context.arc(0, 0, radius + 8.5, Math.min(at(share(this.aim[0])), at(share(this.aim[1]))), Math.max(at(share(this.aim[0])), at(share(this.aim[1]))));
      context.lineWidth = 2.2;
      context.strokeStyle = ink;
      context.stroke();
      context.lineCap = "round";
      if (this.shown[channel] > BOTTOM_DB + 0.5) arc(0, share(this.shown[channel]), 9, glow);
      const held = reading?.held_dbfs?.[Math.min(channel, peaks.length - 1)];
      if (held > BOTTOM_DB) {
        const angle = at(share(held));
        context.beginPath();
        context.moveTo((radius - 6) * Math.cos(angle), (radius - 6) * Math.sin(angle));
        context.lineTo((radius + 6) * Math.cos(angle), (radius + 6) * Math.sin(angle));
        context.lineWidth = 2.4;
        context.strokeStyle = ink;
        context.stroke();
      }
    }
  }
}
