/**
 * How bright a groove is: loud grooves swing wide and scatter the light, quiet ones and gaps stay dark.
 * The same shades as in the report, so that a side looks alike in both.
 */

export const DARKEST_DB = -46;
export const LAMP = "#ffc46b";
export const MARK_WIDTH = { crackle: 0.8, tick: 1.2, pop: 1.9, thump: 2.7 };

/** What counts as bright: the 95th percentile. @param {ArrayLike<number>} levels_db */
export function loudOf(levels_db) {
  const sorted = Float32Array.from(levels_db).sort();
  return sorted.length ? Math.max(-100, sorted[Math.floor(0.95 * (sorted.length - 1))]) : -20;
}

/** 0 (dark) to 1. @param {number} level_db @param {number} loud_db */
export function lightOf(level_db, loud_db) {
  return Math.min(1, Math.max(0, 1 - (level_db - loud_db) / DARKEST_DB));
}

/** @param {number} light @param {boolean} bright @returns {[number, number, number]} */
export function shade(light, bright) {
  const share = light ** 1.7;
  const dark = bright ? [44, 46, 54] : [22, 23, 28];
  const lit = bright ? [238, 234, 226] : [70, 72, 82];
  return /** @type {[number, number, number]} */ (dark.map((from, at) => Math.round(from + (lit[at] - from) * share)));
}

/** @param {[number, number, number]} colour @param {number} [opacity] */
export const css = ([red, green, blue], opacity = 1) => `rgba(${red},${green},${blue},${opacity})`;

/** Clicks taken out by the median of three. @param {ArrayLike<number>} levels @returns {Float32Array} */
export function steady(levels) {
  const out = new Float32Array(levels.length);
  for (let at = 0; at < out.length; at += 1) {
    const before = levels[Math.max(0, at - 1)];
    const after = levels[Math.min(out.length - 1, at + 1)];
    out[at] = Math.max(Math.min(before, levels[at]), Math.min(Math.max(before, levels[at]), after));
  }
  return out;
}

/**
 * In equal parts of a span of the envelope.
 * @param {{bin_frames: number, db: ArrayLike<number>, peak_db?: ArrayLike<number>}} envelope @param {number} start @param {number} stop frames @param {number} points
 */
export function lightAlong(envelope, start, stop, points) {
  const levels = envelope.peak_db ?? envelope.db;
  const loud = loudOf(levels);
  const calm = steady(levels);
  const light = new Float32Array(points);
  for (let at = 0; at < points; at += 1) {
    const bin = Math.floor((start + ((at + 0.5) / points) * (stop - start)) / envelope.bin_frames);
    light[at] = lightOf(calm[Math.min(calm.length - 1, Math.max(0, bin))], loud);
  }
  return light;
}

/** Turns a minute of long-playing records, as `units.py` has it (a test compares them). */
export const LP_RPM = 100 / 3;

/** Sizes in millimetres of a 12 inch disc (IEC 60098), the spacing of the grooves taken as even. */
export const SIZE_MM = { edge: 150, outer: 146, inner: 60, label: 50, spindle: 3.6 };

/**
 * Where a side lies on the disc: the longer it is, the nearer to the label it ends.
 * @param {{start: number, stop: number, rate_hz: number, size_inch?: number | null, rpm?: number | null}} side frames of needle down and up
 */
export function placing({ start, stop, rate_hz, size_inch, rpm }) {
  const inch = size_inch || 12;
  const scale = inch / 12;
  const edge = SIZE_MM.edge * scale;
  const outer = edge - 4;
  const inner = inch > 7 ? SIZE_MM.inner * scale : 53;
  const full_s = ((1440 * (outer - inner)) / 86) * (LP_RPM / (rpm || LP_RPM));
  const share = Math.min(1, Math.max(0.6, (stop - start) / rate_hz / full_s));
  const last = outer - (outer - inner) * share;
  const length = Math.max(1, stop - start);
  return {
    edge, outer, inner: last, label: inch > 7 ? SIZE_MM.label * scale : 45,
    /** @param {number} frame */
    radius: (frame) => outer + (last - outer) * Math.min(1, Math.max(0, (frame - start) / length)),
    /** @param {number} radius */
    frame: (radius) => start + Math.min(1, Math.max(0, (outer - radius) / (outer - last))) * length,
  };
}

/** @param {CanvasRenderingContext2D} context @param {number} radius @param {number} [x] @param {number} [y] */
export function circle(context, radius, x = 0, y = 0) {
  context.beginPath();
  context.arc(x, y, radius, 0, 2 * Math.PI);
}

/**
 * The label in the sleeve's colour with what is printed on it.
 * @param {CanvasRenderingContext2D} context @param {ReturnType<typeof placing>} place
 * @param {{colour: string, writing: string, letter: string, title: string, artist: string, paper: string}} label
 */
export function paintLabel(context, place, label) {
  const unit = place.label / 50;
  circle(context, place.label);
  context.fillStyle = label.colour;
  context.fill();
  circle(context, place.label - 3);
  context.globalAlpha = 0.35;
  context.strokeStyle = label.writing;
  context.lineWidth = 0.7;
  context.stroke();
  context.globalAlpha = 1;
  context.fillStyle = label.writing;
  context.textAlign = "center";
  context.textRendering = "geometricPrecision"; // letters this small would stand where whole pixels are
  const serif = '"Newsreader", Palatino, Georgia, serif';
  write(context, label.title, 24, -28 * unit, 6.6 * unit, `500 ${6.6 * unit}px ${serif}`);
  write(context, label.artist, 28, 28 * unit, 5 * unit, `400 ${5 * unit}px ${serif}`);
  context.font = `600 ${20 * unit}px ${serif}`;
  context.fillText(label.letter, -25 * unit, 7 * unit);
  circle(context, SIZE_MM.spindle);
  context.fillStyle = label.paper;
  context.fill();
}

/** Up to two centred lines. @param {CanvasRenderingContext2D} context @param {string} text @param {number} width letters @param {number} y @param {number} size @param {string} font */
function write(context, text, width, y, size, font) {
  const lines = [""];
  for (const word of text.split(/\s+/)) {
    if ((lines[lines.length - 1] + word).length > width && lines[lines.length - 1]) lines.push("");
    lines[lines.length - 1] += (lines[lines.length - 1] ? " " : "") + word;
  }
  context.font = font;
  lines.slice(0, 2).forEach((line, at) => context.fillText(at === 1 && lines.length > 2 ? `${line} …` : line, 0, y + 1.15 * size * at));
}

/** The needle, and the groove it comes from still warm. @param {CanvasRenderingContext2D} context @param {number} radius @param {number} angle
 * @param {{trail: number, wide: number, reach: number, dot: number}} how parts and width of the trail, how far the needle glows, its size */
export function paintNeedle(context, radius, angle, { trail, wide, reach, dot }) {
  const warm = context.createConicGradient(angle, 0, 0);
  for (let step = 0; step <= trail; step += 2) warm.addColorStop((step * 0.1) / (2 * Math.PI), css([255, 196, 107], 0.8 * (1 - step / (trail || 1)) ** 1.7));
  context.beginPath();
  context.arc(0, 0, radius, angle, angle + trail * 0.1);
  context.strokeStyle = warm;
  context.lineWidth = wide;
  context.stroke();
  const x = radius * Math.cos(angle);
  const y = radius * Math.sin(angle);
  const glow = context.createRadialGradient(x, y, 0, x, y, reach);
  glow.addColorStop(0, "rgba(255,230,188,1)");
  glow.addColorStop(0.2, "rgba(255,196,107,.68)");
  glow.addColorStop(1, "rgba(255,196,107,0)");
  context.fillStyle = glow;
  circle(context, reach, x, y);
  context.fill();
  context.fillStyle = "#fff7e9";
  circle(context, dot, x, y);
  context.fill();
}

/** What draws on a canvas. @param {HTMLCanvasElement} canvas @param {CanvasRenderingContext2DSettings} [how] */
export const brush = (canvas, how) => /** @type {CanvasRenderingContext2D} */ (canvas.getContext("2d", how));

/** To its box in device pixels; true when it changed. @param {HTMLCanvasElement} canvas */
export function fit(canvas) {
  const ratio = Math.min(2, devicePixelRatio || 1);
  const width = Math.max(1, Math.round(canvas.clientWidth * ratio));
  const height = Math.max(1, Math.round(canvas.clientHeight * ratio));
  if (canvas.width === width && canvas.height === height) return false;
  canvas.width = width;
  canvas.height = height;
  return true;
}

/** A colour of the style sheet. @param {string} name */
export const styled = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
