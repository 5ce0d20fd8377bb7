/** The disc so near that each turn of the groove is seen, with its two walls: written as pixels, each from where it lies. */
import { mix, packed, spot } from "./pixels.js";
import { SAMPLE_PIXELS, Walls } from "./walls.js";

/** From how many pixels from turn to turn on. */
export const TURN_PIXELS = 9;
/** Parts of the way from turn to turn: from the middle to a wall at rest, and how far a wall swings. */
const HALF = 0.24;
const SWING = 0.2;
/** However near, one turn fits on the canvas. */
const MOST_OF_HEIGHT = 0.85;
const [LAND, DEPTH, UPPER, LOWER] = ["#5f5f64", "#0b0c0f", "#fffaf0", "#d8d1c5"].map(packed);

/** @typedef {import("../shapes.js").Seen} Seen */

export class Turns {
  /** @param {import("../take.js").Take} take @param {ReturnType<typeof import("./light.js").placing>} place @param {{start: number, stop: number}} span */
  constructor(take, place, span) {
    this.take = take;
    this.place = place;
    this.span = span;
    this.pitch = (place.outer - place.inner) / ((span.stop - span.start) / take.period);
    this.walls = new Walls(take);
  }

  /** Whether the turns are seen at this scale. @param {number} scale */
  areSeen(scale) {
    return this.pitch * scale >= TURN_PIXELS;
  }

  /** Whether nothing but turns is seen. @param {import("./pixels.js").Pixels} pixels @param {Seen} seen */
  cover(pixels, seen) {
    const middle = Math.hypot(seen.x, seen.y);
    const reach = Math.hypot(pixels.width, pixels.height) / 2 / seen.scale;
    return middle + reach < this.place.outer && middle - reach > this.place.inner;
  }

  /** @param {import("./pixels.js").Pixels} pixels @param {Seen} seen */
  write(pixels, seen) {
    const { take, place, pitch } = this;
    const { data, width, height } = pixels;
    const { scale } = seen;
    const middle = Math.hypot(seen.x, seen.y) || 1;
    const out_x = seen.x / middle;
    const out_y = seen.y / middle;
    const at_middle = ((-Math.atan2(seen.y, seen.x) / (2 * Math.PI)) % 1 + 1) % 1;
    const reach = Math.hypot(width, height) / 2 / scale;
    const spread = Math.asin(Math.min(1, reach / middle)) / (2 * Math.PI) + 1e-6;
    const columns = Math.min(2 * width, Math.ceil(2 * spread * 2 * Math.PI * middle * scale));
    const first = Math.floor(this.#turn(middle + reach) - at_middle - 0.5);
    const last = Math.ceil(this.#turn(middle - reach) - at_middle + 0.5);
    /** @type {Float32Array[]} */
    const rows = [];
    let peak = 0.01;
    for (let turn = first; turn <= last; turn += 1) {
      const from = take.origin + (turn + at_middle - spread) * take.period;
      const row = this.walls.read(`turn ${turn - first}`, from, from + 2 * spread * take.period, columns);
      for (let at = 0; at < columns * 4; at += 1) if (row[at] > peak) peak = row[at];
      rows.push(row);
    }
    const swing = SWING * 2 ** -Math.ceil(Math.log2(peak));
    const drawn = Math.min(pitch, (MOST_OF_HEIGHT * height) / scale);
    const pixel = 1 / (drawn * scale);
    const thick = Math.max(0.8 * pixel, Math.min(0.012, 1.6 * pixel));
    for (let y = 0, at = 0; y < height; y += 1) {
      for (let x = 0; x < width; x += 1, at += 1) {
        const dx = (x + 0.5 - width / 2) / scale;
        const dy = (y + 0.5 - height / 2) / scale;
        const outward = middle + dx * out_x + dy * out_y;
        const along = dx * out_y - dy * out_x;
        const radius = Math.sqrt(outward * outward + along * along);
        if (radius > place.outer + pitch || radius < place.inner - pitch) continue;
        const slope = along / outward;
        const square = slope * slope;
        const away = (slope * (1 - square / 3 + (square * square) / 5)) / (2 * Math.PI);
        const turns = this.#turn(radius);
        const turn = Math.round(turns - at_middle - away);
        const row = rows[turn - first];
        const column = Math.floor(((away + spread) / (2 * spread)) * columns);
        if (!row || column < 0 || column >= columns) {
          data[at] = LAND;
          continue;
        }
        const left = row[column * 4];
        if (left !== left) {
          data[at] = LAND;
          continue;
        }
        const out = ((turn + at_middle + away - turns) * pitch) / drawn;
        const upper_low = HALF + left * swing;
        const upper_high = HALF + row[column * 4 + 1] * swing;
        const lower_low = -HALF + row[column * 4 + 2] * swing;
        const lower_high = -HALF + row[column * 4 + 3] * swing;
        let colour = mix(LAND, DEPTH, cover(Math.min(upper_low - out, out - lower_high), pixel));
        colour = mix(colour, UPPER, cover(Math.min(upper_high + thick - out, out - upper_low + thick), pixel));
        data[at] = mix(colour, LOWER, cover(Math.min(lower_high + thick - out, out - lower_low + thick), pixel));
      }
    }
    this.#dots(pixels, seen, { first, last, at_middle, spread, swing, drawn });
  }

  /** Turns from the origin to a radius, along the groove's slow way inward. @param {number} radius */
  #turn(radius) {
    const { place, span, take } = this;
    return (span.start + ((place.outer - radius) / (place.outer - place.inner)) * (span.stop - span.start) - take.origin) / take.period;
  }

  /** Single samples. @param {import("./pixels.js").Pixels} pixels @param {Seen} seen @param {{first: number, last: number, at_middle: number, spread: number, swing: number, drawn: number}} how */
  #dots(pixels, seen, { first, last, at_middle, spread, swing, drawn }) {
    const { take, place } = this;
    const apart = (2 * Math.PI * Math.hypot(seen.x, seen.y) * seen.scale) / take.period;
    if (apart < SAMPLE_PIXELS) return;
    const dot = spot(Math.min(5, apart / 3));
    for (let turn = first; turn <= last; turn += 1) {
      const from = take.origin + (turn + at_middle - spread) * take.period;
      const { first: sample, count, samples } = this.walls.samples("dots", from, from + 2 * spread * take.period, "played");
      for (let at = 0; at < count; at += 1) {
        if (Number.isNaN(samples[at * 4])) continue;
        const angle = 2 * Math.PI * take.angle(sample + at);
        for (const [channel, side, colour] of [[0, HALF, UPPER], [2, -HALF, LOWER]]) {
          const radius = place.radius(sample + at) + drawn * (side + samples[at * 4 + channel] * swing);
          pixels.stamp(dot, (radius * Math.cos(angle) - seen.x) * seen.scale + pixels.width / 2, (-radius * Math.sin(angle) - seen.y) * seen.scale + pixels.height / 2, colour, 1);
        }
      }
    }
  }
}

/** How much of a pixel lies inside, 0 to 256. @param {number} inside distance from the edge @param {number} pixel its size in the same unit */
function cover(inside, pixel) {
  return Math.round(256 * Math.min(1, Math.max(0, inside / pixel + 0.5)));
}
