/**
 * A side unrolled: time to the right, once round the disc from bottom to top. Near enough, the single groove itself:
 * its two walls as cut, the left channel in one and the right in the other at 45 degrees each, so that what both
 * channels share moves the groove sideways and what sets them apart makes it wider or narrower.
 */
import { css, lightOf, loudOf, MARK_WIDTH, shade } from "./light.js";
import { MENDED_LEVEL } from "../take.js";

const NEAR_S = 0.16;
const FAR_S = 0.7;
const SAMPLE_PIXELS = 5;
const NEIGHBOUR_STEP = 3;
/** Parts of the height: from the middle to a wall at rest, and how far a wall swings; walls never cross. */
const HALF = 0.19;
const SWING = 0.16;

/** 0: turns are seen; 1: the groove is. @param {number} span_s */
export function nearness(span_s) {
  const share = Math.min(1, Math.max(0, (Math.log(FAR_S) - Math.log(span_s)) / (Math.log(FAR_S) - Math.log(NEAR_S))));
  return share * share * (3 - 2 * share);
}

export class StripPicture {
  /** @param {import("../take.js").Take} take */
  constructor(take) {
    this.take = take;
    const envelope = take.view.envelope ?? { bin_frames: 1, db: [] };
    this.loud = loudOf(envelope.peak_db ?? envelope.db);
    this.bin = envelope.bin_frames;
    this.far = document.createElement("canvas");
    this.far.width = Math.max(1, envelope.db.length);
    this.far.height = 1;
    this.row = document.createElement("canvas");
    this.row.height = 1;
    this.#paintFar(envelope.peak_db ?? envelope.db);
  }

  /** @param {number[]} levels */
  #paintFar(levels) {
    const context = /** @type {CanvasRenderingContext2D} */ (this.far.getContext("2d"));
    const pixels = context.createImageData(this.far.width, 1);
    levels.forEach((level, at) => {
      const before = levels[Math.max(0, at - 1)];
      const after = levels[Math.min(levels.length - 1, at + 1)];
      const middle = Math.max(Math.min(before, level), Math.min(Math.max(before, level), after));
      pixels.data.set([...shade(lightOf(middle, this.loud), true), 255], at * 4);
    });
    context.putImageData(pixels, 0, 0);
  }

  /**
   * @param {HTMLCanvasElement} canvas
   * @param {{start: number, stop: number, needle: number | null, playing: boolean, version: string, choice: any, region: {start: number, stop: number} | null, marks: {frame: number, segue: boolean}[], cut: any}} scene
   */
  draw(canvas, scene) {
    const context = /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d", { alpha: false }));
    const { width, height } = canvas;
    const { start, stop } = scene;
    const per_pixel = (stop - start) / width;
    const near = nearness((stop - start) / this.take.rate_hz);
    /** @param {number} frame */
    const across = (frame) => ((frame - start) / (stop - start)) * width;
    this.#light(context, width, height, start, stop, per_pixel);
    const fall = context.createLinearGradient(0, 0, 0, height);
    fall.addColorStop(0, `rgba(16,17,21,${0.55 * (1 - near) + 0.35 * near})`);
    fall.addColorStop(0.42, `rgba(16,17,21,${0.2 * (1 - near) + 0.3 * near})`);
    fall.addColorStop(1, `rgba(16,17,21,${0.86 * (1 - near) + 0.5 * near})`);
    context.fillStyle = fall;
    context.fillRect(0, 0, width, height);
    if (scene.cut) this.#outside(context, across, width, height, scene.cut);
    if (near > 0.02) this.#groove(context, width, height, start, stop, near, scene.version);
    this.#damage(context, across, width, height, start, stop, near, scene.choice);
    if (scene.region) {
      const left = across(scene.region.start);
      context.fillStyle = "rgba(255,196,107,.18)";
      context.fillRect(left, 0, across(scene.region.stop) - left, height);
      context.fillStyle = "#ffc46b";
      context.fillRect(left, 0, 2, height);
      context.fillRect(across(scene.region.stop) - 2, 0, 2, height);
    }
    for (const mark of scene.marks) {
      const x = Math.round(across(mark.frame));
      if (x < -2 || x > width + 2) continue;
      context.strokeStyle = "rgba(255,255,255,.75)";
      context.lineWidth = Math.max(1, Math.round(width / 1100));
      context.setLineDash(mark.segue ? [5, 6] : []);
      context.beginPath();
      context.moveTo(x + 0.5, 0);
      context.lineTo(x + 0.5, height);
      context.stroke();
    }
    context.setLineDash([]);
    if (scene.needle !== null) this.#needle(context, across(scene.needle), height, near, scene);
  }

  /** @param {CanvasRenderingContext2D} context @param {number} width @param {number} height @param {number} start @param {number} stop @param {number} per_pixel */
  #light(context, width, height, start, stop, per_pixel) {
    context.imageSmoothingEnabled = per_pixel < this.bin;
    context.fillStyle = css(shade(0, true));
    context.fillRect(0, 0, width, height);
    const from = start / this.bin;
    const bins = (stop - start) / this.bin;
    // A canvas draws only what lies inside the source: the part of the strip that the envelope covers.
    const first = Math.max(0, from);
    const last = Math.min(this.far.width, from + bins);
    if (per_pixel < this.bin / 2) {
      this.#near(context, width, height, start, stop);
      return;
    }
    if (last > first) context.drawImage(this.far, first, 0, last - first, 1, ((first - from) / bins) * width, 0, ((last - first) / bins) * width, height);
  }

  /** What is cut away before and after the music is dimmed. @param {CanvasRenderingContext2D} context @param {(frame: number) => number} across @param {number} width @param {number} height @param {any} cut */
  #outside(context, across, width, height, cut) {
    context.fillStyle = "rgba(10,10,13,.5)";
    const left = Math.min(width, Math.max(0, across(cut.start)));
    const right = Math.min(width, Math.max(0, across(cut.stop)));
    context.fillRect(0, 0, left, height);
    context.fillRect(right, 0, width - right, height);
  }

  /** Finer than the envelope: light from the peaks themselves. @param {CanvasRenderingContext2D} context @param {number} width @param {number} height @param {number} start @param {number} stop */
  #near(context, width, height, start, stop) {
    const columns = this.take.columns(start, stop, width, "played");
    if (this.row.width !== width) this.row.width = width;
    const row = /** @type {CanvasRenderingContext2D} */ (this.row.getContext("2d"));
    const pixels = row.createImageData(width, 1);
    const levels = this.take.view.envelope?.peak_db ?? this.take.view.envelope?.db ?? [];
    for (let x = 0; x < width; x += 1) {
      const peak = Math.max(-columns[x * 4], columns[x * 4 + 1], -columns[x * 4 + 2], columns[x * 4 + 3]);
      const level = Number.isNaN(peak) ? (levels[Math.floor((start + (x / width) * (stop - start)) / this.bin)] ?? -60) : 20 * Math.log10(Math.max(peak, 1e-6));
      pixels.data.set([...shade(lightOf(level, this.loud), true), 255], x * 4);
    }
    row.putImageData(pixels, 0, 0);
    context.imageSmoothingEnabled = false;
    context.drawImage(this.row, 0, 0, width, 1, 0, 0, width, height);
  }

  /**
   * The groove as through a glass, with the one of the turn before above it and of the turn after below.
   * @param {CanvasRenderingContext2D} context @param {number} width @param {number} height @param {number} start @param {number} stop @param {number} near @param {string} version
   */
  #groove(context, width, height, start, stop, near, version) {
    const swing = SWING * height * 2 ** -Math.ceil(Math.log2(Math.max(0.01, this.#peak(start, stop))));
    context.globalAlpha = near;
    const land = context.createLinearGradient(0, 0, 0, height);
    land.addColorStop(0, "#55565c");
    land.addColorStop(0.5, "#7b7a78");
    land.addColorStop(1, "#47484e");
    context.fillStyle = land;
    context.fillRect(0, 0, width, height);
    const turn = this.take.period;
    this.#channel(context, this.#points(start - turn, stop - turn, width, "played", NEIGHBOUR_STEP), height, -0.64 * height, swing, near * 0.75);
    this.#channel(context, this.#points(start + turn, stop + turn, width, "played", NEIGHBOUR_STEP), height, 0.64 * height, swing, near * 0.75);
    const played = this.#points(start, stop, width, "played", 1);
    this.#channel(context, played, height, 0, swing, near);
    context.globalAlpha = near;
    const close = this.take.view.surveyed !== false && version !== "played" && this.take.level((stop - start) / width) <= MENDED_LEVEL;
    if (close && this.take.repairsIn(start, stop).length > 0) {
      this.#walls(context, played, height, swing, "#ffc46b", "#ffc46b");
      this.#walls(context, this.#points(start, stop, width, "mended", 1), height, swing, "#fffaf0", "#d8d1c5");
    } else this.#walls(context, played, height, swing, "#fffaf0", "#d8d1c5");
    context.globalAlpha = 1;
  }

  /** One groove: dark between its walls. @param {CanvasRenderingContext2D} context @param {{x: number, values: Float32Array}[]} points @param {number} height @param {number} away @param {number} swing @param {number} opacity */
  #channel(context, points, height, away, swing, opacity) {
    const middle = height / 2 + away;
    context.beginPath();
    for (const { x, values } of points) context.lineTo(x, middle - HALF * height - values[0] * swing);
    for (let at = points.length - 1; at >= 0; at -= 1) context.lineTo(points[at].x, middle + HALF * height - points[at].values[3] * swing);
    context.closePath();
    const depth = context.createLinearGradient(0, middle - HALF * height, 0, middle + HALF * height);
    depth.addColorStop(0, "#1b1c21");
    depth.addColorStop(0.5, "#08090b");
    depth.addColorStop(1, "#22232a");
    context.fillStyle = depth;
    context.globalAlpha = opacity;
    context.fill();
  }

  /** Where the walls are: single samples at their own places, else low and high of every pixel. @param {number} start @param {number} stop @param {number} width @param {"played" | "mended"} version @param {number} coarse pixels a point */
  #points(start, stop, width, version, coarse) {
    const single = stop - start < width;
    const first = single ? Math.floor(start) : start;
    const count = single ? Math.ceil(stop) - first + 1 : Math.ceil(width / coarse);
    const columns = this.take.columns(first, single ? first + count : stop, count, version);
    const points = [];
    for (let at = 0; at < count; at += 1) {
      if (Number.isNaN(columns[at * 4])) continue;
      points.push({ x: single ? ((first + at - start) / (stop - start)) * width : at * coarse, values: columns.subarray(at * 4, at * 4 + 4) });
    }
    return points;
  }

  /** Highest level near a span, from the envelope. @param {number} start @param {number} stop */
  #peak(start, stop) {
    const levels = this.take.view.envelope?.peak_db ?? this.take.view.envelope?.db ?? [];
    let highest = -60;
    for (let bin = Math.max(0, Math.floor(start / this.bin) - 1); bin <= Math.min(levels.length - 1, Math.ceil(stop / this.bin) + 1); bin += 1) highest = Math.max(highest, levels[bin]);
    return 10 ** (highest / 20);
  }

  /** The light on both walls: a band as thick as what each pixel holds, a line through single samples. @param {CanvasRenderingContext2D} context @param {{x: number, values: Float32Array}[]} points @param {number} height @param {number} swing @param {string} upper @param {string} lower */
  #walls(context, points, height, swing, upper, lower) {
    if (points.length < 2) return;
    const apart = points[1].x - points[0].x;
    const thick = height / 180;
    for (const [channel, side, colour] of /** @type {[number, number, string][]} */ ([[0, -1, upper], [2, 1, lower]])) {
      const rest = height / 2 + side * HALF * height;
      context.fillStyle = colour;
      context.strokeStyle = colour;
      context.beginPath();
      if (apart <= 1) {
        for (const { x, values } of points) context.lineTo(x, rest - values[channel + 1] * swing - thick);
        for (let at = points.length - 1; at >= 0; at -= 1) context.lineTo(points[at].x, rest - points[at].values[channel] * swing + thick);
        context.fill();
        continue;
      }
      for (const { x, values } of points) context.lineTo(x, rest - values[channel] * swing);
      context.lineWidth = 2 * thick;
      context.stroke();
      if (apart < SAMPLE_PIXELS) continue;
      context.beginPath();
      for (const { x, values } of points) {
        context.moveTo(x + height / 52, rest - values[channel] * swing);
        context.arc(x, rest - values[channel] * swing, height / 52, 0, 2 * Math.PI);
      }
      context.fill();
    }
  }

  /** @param {CanvasRenderingContext2D} context @param {(frame: number) => number} across @param {number} width @param {number} height @param {number} start @param {number} stop @param {number} near @param {any} choice */
  #damage(context, across, width, height, start, stop, near, choice) {
    const unit = Math.max(0.8, Math.min(height / 66, width / 480));
    const { take } = this;
    const paths = new Map();
    const left_alone = new Path2D();
    let chosen = null;
    const first = take.firstRepair(start);
    for (let at = first; at < take.repairs.length; at += 1) {
      const repair = take.repairs[at];
      if (repair[1] > stop) break;
      const middle = (repair[1] + repair[2]) / 2;
      const x = across(middle);
      const turn = height - 4 - (repair[6] ?? take.angle(repair[1])) * (height - 8);
      const y = turn + (height / 2 - turn) * near;
      if (choice?.kind === "repair" && choice.id === repair[0]) chosen = { x, y, repair };
      if (near > 0.05) {
        const from = across(repair[1]);
        const long = Math.max(2, across(repair[2]) - from);
        context.fillStyle = repair[7] ? `rgba(255,255,255,${0.12 * near})` : `rgba(255,196,107,${0.26 * near})`;
        context.fillRect(from, height * 0.06, long, height * 0.88);
      }
      if (near > 0.9) continue;
      const size = (MARK_WIDTH[/** @type {keyof typeof MARK_WIDTH} */ (repair[4])] ?? 1.2) * unit * 0.5;
      if (repair[7]) {
        left_alone.moveTo(x + size + 1.5, y);
        left_alone.arc(x, y, size + 1.5, 0, 2 * Math.PI);
      } else {
        const path = paths.get(repair[4]) ?? new Path2D();
        paths.set(repair[4], path);
        if (size < 1.6) path.rect(x - size, y - size, 2 * size, 2 * size);
        else {
          path.moveTo(x + size, y);
          path.arc(x, y, size, 0, 2 * Math.PI);
        }
      }
    }
    for (const [kind, path] of paths) {
      context.fillStyle = kind === "crackle" ? "rgba(255,196,107,.5)" : "#ffc46b";
      context.globalAlpha = 1 - near;
      context.fill(path);
    }
    context.strokeStyle = "#fff";
    context.lineWidth = 1.5;
    context.stroke(left_alone);
    context.globalAlpha = 1;
    if (chosen) {
      context.strokeStyle = "#fff";
      context.lineWidth = 2.5;
      context.beginPath();
      context.arc(chosen.x, chosen.y, 9 * Math.max(1, height / 260), 0, 2 * Math.PI);
      context.stroke();
    }
  }

  /** The needle's place glows. @param {CanvasRenderingContext2D} context @param {number} x @param {number} height @param {number} near @param {any} scene */
  #needle(context, x, height, near, scene) {
    if (x < -60 || x > context.canvas.width + 60) return;
    const turn = height - 4 - this.take.angle(scene.needle) * (height - 8);
    const y = turn + (height / 2 - turn) * near;
    const reach = height * (scene.playing ? 0.34 : 0.2);
    const glow = context.createRadialGradient(x, y, 0, x, y, reach);
    glow.addColorStop(0, `rgba(255,214,150,${scene.playing ? 0.95 : 0.7})`);
    glow.addColorStop(0.16, `rgba(255,196,107,${scene.playing ? 0.55 : 0.3})`);
    glow.addColorStop(1, "rgba(255,196,107,0)");
    context.fillStyle = glow;
    context.fillRect(x - reach, y - reach, 2 * reach, 2 * reach);
    context.fillStyle = "rgba(255,224,176,.6)";
    context.fillRect(Math.round(x), 0, 1, height);
    context.fillStyle = "#fff6e6";
    context.beginPath();
    context.arc(x, y, Math.max(3, height / 44), 0, 2 * Math.PI);
    context.fill();
  }
}
