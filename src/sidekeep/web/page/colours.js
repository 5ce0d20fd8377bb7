/** A spine in its sleeve's colour, or bound in a cloth of its own, with writing that can be read on it. */

/** @param {string} hex */
function channels(hex) {
  const digits = /^#?([0-9a-f]{6})$/i.exec(hex ?? "");
  const value = parseInt(digits ? digits[1] : "3a3936", 16);
  return [value >> 16, (value >> 8) & 255, value & 255];
}

/** Relative luminance of WCAG 2.2, 0 to 1. @param {string} hex */
export function luminance(hex) {
  const [red, green, blue] = channels(hex).map((value) => {
    const share = value / 255;
    return share <= 0.04045 ? share / 12.92 : ((share + 0.055) / 1.055) ** 2.4;
  });
  return 0.2126 * red + 0.7152 * green + 0.0722 * blue;
}

/** Black or white, whichever stands out more: never below 4.5 to 1. @param {string} hex */
export const writingOn = (hex) => (luminance(hex) > 0.179 ? "#000000" : "#ffffff");

/** Colour of plain card: of a record nobody has named yet. */
export const CARD = "#4b4a45";
/** Bookbinder's cloths, dark enough for white writing; chosen here. */
const CLOTHS = ["#5c3a35", "#66482e", "#5e5430", "#465535", "#2f5747", "#2d5259", "#344a68", "#494470", "#5f4064", "#6a3a4c"];

/** Without a picture a cloth: records of one artist are bound in one, each a shade of its own.
 * @param {{colour?: string | null, artist?: string, title?: string}} record */
export function sleeveColour({ colour, artist, title }) {
  if (colour && /^#[0-9a-f]{6}$/i.test(colour)) return colour;
  if (!artist && !title) return CARD;
  const cloth = channels(CLOTHS[spread(artist || title || "") % CLOTHS.length]);
  const shade = 0.86 + 0.04 * (spread(title || "") % 8);
  return `#${cloth.map((value) => Math.round(value * shade).toString(16).padStart(2, "0")).join("")}`;
}

/** A whole number from a text, alike on every machine (FNV-1a, 32 bits: draft-eastlake-fnv). @param {string} text */
function spread(text) {
  let sum = 0x811c9dc5;
  for (const byte of new TextEncoder().encode(text.normalize("NFC").toLowerCase())) sum = Math.imul(sum ^ byte, 0x01000193);
  return (sum ^ (sum >>> 15)) >>> 0;
}
