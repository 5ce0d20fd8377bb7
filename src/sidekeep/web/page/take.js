/** One take: what was measured, its damage, and pieces of its picture at any zoom. */
import { useEffect, useState } from "./html.js";
import { LP_RPM } from "./pictures/light.js";
import { AGAIN_MS } from "./store.js";
import { get, getBytes, Refused, takeApi } from "./server.js";

const TILE_COLUMNS = 4096;
const MOST_TILES = 160;
/** Levels up that stand in for a piece that has not come yet. */
const COARSER = 5;
/** Mended pictures are made from samples: only close up. */
export const MENDED_LEVEL = 6;

/** @typedef {import("./shapes.js").Tile} Tile */

export class Take {
  /** @param {string} id @param {any} view @param {any[]} repairs */
  constructor(id, view, repairs) {
    this.id = id;
    this.view = view;
    /** @type {number} */
    this.rate_hz = view.rate_hz;
    /** @type {number} */
    this.length = view.length_frames;
    /** @type {number} */
    this.channels = view.channels;
    this.period = view.turn?.period_frames || (60 / LP_RPM) * view.rate_hz;
    this.origin = view.turn?.origin_frame ?? 0;
    /** @type {import("./shapes.js").Repair[]} */
    this.repairs = repairs;
    /** Grows whenever a repair was left or mended. */
    this.version = 0;
    /** @type {Map<string, Tile | "coming">} */
    this.tiles = new Map();
    /** @type {Set<() => void>} */
    this.waiting = new Set();
  }

  /** Place in the turn, 0 to 1. @param {number} frame */
  angle(frame) {
    const turns = (frame - this.origin) / this.period;
    return turns - Math.floor(turns);
  }

  /** The first that ends after a frame. @param {number} frame */
  firstRepair(frame) {
    let low = 0;
    let high = this.repairs.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.repairs[middle][2] <= frame) low = middle + 1;
      else high = middle;
    }
    return low;
  }
  /** @param {number} start @param {number} stop */
  repairsIn(start, stop) {
    const found = [];
    for (let at = this.firstRepair(start); at < this.repairs.length && this.repairs[at][1] < stop; at += 1) found.push(this.repairs[at]);
    return found;
  }

  /** Power of two frames a column. @param {number} frames_per_pixel */
  level(frames_per_pixel) {
    return Math.max(0, Math.floor(Math.log2(Math.max(1, frames_per_pixel))));
  }

  /**
   * There at once, or asked for and undefined.
   * @param {number} level @param {number} index @param {"played" | "mended"} version @returns {Tile | undefined}
   */
  tile(level, index, version = "played") {
    const key = `${version}/${level}/${index}`;
    const have = this.tiles.get(key);
    if (have === "coming") return undefined;
    if (have) {
      this.tiles.delete(key);
      this.tiles.set(key, have);
      return have;
    }
    const step = 2 ** level;
    const start = index * TILE_COLUMNS * step;
    const stop = Math.min(this.length, start + TILE_COLUMNS * step);
    if (index < 0 || start >= stop) return undefined;
    this.tiles.set(key, "coming");
    const width = Math.ceil((stop - start) / step);
    void getBytes(takeApi(this.id, `peaks?start_frame=${start}&stop_frame=${stop}&width=${width}&as=${version}`)).then(
      ({ bytes, about }) => {
        if (this.tiles.get(key) !== "coming") return;
        this.tiles.set(key, { values: new Float32Array(bytes), columns: about.columns, channels: about.channels });
        for (const old of this.tiles.keys()) {
          if (this.tiles.size <= MOST_TILES) break;
          this.tiles.delete(old);
        }
        this.waiting.forEach((hear) => hear());
      },
      () => this.tiles.delete(key),
    );
    return undefined;
  }

  /** Until a piece has come, the coarser one around it shows its place. @param {number} level @param {number} index @param {string} version */
  #coarser(level, index, version) {
    for (let up = 1; up <= COARSER; up += 1) {
      const tile = this.tiles.get(`${version}/${level + up}/${index >> up}`);
      if (tile && tile !== "coming") return { tile, up };
    }
    return { tile: undefined, up: 0 };
  }

  /**
   * Columns of a span, one for each pixel: low and high of two channels, NaN where nothing has come yet.
   * @param {number} start @param {number} stop @param {number} width @param {"played" | "mended"} [version]
   * @param {Float32Array} [out] room that is used again
   * @returns {Float32Array} width x 4: left low, left high, right low, right high
   */
  columns(start, stop, width, version = "played", out = new Float32Array(width * 4)) {
    const per_pixel = (stop - start) / width;
    const level = version === "mended" ? Math.min(MENDED_LEVEL, this.level(per_pixel)) : this.level(per_pixel);
    const step = 2 ** level;
    out.fill(NaN, 0, width * 4);
    let index = -1;
    /** @type {Tile | undefined} */
    let tile;
    let up = 0;
    for (let x = 0; x < width; x += 1) {
      const from = Math.floor((start + x * per_pixel) / step);
      const to = Math.max(from + 1, Math.floor((start + (x + 1) * per_pixel) / step));
      let left_low = Infinity, left_high = -Infinity, right_low = Infinity, right_high = -Infinity;
      for (let column = from; column < to; column += 1) {
        if (column < 0) continue;
        const wanted = Math.floor(column / TILE_COLUMNS);
        if (wanted !== index) {
          index = wanted;
          tile = this.tile(level, index, version);
          up = 0;
          if (!tile) ({ tile, up } = this.#coarser(level, index, version));
        }
        const at = (column >> up) % TILE_COLUMNS;
        if (!tile || at >= tile.columns) continue;
        const held = tile.values;
        const here = at * tile.channels * 2;
        const other = tile.channels > 1 ? here + 2 : here;
        if (held[here] < left_low) left_low = held[here];
        if (held[here + 1] > left_high) left_high = held[here + 1];
        if (held[other] < right_low) right_low = held[other];
        if (held[other + 1] > right_high) right_high = held[other + 1];
      }
      if (left_low <= left_high) {
        const place = x * 4;
        out[place] = left_low;
        out[place + 1] = left_high;
        out[place + 2] = right_low;
        out[place + 3] = right_high;
      }
    }
    return out;
  }

  /** Single samples, both channels. @param {number} start @param {number} stop */
  async samples(start, stop) {
    const from = Math.max(0, start);
    const to = Math.min(this.length, stop);
    const { bytes, about } = await getBytes(takeApi(this.id, `peaks?start_frame=${from}&stop_frame=${to}&width=${to - from}`));
    const values = new Float32Array(bytes);
    const out = new Float32Array(about.columns);
    for (let at = 0; at < about.columns; at += 1) for (let channel = 0; channel < about.channels; channel += 1) out[at] += values[(at * about.channels + channel) * 2];
    return { start: about.start_frame, values: out };
  }

  /** One repair was left or mended here: it is heard before the list of all has come again. @param {string | number} id @param {boolean} left */
  settle(id, left) {
    if (this.repairs.some((repair) => repair[0] === id && repair[7] !== left)) this.renew(this.repairs.map((repair) => (repair[0] === id ? /** @type {any} */ ([...repair.slice(0, 7), left, ...repair.slice(8)]) : repair)));
  }
  /** A repair was left or mended. @param {any[]} repairs */
  renew(repairs) {
    this.repairs = repairs;
    this.version += 1;
    for (const key of [...this.tiles.keys()]) if (key.startsWith("mended")) this.tiles.delete(key);
    this.waiting.forEach((hear) => hear());
  }
}

/** The pictures of one take are some ten megabytes: those looked at last are kept, for going back and forth. @type {Map<string, Take>} */
const kept = new Map();
const MOST_TAKES = 4;
/** @param {Take} take */
function keep(take) {
  kept.delete(take.id);
  kept.set(take.id, take);
  for (const id of kept.keys()) if (kept.size > MOST_TAKES) kept.delete(id);
}

/**
 * Read again when the record changes.
 * @param {string | null} id @param {unknown} revision
 * @returns {{take: Take | null, trouble: string}}
 */
export function useTake(id, revision) {
  const [take, setTake] = useState(() => (id ? (kept.get(id) ?? null) : null));
  const [trouble, setTrouble] = useState("");
  const [asked, askAgain] = useState(0);
  useEffect(() => {
    if (!id) return;
    let stale = false;
    Promise.all([get(takeApi(id, "view")), get(takeApi(id, "damage"))]).then(
      ([view, damage]) => {
        if (stale) return;
        const have = kept.get(id);
        if (have && have.view.surveyed === view.surveyed && have.view.repairs_count === view.repairs_count) {
          have.view = view;
          if (JSON.stringify(have.repairs) !== JSON.stringify(damage.repairs)) have.renew(damage.repairs);
          keep(have);
          setTake(have);
        } else {
          const made = new Take(id, view, damage.repairs);
          keep(made);
          setTake(made);
        }
        setTrouble("");
      },
      (error) => {
        if (!(error instanceof Refused)) throw error;
        if (stale) return;
        if (error.code !== "away") setTrouble(error.message);
        else if (!kept.has(id)) setTimeout(() => askAgain(asked + 1), AGAIN_MS);
      },
    );
    return () => {
      stale = true;
    };
  }, [id, revision, asked]);
  return { take: take?.id === id ? take : null, trouble };
}
