/** Where a mark lands: at the edge of the music beside it, else where the samples cross zero. */

const QUIET_DB = 14;
const SHORTEST_GAP_S = 0.25;
const CATCH_PIXELS = 9;
const CROSSING_S = 0.002;

/**
 * The quiet stretches of a side, from its envelope: where the level stays well below the loud parts.
 * @param {{bin_frames: number, db: ArrayLike<number>}} envelope @param {number} rate_hz @returns {{start: number, stop: number}[]}
 */
export function quietParts({ bin_frames, db }, rate_hz) {
  const sorted = Float32Array.from(db).sort();
  if (!sorted.length) return [];
  const floor = sorted[Math.floor(0.02 * (sorted.length - 1))];
  const loud = sorted[Math.floor(0.8 * (sorted.length - 1))];
  const border = Math.min(floor + QUIET_DB, (floor + loud) / 2);
  const parts = [];
  let from = -1;
  for (let bin = 0; bin <= db.length; bin += 1) {
    const quiet = bin < db.length && db[bin] < border;
    if (quiet && from < 0) from = bin;
    if (!quiet && from >= 0) {
      if ((bin - from) * bin_frames >= SHORTEST_GAP_S * rate_hz) parts.push({ start: from * bin_frames, stop: bin * bin_frames });
      from = -1;
    }
  }
  return parts;
}

/**
 * While a mark is dragged: the end of a quiet part for a start, its beginning for a stop, if near enough to catch.
 * @param {number} frame @param {"start" | "stop"} edge @param {{start: number, stop: number}[]} quiet @param {number} frames_per_pixel
 * @returns {{frame: number, caught: string}}
 */
export function catchGap(frame, edge, quiet, frames_per_pixel) {
  const reach = CATCH_PIXELS * frames_per_pixel;
  let best = { frame, caught: "" };
  let nearest = reach;
  for (const part of quiet) {
    const place = edge === "start" ? part.stop : part.start;
    const away = Math.abs(place - frame);
    if (away < nearest) {
      nearest = away;
      best = { frame: Math.round(place), caught: edge === "start" ? "where the music begins" : "where the music ends" };
    }
  }
  return best;
}

/**
 * The nearest frame at which the sum of the channels crosses zero, within two milliseconds; the frame itself where there is none.
 * @param {number} frame @param {{start: number, values: Float32Array}} samples @param {number} rate_hz
 */
export function nearestCrossing(frame, samples, rate_hz) {
  const reach = Math.round(CROSSING_S * rate_hz);
  const { start, values } = samples;
  for (let away = 0; away <= reach; away += 1) {
    for (const at of [frame - start - away, frame - start + away]) {
      if (at > 0 && at < values.length && values[at - 1] <= 0 !== values[at] <= 0) return start + at;
    }
  }
  return frame;
}

/** @param {number} rate_hz */
export const crossingReach = (rate_hz) => Math.ceil(CROSSING_S * rate_hz) + 2;
