/** The walls of the groove along a stretch of it: lowest and highest in every column of pixels, and lines through single samples. */

/** How near single samples come before they are drawn as dots. */
export const SAMPLE_PIXELS = 5;

export class Walls {
  /** @param {import("../take.js").Take} take */
  constructor(take) {
    this.take = take;
    /** @type {Map<string, Float32Array>} room that is used again from picture to picture */
    this.kept = new Map();
  }

  /**
   * Left low, left high, right low, right high of every column; NaN where nothing has come yet.
   * @param {string} what a name for the room @param {number} start @param {number} stop @param {number} width @param {"played" | "mended"} [version]
   */
  read(what, start, stop, width, version = "played") {
    const out = this.#room(what, width);
    if (stop - start >= width) return this.take.columns(start, stop, width, version, out);
    const { first, samples } = this.samples("samples", start, stop, version);
    const step = (stop - start) / width;
    for (let channel = 0; channel < 4; channel += 2) {
      let before = between(samples, start - first, channel);
      for (let x = 0; x < width; x += 1) {
        const to = start - first + (x + 1) * step;
        const after = between(samples, to, channel);
        let low = Math.min(before, after);
        let high = Math.max(before, after);
        const inside = Math.floor(to);
        if (inside > to - step) {
          low = Math.min(low, samples[inside * 4 + channel]);
          high = Math.max(high, samples[inside * 4 + channel]);
        }
        out[x * 4 + channel] = low;
        out[x * 4 + channel + 1] = high;
        before = after;
      }
    }
    return out;
  }

  /** Single samples around a span, four numbers a frame. @param {string} what @param {number} start @param {number} stop @param {"played" | "mended"} version */
  samples(what, start, stop, version) {
    const first = Math.floor(start);
    const count = Math.ceil(stop) - first + 2;
    return { first, count, samples: this.take.columns(first, first + count, count, version, this.#room(what, count)) };
  }

  /** @param {string} what @param {number} columns */
  #room(what, columns) {
    let have = this.kept.get(what);
    if (!have || have.length < columns * 4) {
      have = new Float32Array(columns * 4 + 256);
      this.kept.set(what, have);
    }
    return have;
  }
}

/** On the line between two samples. @param {Float32Array} samples four a frame @param {number} at @param {number} channel */
function between(samples, at, channel) {
  const first = Math.floor(at);
  const share = at - first;
  return samples[first * 4 + channel] * (1 - share) + samples[(first + 1) * 4 + channel] * share;
}
