/**
 * The groove as through a glass: its two walls as cut, the left channel in one and the right in the other at 45 degrees each, so
 * that what both channels share moves the groove sideways and what sets them apart makes it wider or narrower. Above it lies
 * the turn before, below it the turn after.
 */
import { MENDED_LEVEL } from "../take.js";
import { mix, packed, ramp, spot } from "./pixels.js";
import { SAMPLE_PIXELS, Walls } from "./walls.js";

/** Parts of the height: from the middle to a wall at rest, and how far a wall swings; walls never cross. */
const HALF = 0.19;
const SWING = 0.16;
const NEIGHBOUR = 0.64;
const LAND = /** @type {[number, string][]} */ ([[0, "#55565c"], [0.5, "#7b7a78"], [1, "#47484e"]]);
const DEPTH = /** @type {[number, string][]} */ ([[-HALF, "#1b1c21"], [0, "#08090b"], [HALF, "#22232a"]]);
const [UPPER, LOWER, AMBER] = ["#fffaf0", "#d8d1c5", "#ffc46b"].map(packed);

export class GroovePicture {
  /** @param {import("../take.js").Take} take */
  constructor(take) {
    this.take = take;
    this.height = 0;
    this.land = ramp(0, []);
    /** @type {{away: number, depth: Uint32Array}[]} */
    this.grooves = [];
    this.walls = new Walls(take);
  }

  /** @param {number} height */
  #ramps(height) {
    if (this.height === height) return;
    this.height = height;
    this.land = ramp(height, LAND.map(([at, hex]) => [at, packed(hex)]));
    this.grooves = [-NEIGHBOUR, NEIGHBOUR, 0].map((away) => {
      const depth = ramp(height, DEPTH.map(([at, hex]) => [0.5 + away + at, packed(hex)]));
      if (away !== 0) depth.forEach((colour, y) => (depth[y] = mix(this.land[y], colour, 192)));
      return { away, depth };
    });
    this.dot = spot(Math.max(2, height / 52));
  }

  /** @param {import("./pixels.js").Pixels} pixels @param {number} start @param {number} stop @param {string} version @param {number} peak the loudest near here, of full scale */
  draw(pixels, start, stop, version, peak) {
    const { take } = this;
    const { width, height } = pixels;
    this.#ramps(height);
    pixels.fill(this.land);
    const swing = SWING * height * 2 ** -Math.ceil(Math.log2(Math.max(0.01, peak)));
    const played = this.walls.read("played", start, stop, width);
    for (const { away, depth } of this.grooves) {
      const values = away === 0 ? played : this.walls.read(away < 0 ? "before" : "after", start + Math.sign(away) * take.period, stop + Math.sign(away) * take.period, width);
      const upper = (0.5 + away - HALF) * height;
      const lower = (0.5 + away + HALF) * height;
      this.#hollow(pixels, values, upper, lower, swing, depth);
    }
    const close = take.view.surveyed !== false && version !== "played" && take.level((stop - start) / width) <= MENDED_LEVEL;
    if (close && take.repairsIn(start, stop).length > 0) {
      this.#light(pixels, played, swing, AMBER, AMBER);
      this.#light(pixels, this.walls.read("mended", start, stop, width, "mended"), swing, UPPER, LOWER);
      this.#dots(pixels, start, stop, swing, "mended");
    } else {
      this.#light(pixels, played, swing, UPPER, LOWER);
      this.#dots(pixels, start, stop, swing, "played");
    }
  }

  /** Between the walls; rows that are inside in every column are filled as rows, many times quicker. @param {import("./pixels.js").Pixels} pixels @param {Float32Array} values @param {number} upper @param {number} lower @param {number} swing @param {Uint32Array} depth */
  #hollow(pixels, values, upper, lower, swing, depth) {
    const { width, height, data } = pixels;
    let inside = 0;
    let outside = height;
    for (let x = 0; x < width; x += 1) {
      const top = upper - values[x * 4] * swing;
      const bottom = lower - values[x * 4 + 3] * swing;
      if (!(top <= inside)) inside = top === top ? top : height;
      if (!(bottom >= outside)) outside = bottom === bottom ? bottom : 0;
    }
    const first = Math.ceil(inside);
    const last = Math.floor(outside);
    const rows = first < last;
    for (let y = first; rows && y < last; y += 1) data.fill(depth[y], y * width, (y + 1) * width);
    for (let x = 0; x < width; x += 1) {
      const top = upper - values[x * 4] * swing;
      if (top !== top) continue;
      const bottom = lower - values[x * 4 + 3] * swing;
      if (!rows) {
        pixels.column(x, top, bottom, depth);
        continue;
      }
      pixels.column(x, top, first, depth);
      pixels.column(x, last, bottom, depth);
    }
  }

  /** On both walls, as thick as what a pixel holds. @param {import("./pixels.js").Pixels} pixels @param {Float32Array} values @param {number} swing @param {number} upper @param {number} lower */
  #light(pixels, values, swing, upper, lower) {
    const { width, height } = pixels;
    const thick = height / 180;
    const rest_upper = (0.5 - HALF) * height;
    const rest_lower = (0.5 + HALF) * height;
    for (let x = 0; x < width; x += 1) {
      const low = values[x * 4];
      if (low !== low) continue;
      pixels.column(x, rest_upper - values[x * 4 + 1] * swing - thick, rest_upper - low * swing + thick, upper);
      pixels.column(x, rest_lower - values[x * 4 + 3] * swing - thick, rest_lower - values[x * 4 + 2] * swing + thick, lower);
    }
  }

  /** Single samples, where they lie far enough apart. @param {import("./pixels.js").Pixels} pixels @param {number} start @param {number} stop @param {number} swing @param {"played" | "mended"} version */
  #dots(pixels, start, stop, swing, version) {
    const { width, height } = pixels;
    const apart = width / (stop - start);
    if (apart < SAMPLE_PIXELS || !this.dot) return;
    const { first, count, samples } = this.walls.samples("dots", start, stop, version);
    for (let at = 0; at < count; at += 1) {
      if (Number.isNaN(samples[at * 4])) continue;
      const x = (first + at - start) * apart;
      pixels.stamp(this.dot, x, (0.5 - HALF) * height - samples[at * 4] * swing, UPPER, 1);
      pixels.stamp(this.dot, x, (0.5 + HALF) * height - samples[at * 4 + 2] * swing, LOWER, 1);
    }
  }
}
