/** A side from above: radius is time, angle the place in the turn. Near enough, the grooves beside each other, to single samples. */
import { circle, lightAlong, MARK_WIDTH, paintLabel, paintVinyl, placing } from "./light.js";

const RINGS = 260;
const GROOVE_PIXELS = 7;
const MOST_GROOVES = 60;

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
    /** Seen: a point of the disc in millimetres in the middle, and pixels a millimetre over those of the whole disc. */
    this.x = 0;
    this.y = 0;
    this.closer = 1;
    this.still = document.createElement("canvas");
    this.stillKey = "";
  }

  /** Pixels a millimetre. @param {HTMLCanvasElement} canvas */
  scale(canvas) {
    return (Math.min(canvas.width, canvas.height) / (2 * this.place.edge + 4)) * this.closer;
  }

  /** Where a frame lies, in millimetres; seen from above the needle runs against the clock round the disc. @param {number} frame @returns {[number, number]} */
  spot(frame) {
    const angle = 2 * Math.PI * this.take.angle(frame);
    const radius = this.place.radius(frame);
    return [radius * Math.cos(angle), -radius * Math.sin(angle)];
  }

  /** The frame under a point of the canvas; null beside the grooves. @param {HTMLCanvasElement} canvas @param {number} px @param {number} py device pixels */
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
  /** Bring a frame into the middle when close. @param {number} frame */
  follow(frame) {
    if (this.closer <= 1.02) return;
    [this.x, this.y] = this.spot(frame);
  }
  #keepIn() {
    const most = this.place.edge * (1 - 1 / this.closer);
    const away = Math.hypot(this.x, this.y);
    if (away > most && away > 0) {
      this.x *= most / away;
      this.y *= most / away;
    }
  }

  /** What changes seldom is painted once. @param {HTMLCanvasElement} canvas @param {any[]} tracks */
  #paintStill(canvas, tracks) {
    const left = this.take.repairs.reduce((sum, repair) => sum + (repair[7] ? 1 : 0), 0);
    const key = [canvas.width, canvas.height, this.x, this.y, this.closer, tracks.map((track) => `${track.start_frame}${track.boundary}`), this.take.repairs.length, left, this.label.title, this.label.colour, this.label.paper].join("|");
    if (key === this.stillKey) return;
    this.stillKey = key;
    this.still.width = canvas.width;
    this.still.height = canvas.height;
    const context = /** @type {CanvasRenderingContext2D} */ (this.still.getContext("2d"));
    const scale = this.scale(canvas);
    context.setTransform(scale, 0, 0, scale, canvas.width / 2 - this.x * scale, canvas.height / 2 - this.y * scale);
    paintVinyl(context, this.place, this.light);
    context.strokeStyle = "rgba(12,13,16,.85)";
    context.lineWidth = 1.1;
    tracks.forEach((track, at) => {
      if (at === 0 || track.boundary === "segue") return;
      circle(context, this.place.radius(track.start_frame));
      context.stroke();
    });
    if (this.#grooves(context, canvas, scale)) return;
    for (const kind of /** @type {(keyof typeof MARK_WIDTH)[]} */ (Object.keys(MARK_WIDTH))) {
      const path = new Path2D();
      const alone = new Path2D();
      const size = (MARK_WIDTH[kind] / 2) * Math.min(1, 2 / Math.sqrt(this.closer));
      for (const repair of this.take.repairs) {
        if (repair[4] !== kind) continue;
        const [x, y] = this.spot(repair[1]);
        const to = repair[7] ? alone : path;
        to.moveTo(x + size, y);
        to.arc(x, y, size, 0, 2 * Math.PI);
      }
      context.fillStyle = kind === "crackle" ? "rgba(255,196,107,.5)" : "#ffc46b";
      context.fill(path);
      context.strokeStyle = "#fff";
      context.lineWidth = 0.5;
      context.stroke(alone);
    }
    paintLabel(context, this.place, this.label);
  }

  /**
   * Close enough, every turn of the groove with its two walls; true when that was drawn.
   * @param {CanvasRenderingContext2D} context @param {HTMLCanvasElement} canvas @param {number} scale
   */
  #grooves(context, canvas, scale) {
    const { take, place, span } = this;
    const turns = (span.stop - span.start) / take.period;
    const pitch = (place.outer - place.inner) / turns;
    if (pitch * scale < GROOVE_PIXELS) return false;
    const half_w = canvas.width / 2 / scale;
    const half_h = canvas.height / 2 / scale;
    const middle = Math.hypot(this.x, this.y);
    const reach = Math.hypot(half_w, half_h);
    const spread = Math.min(Math.PI, Math.asin(Math.min(1, reach / Math.max(reach, middle))));
    const at = ((-Math.atan2(this.y, this.x) / (2 * Math.PI)) % 1 + 1) % 1;
    const first = Math.floor((place.frame(middle + reach) - take.origin) / take.period) - 1;
    const last = Math.ceil((place.frame(Math.max(place.inner, middle - reach)) - take.origin) / take.period) + 1;
    context.fillStyle = "#202228";
    context.fillRect(this.x - half_w, this.y - half_h, 2 * half_w, 2 * half_h);
    const share = spread / (2 * Math.PI);
    const columns = Math.max(16, Math.ceil(2 * spread * middle * scale));
    const width = Math.min(columns, canvas.width * 2);
    for (let turn = first, drawn = 0; turn <= last && drawn < MOST_GROOVES; turn += 1, drawn += 1) {
      const from = take.origin + (turn + at - share) * take.period;
      const to = take.origin + (turn + at + share) * take.period;
      if (to < span.start || from > span.stop) continue;
      const picture = take.columns(from, to, width);
      this.#wall(context, picture, width, from, to, pitch, scale, 0, 0.24, "#f4efe6");
      this.#wall(context, picture, width, from, to, pitch, scale, 2, -0.24, "#a7a196");
      for (const repair of take.repairsIn(from, to)) {
        const radius = place.radius(repair[1]);
        const one = -2 * Math.PI * take.angle(repair[1]);
        const two = one - (2 * Math.PI * Math.max(repair[2] - repair[1], 1)) / take.period;
        context.beginPath();
        context.arc(0, 0, radius, two, one);
        context.strokeStyle = repair[7] ? "rgba(255,255,255,.35)" : "rgba(255,196,107,.4)";
        context.lineWidth = pitch * 0.9;
        context.stroke();
      }
    }
    return true;
  }

  /** @param {CanvasRenderingContext2D} context @param {Float32Array} columns @param {number} width @param {number} from @param {number} to @param {number} pitch @param {number} scale @param {number} channel @param {number} side @param {string} colour */
  #wall(context, columns, width, from, to, pitch, scale, channel, side, colour) {
    context.beginPath();
    let begun = false;
    for (const edge of [1, 0]) {
      for (let step = 0; step < width; step += 1) {
        const column = edge ? step : width - 1 - step;
        const value = columns[column * 4 + channel + edge];
        if (Number.isNaN(value)) continue;
        const frame = from + ((column + 0.5) / width) * (to - from);
        const radius = this.place.radius(frame) + pitch * (side + 0.3 * Math.max(-1, Math.min(1, value)));
        const angle = 2 * Math.PI * this.take.angle(frame);
        const x = radius * Math.cos(angle);
        const y = -radius * Math.sin(angle);
        if (begun) context.lineTo(x, y);
        else context.moveTo(x, y);
        begun = true;
      }
    }
    context.fillStyle = colour;
    context.strokeStyle = colour;
    context.lineWidth = 1.2 / scale;
    context.fill();
    context.stroke();
  }

  /** @param {HTMLCanvasElement} canvas @param {{tracks: any[], needle: number | null, playing: boolean, start: number, stop: number, choice: {start: number, stop: number} | null}} scene */
  draw(canvas, scene) {
    this.#paintStill(canvas, scene.tracks);
    const context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d"));
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, canvas.width, canvas.height);
    context.drawImage(this.still, 0, 0);
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
    if (scene.needle !== null) this.#glow(context, scene.needle, scene.playing);
  }

  /** The needle's place, with the groove it has just come from still warm. @param {CanvasRenderingContext2D} context @param {number} needle @param {boolean} playing */
  #glow(context, needle, playing) {
    const small = 1 / Math.sqrt(this.closer);
    if (playing) {
      const angle = -2 * Math.PI * this.take.angle(needle);
      for (let step = 0; step < 14; step += 1) {
        context.beginPath();
        context.arc(0, 0, this.place.radius(needle), angle + step * 0.09, angle + (step + 1) * 0.09);
        context.strokeStyle = `rgba(255,196,107,${0.75 * (1 - step / 14) ** 1.6})`;
        context.lineWidth = 1.7 * small;
        context.stroke();
      }
    }
    const [x, y] = this.spot(needle);
    const reach = (playing ? 15 : 9) * small;
    const glow = context.createRadialGradient(x, y, 0, x, y, reach);
    glow.addColorStop(0, "rgba(255,226,178,1)");
    glow.addColorStop(0.2, "rgba(255,196,107,.65)");
    glow.addColorStop(1, "rgba(255,196,107,0)");
    context.fillStyle = glow;
    circle(context, reach, x, y);
    context.fill();
    context.fillStyle = "#fff6e6";
    circle(context, 1.9 * small, x, y);
    context.fill();
  }
}
