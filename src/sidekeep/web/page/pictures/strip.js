/**
 * A side unrolled: time to the right, once round the disc from bottom to top; near enough, the groove itself (groove.js).
 */
import { brush, lightOf, loudOf, MARK_WIDTH, shade, steady } from "./light.js";
import { GroovePicture } from "./groove.js";
import { mix, pack, packed, Pixels, spot } from "./pixels.js";

const NEAR_S = 0.16;
const FAR_S = 0.7;
const INK = pack(16, 17, 21);
const AMBER = packed("#ffc46b");
const WHITE = packed("#ffffff");
const SHADES = Array.from({ length: 256 }, (_, share) => pack(...shade(share / 255, true)));
/** From top to bottom: place, ink over it when far and when near. */
const FALL = [[0, 0.55, 0.35], [0.42, 0.2, 0.3], [1, 0.86, 0.5]];

/** 0: turns are seen; 1: the groove is. @param {number} span_s */
export function nearness(span_s) {
  const share = Math.min(1, Math.max(0, (Math.log(FAR_S) - Math.log(span_s)) / (Math.log(FAR_S) - Math.log(NEAR_S))));
  return share * share * (3 - 2 * share);
}

/** @typedef {import("../shapes.js").Scene} Scene */

export class StripPicture {
  /** @param {import("../take.js").Take} take */
  constructor(take) {
    this.take = take;
    const envelope = take.view.envelope ?? { bin_frames: 1, db: [] };
    this.levels = envelope.peak_db ?? envelope.db;
    this.loud = loudOf(this.levels);
    this.bin = envelope.bin_frames;
    this.far = steady(this.levels).map((level) => lightOf(level, this.loud));
    this.groove = new GroovePicture(take);
    this.pixels = new Pixels();
    this.columns = new Float32Array(0);
    this.shades = new Uint8Array(0);
    this.table = new Uint32Array(0);
    this.tableKey = "";
    this.glow = { key: "", canvas: document.createElement("canvas") };
    /** Pixels a point is wide for its kind, and the points made at that size. */
    this.unit = 0;
    /** @type {Map<string, import("../shapes.js").Stamp[]>} */
    this.stamps = new Map();
  }

  /** @param {HTMLCanvasElement} canvas @param {Scene} scene */
  draw(canvas, scene) {
    const context = brush(canvas, { alpha: false });
    const { pixels } = this;
    const { width, height } = canvas;
    const { start, stop } = scene;
    pixels.fit(width, height);
    const near = nearness((stop - start) / this.take.rate_hz);
    if (near > 0.02) this.groove.draw(pixels, start, stop, scene.version, this.#peak(start, stop));
    if (near < 1) this.#light(start, stop, near);
    if (near <= 0.9) this.#points(start, stop, near);
    pixels.put(context);
    /** @param {number} frame */
    const across = (frame) => ((frame - start) / (stop - start)) * width;
    if (scene.cut) outside(context, across, scene.cut);
    this.#damage(context, across, start, stop, near, scene.choice);
    lines(context, across, scene);
    if (scene.needle !== null) this.#needle(context, across(scene.needle), near, scene);
  }

  /** Over the groove as much as it is still far. @param {number} start @param {number} stop @param {number} near */
  #light(start, stop, near) {
    const { width, height, data } = this.pixels;
    if (this.shades.length !== width) this.shades = new Uint8Array(width);
    const { shades } = this;
    if ((stop - start) / width < this.bin / 2) this.#nearShades(start, stop);
    else this.#farShades(start, stop);
    const table = this.#shading(height, near);
    const over = near > 0.02 ? Math.round(256 * (1 - near)) : 256;
    for (let y = 0, place = 0; y < height; y += 1) {
      const row = y * 256;
      if (over === 256) for (let x = 0; x < width; x += 1, place += 1) data[place] = table[row + shades[x]];
      else for (let x = 0; x < width; x += 1, place += 1) data[place] = mix(data[place], table[row + shades[x]], over);
    }
  }

  /** @param {number} height @param {number} near */
  #shading(height, near) {
    const key = `${height} ${near.toFixed(3)}`;
    if (key === this.tableKey) return this.table;
    this.tableKey = key;
    if (this.table.length !== height * 256) this.table = new Uint32Array(height * 256);
    for (let y = 0; y < height; y += 1) {
      const place = (y + 0.5) / height;
      const [above, below] = place < FALL[1][0] ? [FALL[0], FALL[1]] : [FALL[1], FALL[2]];
      const share = (place - above[0]) / (below[0] - above[0]);
      /** @param {number[]} stop */
      const ink = (stop) => stop[1] * (1 - near) + stop[2] * near;
      const dark = Math.round(256 * (ink(above) + (ink(below) - ink(above)) * share));
      for (let at = 0; at < 256; at += 1) this.table[y * 256 + at] = mix(SHADES[at], INK, dark);
    }
    return this.table;
  }

  /** The mean of what a column covers. @param {number} start @param {number} stop */
  #farShades(start, stop) {
    const { shades, far, bin } = this;
    const width = shades.length;
    const step = (stop - start) / width / bin;
    for (let x = 0; x < width; x += 1) {
      const from = Math.floor(start / bin + x * step);
      const to = Math.max(from + 1, Math.floor(start / bin + (x + 1) * step));
      let sum = 0;
      for (let at = from; at < to; at += 1) sum += far[at] ?? 0;
      shades[x] = (255 * sum) / (to - from);
    }
  }

  /** Finer than the envelope: from the peaks. @param {number} start @param {number} stop */
  #nearShades(start, stop) {
    const { shades, far, bin, loud } = this;
    const width = shades.length;
    if (this.columns.length !== width * 4) this.columns = new Float32Array(width * 4);
    const columns = this.take.columns(start, stop, width, "played", this.columns);
    for (let x = 0; x < width; x += 1) {
      const at = x * 4;
      const peak = Math.max(-columns[at], columns[at + 1], -columns[at + 2], columns[at + 3]);
      shades[x] = 255 * (peak === peak ? lightOf(20 * Math.log10(Math.max(peak, 1e-6)), loud) : (far[Math.floor((start + (x / width) * (stop - start)) / bin)] ?? 0));
    }
  }

  /** Highest near a span. @param {number} start @param {number} stop */
  #peak(start, stop) {
    let highest = -60;
    const last = Math.min(this.levels.length - 1, Math.ceil(stop / this.bin) + 1);
    for (let bin = Math.max(0, Math.floor(start / this.bin) - 1); bin <= last; bin += 1) highest = Math.max(highest, this.levels[bin]);
    return 10 ** (highest / 20);
  }

  /** Damage as points; a ring where it is left. @param {number} start @param {number} stop @param {number} near */
  #points(start, stop, near) {
    const { pixels, take } = this;
    const { width, height } = pixels;
    const unit = Math.max(0.8, Math.min(height / 66, width / 480));
    if (unit !== this.unit) this.stamps.clear();
    this.unit = unit;
    for (let at = take.firstRepair(start); at < take.repairs.length; at += 1) {
      const repair = take.repairs[at];
      if (repair[1] > stop) break;
      const x = (((repair[1] + repair[2]) / 2 - start) / (stop - start)) * width;
      const turn = height - 4 - (repair[6] ?? take.angle(repair[1])) * (height - 8);
      const y = turn + (height / 2 - turn) * near;
      const stamp = this.#stamp(repair[4], repair[7]);
      if (repair[7]) pixels.stamp(stamp, x, y, WHITE, 1);
      else pixels.stamp(stamp, x, y, AMBER, (1 - near) * (repair[4] === "crackle" ? 0.5 : 1));
    }
  }

  /** Made once for a kind. @param {string} kind @param {boolean} is_left */
  #stamp(kind, is_left) {
    let made = this.stamps.get(kind);
    if (!made) {
      const radius = (MARK_WIDTH[/** @type {keyof typeof MARK_WIDTH} */ (kind)] ?? 1.2) * this.unit * 0.5;
      made = [spot(radius), spot(radius + 2.2, 1.5)];
      this.stamps.set(kind, made);
    }
    return made[is_left ? 1 : 0];
  }

  /** Near, damage is a span; what is chosen has a ring. @param {CanvasRenderingContext2D} context @param {(frame: number) => number} across @param {number} start @param {number} stop @param {number} near @param {any} choice */
  #damage(context, across, start, stop, near, choice) {
    const { height } = context.canvas;
    if (near > 0.05) {
      for (const repair of this.take.repairsIn(start, stop)) {
        const from = across(repair[1]);
        context.fillStyle = repair[7] ? `rgba(255,255,255,${0.12 * near})` : `rgba(255,196,107,${0.26 * near})`;
        context.fillRect(from, height * 0.06, Math.max(2, across(repair[2]) - from), height * 0.88);
      }
    }
    const chosen = choice?.kind === "repair" ? this.take.repairs.find((repair) => repair[0] === choice.id) : null;
    if (!chosen || chosen[2] < start || chosen[1] > stop) return;
    const turn = height - 4 - (chosen[6] ?? this.take.angle(chosen[1])) * (height - 8);
    context.strokeStyle = "#fff";
    context.lineWidth = 2.5;
    context.beginPath();
    context.arc(across((chosen[1] + chosen[2]) / 2), turn + (height / 2 - turn) * near, 9 * Math.max(1, height / 260), 0, 2 * Math.PI);
    context.stroke();
  }

  /** The needle's place glows. @param {CanvasRenderingContext2D} context @param {number} x @param {number} near @param {Scene} scene */
  #needle(context, x, near, scene) {
    const { width, height } = context.canvas;
    if (x < -60 || x > width + 60) return;
    const turn = height - 4 - this.take.angle(/** @type {number} */ (scene.needle)) * (height - 8);
    const y = turn + (height / 2 - turn) * near;
    const glow = this.#glow(Math.max(1, Math.round(height * (scene.playing ? 0.34 : 0.2))), scene.playing); // no height yet: its style is on its way
    context.drawImage(glow, Math.round(x - glow.width / 2), Math.round(y - glow.height / 2));
    context.fillStyle = "rgba(255,224,176,.6)";
    context.fillRect(Math.round(x), 0, 1, height);
    context.fillStyle = "#fff6e6";
    context.beginPath();
    context.arc(x, y, Math.max(3, height / 44), 0, 2 * Math.PI);
    context.fill();
  }

  /** Painted once for each size. @param {number} reach @param {boolean} playing */
  #glow(reach, playing) {
    const key = `${reach} ${playing}`;
    const { canvas } = this.glow;
    if (this.glow.key === key) return canvas;
    this.glow.key = key;
    canvas.width = canvas.height = 2 * reach;
    const context = brush(canvas);
    const glow = context.createRadialGradient(reach, reach, 0, reach, reach, reach);
    glow.addColorStop(0, `rgba(255,214,150,${playing ? 0.95 : 0.7})`);
    glow.addColorStop(0.16, `rgba(255,196,107,${playing ? 0.55 : 0.3})`);
    glow.addColorStop(1, "rgba(255,196,107,0)");
    context.fillStyle = glow;
    context.fillRect(0, 0, 2 * reach, 2 * reach);
    return canvas;
  }
}

/** What is cut away is dimmed. @param {CanvasRenderingContext2D} context @param {(frame: number) => number} across @param {any} cut */
function outside(context, across, cut) {
  const { width, height } = context.canvas;
  context.fillStyle = "rgba(10,10,13,.5)";
  const left = Math.min(width, Math.max(0, across(cut.start)));
  const right = Math.min(width, Math.max(0, across(cut.stop)));
  if (left > 0) context.fillRect(0, 0, left, height);
  if (right < width) context.fillRect(right, 0, width - right, height);
}

/** The chosen region, and where each track begins. @param {CanvasRenderingContext2D} context @param {(frame: number) => number} across @param {Scene} scene */
function lines(context, across, scene) {
  const { width, height } = context.canvas;
  if (scene.region) {
    const left = across(scene.region.start);
    const right = across(scene.region.stop);
    context.fillStyle = "rgba(255,196,107,.18)";
    context.fillRect(left, 0, right - left, height);
    context.fillStyle = "#ffc46b";
    context.fillRect(left, 0, 2, height);
    context.fillRect(right - 2, 0, 2, height);
  }
  context.fillStyle = "rgba(255,255,255,.75)";
  const wide = Math.max(1, Math.round(width / 1100));
  for (const mark of scene.marks) {
    const x = Math.round(across(mark.frame));
    if (x < -2 || x > width + 2) continue;
    if (!mark.segue) context.fillRect(x, 0, wide, height);
    else for (let y = 0; y < height; y += 11) context.fillRect(x, y, wide, 5);
  }
}
