/**
 * Pixels written straight into memory and put on a canvas in one go: it costs the same however much is in it. Colours are packed as
 * the canvas holds them (red lowest, little-endian, which every browser's machine is).
 */

/** @param {number} red @param {number} green @param {number} blue */
export const pack = (red, green, blue) => (0xff000000 | (blue << 16) | (green << 8) | red) >>> 0;

/** #rrggbb packed. @param {string} hex */
export function packed(hex) {
  const value = parseInt(hex.slice(1), 16);
  return pack(value >> 16, (value >> 8) & 255, value & 255);
}

/** From one colour to another. @param {number} from @param {number} to @param {number} share 0 to 256 */
export function mix(from, to, share) {
  const rest = 256 - share;
  const red_blue = (((from & 0xff00ff) * rest + (to & 0xff00ff) * share) >>> 8) & 0xff00ff;
  const green = (((from >>> 8) & 255) * rest + ((to >>> 8) & 255) * share) & 0xff00;
  return (0xff000000 | red_blue | green) >>> 0;
}

/** A colour for every row between stops from the top (0) to the bottom (1). @param {number} height @param {[number, number][]} stops place and packed colour @returns {Uint32Array} */
export function ramp(height, stops) {
  const out = new Uint32Array(height);
  for (let y = 0; y < height; y += 1) {
    const place = (y + 0.5) / height;
    let next = stops.findIndex(([at]) => at > place);
    if (next < 0) next = stops.length;
    if (next === 0 || next === stops.length) out[y] = stops[Math.max(0, next - 1)][1];
    else out[y] = mix(stops[next - 1][1], stops[next][1], Math.round((256 * (place - stops[next - 1][0])) / (stops[next][0] - stops[next - 1][0])));
  }
  return out;
}

/** @typedef {import("../shapes.js").Stamp} Stamp */

/** A round spot, or a ring of some thickness. @param {number} radius pixels @param {number} [thick] @returns {Stamp} */
export function spot(radius, thick = Infinity) {
  const reach = Math.ceil(radius + 0.5);
  const size = 2 * reach + 1;
  const cover = new Uint8Array(size * size);
  for (let y = -reach; y <= reach; y += 1) {
    for (let x = -reach; x <= reach; x += 1) {
      const away = Math.hypot(x, y);
      const inside = Math.min(1, Math.max(0, radius - away + 0.5));
      const hole = Math.min(1, Math.max(0, radius - thick - away + 0.5));
      cover[(y + reach) * size + x + reach] = Math.round(255 * (inside - hole));
    }
  }
  return { size, cover };
}

export class Pixels {
  constructor() {
    this.width = 0;
    this.height = 0;
    /** @type {ImageData | null} */
    this.image = null;
    this.data = new Uint32Array(0);
  }

  /** @param {number} width @param {number} height @returns {boolean} whether the size changed */
  fit(width, height) {
    if (this.image && this.width === width && this.height === height) return false;
    this.image = new ImageData(width, height);
    this.data = new Uint32Array(this.image.data.buffer);
    this.width = width;
    this.height = height;
    return true;
  }

  /** Every row in its colour. @param {Uint32Array} rows */
  fill(rows) {
    for (let y = 0; y < this.height; y += 1) this.data.fill(rows[y], y * this.width, (y + 1) * this.width);
  }

  /** Its two ends softened. @param {number} x @param {number} top @param {number} bottom @param {Uint32Array | number} colour one, or one for every row */
  column(x, top, bottom, colour) {
    const { data, width, height } = this;
    const from = Math.max(0, top);
    const to = Math.min(height, bottom);
    if (!(to > from)) return;
    const first = Math.ceil(from);
    const last = Math.floor(to);
    const one = typeof colour === "number";
    if (first > last) {
      const place = last * width + x;
      data[place] = mix(data[place], one ? colour : colour[last], Math.round(256 * (to - from)));
      return;
    }
    if (first > from) {
      const place = (first - 1) * width + x;
      data[place] = mix(data[place], one ? colour : colour[first - 1], Math.round(256 * (first - from)));
    }
    if (one) for (let y = first, place = first * width + x; y < last; y += 1, place += width) data[place] = colour;
    else for (let y = first, place = first * width + x; y < last; y += 1, place += width) data[place] = colour[y];
    if (to > last) {
      const place = last * width + x;
      data[place] = mix(data[place], one ? colour : colour[last], Math.round(256 * (to - last)));
    }
  }

  /** @param {Stamp} stamp @param {number} x of its middle @param {number} y @param {number} colour @param {number} opacity 0 to 1 */
  stamp({ size, cover }, x, y, colour, opacity) {
    const { data, width, height } = this;
    const left = Math.round(x) - (size >> 1);
    const top = Math.round(y) - (size >> 1);
    for (let row = Math.max(0, -top); row < size && top + row < height; row += 1) {
      for (let column = Math.max(0, -left); column < size && left + column < width; column += 1) {
        const share = cover[row * size + column];
        if (share === 0) continue;
        const place = (top + row) * width + left + column;
        data[place] = mix(data[place], colour, (share * opacity * 257) >> 8);
      }
    }
  }

  /** @param {CanvasRenderingContext2D} context */
  put(context) {
    if (this.image) context.putImageData(this.image, 0, 0);
  }
}
