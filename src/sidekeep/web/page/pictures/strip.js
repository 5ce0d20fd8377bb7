/**
 * A side unrolled: time to the right, once round the disc from bottom to top. Near enough, the single groove itself:
 * its two walls as cut, the left channel in one and the right in the other at 45 degrees each, so that what both
 * channels share moves the groove sideways and what sets them apart makes it wider or narrower.
 */
import { css, lightOf, loudOf, MARK_WIDTH, shade } from "./light.js";
import { MENDED_LEVEL } from "../take.js";

const NEAR_S = 2.2;
const FAR_S = 9;
const SAMPLE_PIXELS = 5;

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
    this.loud = loudOf(envelope.db);
    this.bin = envelope.bin_frames;
    this.far = document.createElement("canvas");
    this.far.width = Math.max(1, envelope.db.length);
    this.far.height = 1;
    this.row = document.createElement("canvas");
    this.row.height = 1;
    this.#paintFar(envelope.db);
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
    if (near > 0.02) this.#groove(context, width, height, start, stop, per_pixel, near, scene.version);
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

  /** @param {CanvasRenderingContext2D} context @param {number} width @param {number} height @param {number} start @param {number} stop @param {number} per_pixel @param {number} near @param {string} version */
  #groove(context, width, height, start, stop, per_pixel, near, version) {
    const close = this.take.level(per_pixel) <= MENDED_LEVEL;
    const mended = close && version !== "played";
    const scale = 2 ** -Math.ceil(Math.log2(Math.max(0.02, this.#peak(start, stop))) + 0.3);
    context.globalAlpha = near;
    context.fillStyle = "rgba(20,21,26,.55)";
    context.fillRect(0, 0, width, height);
    if (close) {
      const played = this.take.columns(start, stop, width, "played");
      if (mended) {
        this.#walls(context, played, width, height, scale, per_pixel, "#ffc46b", "#c98d33", 0.85);
        this.#walls(context, this.take.columns(start, stop, width, "mended"), width, height, scale, per_pixel, "#f4efe6", "#b9b3a8", 1);
      } else this.#walls(context, played, width, height, scale, per_pixel, "#f4efe6", "#b9b3a8", 1);
    } else this.#walls(context, this.take.columns(start, stop, width, "played"), width, height, scale, per_pixel, "#f4efe6", "#b9b3a8", 1);
    context.globalAlpha = 1;
  }

  /** Highest level near a span, from the envelope. @param {number} start @param {number} stop */
  #peak(start, stop) {
    const levels = this.take.view.envelope?.db ?? [];
    let highest = -60;
    for (let bin = Math.max(0, Math.floor(start / this.bin) - 1); bin <= Math.min(levels.length - 1, Math.ceil(stop / this.bin) + 1); bin += 1) highest = Math.max(highest, levels[bin]);
    return 10 ** (highest / 20);
  }

  /** @param {CanvasRenderingContext2D} context @param {Float32Array} columns @param {number} width @param {number} height @param {number} scale @param {number} per_pixel @param {string} upper @param {string} lower @param {number} opacity */
  #walls(context, columns, width, height, scale, per_pixel, upper, lower, opacity) {
    const middle = height / 2;
    const half = height * 0.17;
    const swing = height * 0.24 * scale;
    const single = per_pixel < 1;
    const base = context.globalAlpha;
    for (const [channel, sign, colour] of /** @type {[number, number, string][]} */ ([[0, -1, upper], [2, 1, lower]])) {
      context.beginPath();
      const rest = middle + sign * half;
      let begun = false;
      for (let x = 0; x < width; x += 1) {
        const value = columns[x * 4 + channel + 1];
        if (Number.isNaN(value)) continue;
        if (begun) context.lineTo(x, rest - value * swing);
        else context.moveTo(x, rest - value * swing);
        begun = true;
      }
      if (!begun) continue;
      for (let x = width - 1; x >= 0; x -= 1) {
        const value = columns[x * 4 + channel];
        if (!Number.isNaN(value)) context.lineTo(x, rest - value * swing);
      }
      context.globalAlpha = base * opacity;
      context.fillStyle = colour;
      context.strokeStyle = colour;
      context.lineWidth = single ? 2 : 1.1;
      context.lineJoin = "round";
      if (!single) context.fill();
      context.stroke();
      if (1 / per_pixel >= SAMPLE_PIXELS) this.#points(context, columns, width, rest, swing, per_pixel, channel);
    }
    context.globalAlpha = base;
  }

  /** Single samples as points. @param {CanvasRenderingContext2D} context @param {Float32Array} columns @param {number} width @param {number} rest @param {number} swing @param {number} per_pixel @param {number} channel */
  #points(context, columns, width, rest, swing, per_pixel, channel) {
    let last = NaN;
    for (let x = 0; x < width; x += 1) {
      const frame = Math.floor(x * per_pixel);
      const value = columns[x * 4 + channel];
      if (frame === last || Number.isNaN(value)) continue;
      last = frame;
      context.beginPath();
      context.arc(x, rest - value * swing, 3.5, 0, 2 * Math.PI);
      context.fill();
    }
  }

  /** @param {CanvasRenderingContext2D} context @param {(frame: number) => number} across @param {number} width @param {number} height @param {number} start @param {number} stop @param {number} near @param {any} choice */
  #damage(context, across, width, height, start, stop, near, choice) {
    const unit = Math.max(1, height / 132) * 2;
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
