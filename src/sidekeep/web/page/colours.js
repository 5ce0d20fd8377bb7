/** Colours of sleeves: a spine in its sleeve's colour, with writing that can be read on it. */

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

/** A sleeve's colour as it is, or that of plain card. @param {string | null | undefined} hex */
export const sleeveColour = (hex) => (hex && /^#[0-9a-f]{6}$/i.test(hex) ? hex : "#4b4a45");
