/** Numbers and states as people read them. */

const THIN = "\u202f";
const NO_BREAK = "\u00a0";

/** 93.25 -> 1:33, with digits 1:33.25. @param {number} seconds @param {number} [digits] */
export function clock(seconds, digits = 0) {
  if (!Number.isFinite(seconds)) return "–";
  const scale = 10 ** digits;
  const units = Math.round(Math.abs(seconds) * scale);
  const whole = Math.floor(units / scale);
  const minutes = Math.floor(whole / 60);
  const rest = String(whole % 60).padStart(2, "0");
  const part = digits ? `.${String(units % scale).padStart(digits, "0")}` : "";
  const sign = seconds < 0 && units > 0 ? "−" : "";
  if (minutes >= 60) return `${sign}${Math.floor(minutes / 60)}:${String(minutes % 60).padStart(2, "0")}:${rest}${part}`;
  return `${sign}${minutes}:${rest}${part}`;
}

/** 1:33.2 or 93.2; null when it is no time. @param {string} text */
export function readClock(text) {
  const parts = text.trim().replace(",", ".").split(":");
  if (parts.length > 3 || parts.some((part) => !/^\d+(\.\d+)?$/.test(part))) return null;
  return parts.reduce((sum, part) => sum * 60 + Number(part), 0);
}

/** @param {number} seconds */
export function roughly(seconds) {
  if (seconds < 5) return "a moment";
  if (seconds < 55) return `${Math.ceil(seconds / 5) * 5} seconds`;
  const minutes = Math.round(seconds / 60);
  if (minutes < 60) return minutes <= 1 ? "a minute" : `${minutes} minutes`;
  const hours = seconds / 3600;
  return `${hours.toFixed(hours < 3 ? 1 : 0)} hours`;
}

/** @param {number | null | undefined} value @param {string} unit @param {number} [digits] */
export function decibels(value, unit = "dB", digits = 1) {
  if (value === null || value === undefined || !Number.isFinite(value) || value <= -119) return "silence";
  const text = Math.abs(value).toFixed(digits);
  return `${value < 0 && Number(text) !== 0 ? "−" : ""}${text}${NO_BREAK}${unit}`;
}

/** A change of level: always with its sign. @param {number} value */
export function gain(value) {
  return (value >= 0.05 ? "+" : "") + decibels(value, "dB");
}

/** @param {number} bytes */
export function size(bytes) {
  const units = ["bytes", "kB", "MB", "GB", "TB"];
  let step = 0;
  let value = bytes;
  while (value >= 999.5 && step < units.length - 1) {
    value /= 1000;
    step += 1;
  }
  return `${value >= 99.5 || step === 0 ? value.toFixed(0) : value.toFixed(1)}${NO_BREAK}${units[step]}`;
}

/** @param {number} number */
export const whole = (number) => String(number).replace(/\B(?=(\d{3})+(?!\d))/g, THIN);

const SMALL = ["no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve"];
/** two tracks, 14 tracks. @param {number} number @param {string} one @param {string} [many] */
export function count(number, one, many = `${one}s`) {
  return `${SMALL[number] ?? whole(number)} ${number === 1 ? one : many}`;
}
/** @param {string} text */
export const capital = (text) => text.charAt(0).toUpperCase() + text.slice(1);

/** a, b and c. @param {string[]} parts */
export function listed(parts) {
  return parts.length < 2 ? (parts[0] ?? "") : `${parts.slice(0, -1).join(", ")} and ${parts[parts.length - 1]}`;
}

/** Side B; sides B and C, as a sentence begins. @param {string[]} sides */
export const sidesInWords = (sides) => `Side${sides.length > 1 ? "s" : ""} ${listed(sides)}`;

const AT_WORK = { survey: "looking for tracks and damage", copies: "writing the copies", verify: "reading every file", adopt: "bringing a recording in", compare: "listening to both takes", combine: "combining takes" };
/** What a job is doing, as a sentence begins. @param {{doing?: string, kind: string}} job */
export function doingOf({ doing, kind }) {
  const work = AT_WORK[/** @type {keyof typeof AT_WORK} */ (kind)] ?? kind;
  return capital(kind === "survey" && doing ? `${work}: ${doing}` : doing || work); // "listening" alone sounds as if something played
}
/** What the server says of itself or of a file, as a sentence: names keep their letters. @param {string} text */
export const sentence = (text) => `${/^(?!sidekeep )[a-z]+[ ,]/.test(text) ? capital(text) : text}${/[.?!…]$/.test(text) ? "" : "."}`;

/** @param {{artist?: string, title?: string}} record */
export const nameOf = (record) => record.title || "A record without a title";

/**
 * A sentence whose numbers stay with their units at the end of a line, with minus signs where hyphens stood for them
 * (the report does the same: copies/report/typeset.py). @param {string} text
 */
export const tight = (text) =>
  text.replace(/(\d) (?=%|(?:dB(?:FS|TP)?|LUFS|LU|kHz|Hz|ms|s|ppm|rpm|kB|MB|GB|bits?)\b)/g, `$1${NO_BREAK}`).replace(/(^|[\s(])-(?=\d)/g, "$1−");

/** A day as people say it. @param {string | null} iso */
export function day(iso) {
  if (!iso) return "";
  const date = new Date(iso);
  return Number.isNaN(date.getTime()) ? "" : date.toLocaleDateString("en-GB", { day: "numeric", month: "long", year: "numeric" }).replace(" ", NO_BREAK);
}

/** 96 kHz, 24 bits. @param {number} rate_hz @param {number} bits */
export const form = (rate_hz, bits) => `${rate_hz / 1000}${NO_BREAK}kHz, ${bits}${NO_BREAK}bits`;
