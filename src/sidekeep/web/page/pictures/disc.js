/** A side from above: radius is time, angle the place in the turn; near enough, single grooves. */
import { brush, circle, lightAlong, paintLabel, paintNeedle, placing } from "./light.js";
import { Pixels } from "./pixels.js";
import { Turns } from "./turns.js";
import { writeDamage, writeVinyl } from "./vinyl.js";

const RINGS = 260;
/** So long after the view moved it is painted anew; until then what was painted is moved. */
export const SETTLE_MS = 140;

export class DiscPicture {
  /**
   * @param {import("../take.js").Take} take @param {{start: number, stop: number}} span needle down and up
   * @param {any} label what is on the label @param {{size_inch?: number | null, rpm?: number | null}} record
   */
  constructor(take, span, label, record) {
    this.take = take;
    this.span = span;
    this.label = label;
    this.place = placing({ ...span, rate_hz: take.rate_hz, ...record });
    this.light = lightAlong(take.view.envelope ?? { bin_frames: 1, db: [-60] }, span.start, span.stop, RINGS);
    /** What is in the middle, in millimetres, and how much closer than the whole disc. */
    this.x = 0;
    this.y = 0;
    this.closer = 1;
    this.still = document.createElement("canvas");
    this.stillKey = "";
    /** The view `still` was painted for. @type {{x: number, y: number, scale: number} | null} */
    this.stillView = null;
    /** The whole disc, under a view that goes beyond `still`. */
    this.under = document.createElement("canvas");
    /** @type {{x: number, y: number, scale: number} | null} */
    this.underView = null;
    this.viewKey = "";
    this.movedAt = -Infinity;
    /** What was drawn last is still to be painted. */
    this.isRough = false;
    this.pixels = new Pixels();
    this.turns = new Turns(take, this.place, span);
  }

  /** Pixels a millimetre. @param {HTMLCanvasElement} canvas */
  scale(canvas) {
    return (Math.min(canvas.width, canvas.height) / (2 * this.place.edge + 4)) * this.closer;
  }

  /** In millimetres; from above the needle runs against the clock. @param {number} frame @returns {[number, number]} */
  spot(frame) {
    const angle = 2 * Math.PI * this.take.angle(frame);
    const radius = this.place.radius(frame);
    return [radius * Math.cos(angle), -radius * Math.sin(angle)];
  }

  /** Null beside the grooves. @param {HTMLCanvasElement} canvas @param {number} px @param {number} py device pixels */
  frameAt(canvas, px, py) {
    const scale = this.scale(canvas);
    const x = (px - canvas.width / 2) / scale + this.x;
    const y = (py - canvas.height / 2) / scale + this.y;
    const radius = Math.hypot(x, y);
    if (radius > this.place.edge || radius < this.place.label) return null;
    const rough = this.place.frame(radius);
    const angle = ((-Math.atan2(y, x) / (2 * Math.PI)) % 1 + 1) % 1;
    const turns = Math.round((rough - this.take.origin) / this.take.period - angle);
    const frame = this.take.origin + (turns + angle) * this.take.period;
    return Math.min(this.span.stop - 1, Math.max(this.span.start, frame));
  }

  /** @param {HTMLCanvasElement} canvas @param {number} factor over 1: closer @param {number} [px] @param {number} [py] */
  zoom(canvas, factor, px = canvas.width / 2, py = canvas.height / 2) {
    const before = this.scale(canvas);
    const most = (this.take.period / (2 * Math.PI * 60)) * 8;
    this.closer = Math.min(Math.max(1, this.closer * factor), (most * (2 * this.place.edge + 4)) / Math.min(canvas.width, canvas.height));
    const after = this.scale(canvas);
    this.x += (px - canvas.width / 2) * (1 / before - 1 / after);
    this.y += (py - canvas.height / 2) * (1 / before - 1 / after);
    this.#keepIn();
  }
  /** @param {HTMLCanvasElement} canvas @param {number} dx @param {number} dy device pixels */
  pan(canvas, dx, dy) {
    const scale = this.scale(canvas);
    this.x -= dx / scale;
    this.y -= dy / scale;
    this.#keepIn();
  }
  whole() {
    this.closer = 1;
    this.#keepIn();
  }
  /** In device pixels; null beside the canvas. @param {HTMLCanvasElement} canvas @param {number} frame @returns {[number, number] | null} */
  seenAt(canvas, frame) {
    const [x, y] = this.spot(frame);
    const scale = this.scale(canvas);
    const px = (x - this.x) * scale + canvas.width / 2;
    const py = (y - this.y) * scale + canvas.height / 2;
    return px >= 0 && py >= 0 && px <= canvas.width && py <= canvas.height ? [px, py] : null;
  }
  /** Bring a frame into the middle when close. @param {number} frame */
  follow(frame) {
    if (this.closer <= 1.02) return;
    [this.x, this.y] = this.spot(frame);
  }
  #keepIn() {
    const most = this.place.edge * Math.min(1, 2 * (1 - 1 / this.closer));
    const away = Math.hypot(this.x, this.y);
    if (away > most && away > 0) {
      this.x *= most / away;
      this.y *= most / away;
    }
  }

  /** @param {HTMLCanvasElement} canvas */
  hasMoved(canvas) {
    return this.stillView !== null && this.viewKey !== [this.x, this.y, this.scale(canvas)].join("|");
  }

  /** And what was painted can stand in. @param {HTMLCanvasElement} canvas */
  #isMoving(canvas) {
    if (this.hasMoved(canvas)) this.movedAt = performance.now();
    this.viewKey = [this.x, this.y, this.scale(canvas)].join("|");
    const fits = this.stillView !== null && this.still.width === canvas.width && this.still.height === canvas.height;
    return fits && performance.now() - this.movedAt < SETTLE_MS;
  }

  /** What was painted for one view, in this one. @param {CanvasRenderingContext2D} context @param {HTMLCanvasElement} canvas @param {HTMLCanvasElement} painted @param {{x: number, y: number, scale: number}} view */
  #place(context, canvas, painted, view) {
    const scale = this.scale(canvas);
    const factor = scale / view.scale;
    const side = (/** @type {number} */ size, /** @type {number} */ was, /** @type {number} */ is) => ((1 - factor) * size) / 2 + (was - is) * scale;
    context.setTransform(factor, 0, 0, factor, side(canvas.width, view.x, this.x), side(canvas.height, view.y, this.y));
    context.drawImage(painted, 0, 0);
  }

  /** What changes seldom is painted once. @param {HTMLCanvasElement} canvas @param {any[]} tracks */
  #paintStill(canvas, tracks) {
    const { width, height } = canvas;
    const key = [width, height, this.x, this.y, this.closer, tracks.map((track) => `${track.start_frame}${track.boundary}`), this.take.version, this.label.title, this.label.colour, this.label.paper].join("|");
    if (key === this.stillKey) return;
    this.stillKey = key;
    if (this.still.width !== width || this.still.height !== height) {
      this.still.width = width;
      this.still.height = height;
    }
    const context = brush(this.still);
    const scale = this.scale(canvas);
    context.setTransform(scale, 0, 0, scale, width / 2 - this.x * scale, height / 2 - this.y * scale);
    const seen = { x: this.x, y: this.y, scale, closer: this.closer };
    this.pixels.fit(width, height);
    const near = this.turns.areSeen(scale);
    if (!near || !this.turns.cover(this.pixels, seen)) writeVinyl(this.pixels, this.place, seen, this.light, near ? [] : tracks.filter((track, at) => at > 0 && track.boundary !== "segue").map((track) => track.start_frame));
    if (near) this.turns.write(this.pixels, seen);
    else writeDamage(this.pixels, this.take.repairs, (frame) => this.spot(frame), seen);
    this.pixels.put(context);
    if (near) this.#spans(context, canvas, scale);
    paintLabel(context, this.place, this.label);
    this.stillView = { x: this.x, y: this.y, scale };
    if (this.closer > 1) return;
    this.under.width = width;
    this.under.height = height;
    brush(this.under).drawImage(this.still, 0, 0);
    this.underView = this.stillView;
  }

  /** Near, damage is a piece of the groove. @param {CanvasRenderingContext2D} context @param {HTMLCanvasElement} canvas @param {number} scale */
  #spans(context, canvas, scale) {
    const wide = Math.min(this.turns.pitch, (0.85 * canvas.height) / scale) * 0.9;
    const reach = Math.hypot(canvas.width, canvas.height) / 2 / scale + this.turns.pitch;
    context.lineWidth = wide;
    for (const repair of this.take.repairs) {
      const [x, y] = this.spot((repair[1] + repair[2]) / 2);
      if (Math.hypot(x - this.x, y - this.y) > reach) continue;
      const from = -2 * Math.PI * this.take.angle(repair[1]);
      context.beginPath();
      context.arc(0, 0, this.place.radius(repair[1]), from - (2 * Math.PI * Math.max(repair[2] - repair[1], 1)) / this.take.period, from);
      context.strokeStyle = repair[7] ? "rgba(255,255,255,.25)" : "rgba(255,196,107,.35)";
      context.stroke();
    }
  }

  /** @param {HTMLCanvasElement} canvas @param {{tracks: any[], needle: number | null, playing: boolean, start: number, stop: number, choice: {start: number, stop: number} | null}} scene */
  draw(canvas, scene) {
    this.isRough = this.#isMoving(canvas);
    if (!this.isRough) this.#paintStill(canvas, scene.tracks);
    const context = brush(canvas);
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, canvas.width, canvas.height);
    if (this.isRough && this.underView) this.#place(context, canvas, this.under, this.underView);
    if (this.stillView) this.#place(context, canvas, this.still, this.stillView);
    const scale = this.scale(canvas);
    context.setTransform(scale, 0, 0, scale, canvas.width / 2 - this.x * scale, canvas.height / 2 - this.y * scale);
    const whole = scene.stop - scene.start > (this.span.stop - this.span.start) * 0.98;
    if (!whole) {
      const outer = this.place.radius(scene.start);
      const inner = this.place.radius(scene.stop);
      context.strokeStyle = "rgba(255,255,255,.22)";
      context.lineWidth = Math.max(0.8, outer - inner);
      circle(context, (outer + inner) / 2);
      context.stroke();
      context.strokeStyle = "rgba(255,255,255,.9)";
      context.lineWidth = 1.1 / Math.sqrt(this.closer);
      circle(context, outer + 0.6);
      context.stroke();
      circle(context, Math.max(1, inner - 0.6));
      context.stroke();
    }
    if (scene.choice) {
      const [x, y] = this.spot(scene.choice.start);
      context.strokeStyle = "#fff";
      context.lineWidth = 1.4 / Math.sqrt(this.closer);
      circle(context, 5 / Math.sqrt(this.closer), x, y);
      context.stroke();
    }
    if (scene.needle === null) return;
    const small = Math.min(1 / Math.sqrt(this.closer), 3 / scale);
    paintNeedle(context, this.place.radius(scene.needle), -2 * Math.PI * this.take.angle(scene.needle), { trail: scene.playing ? 14 : 0, wide: 1.7 * small, reach: (scene.playing ? 15 : 9) * small, dot: 1.9 * small });
  }
}
