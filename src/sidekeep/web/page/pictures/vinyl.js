/** The vinyl under a lamp, written as pixels: how bright a groove is, times how the lamp stands to it. */
import { MARK_WIDTH, shade } from "./light.js";
import { mix, pack, packed, spot } from "./pixels.js";

const SMOOTH = 0.12;
const LEVELS = 128;
const LAMP_ANGLE = (-58 * Math.PI) / 180;
const RIM = packed("#6d6a66");
const GAP = pack(12, 13, 16);
const AMBER = packed("#ffc46b");
const WHITE = packed("#ffffff");

/** How much of the lamp a groove throws back, by the cosine of its angle to it: brightest along it, nothing across. @param {number} cosine */
function lamp(cosine) {
  const away = (Math.acos(cosine) * 180) / Math.PI;
  let dark = 1;
  for (let step = 0; step < 17; step += 1) dark *= 1 - (0.022 + 0.0065 * step) * Math.min(1, Math.max(0, (38 - 2.25 * step - away) / 2.25 + 0.5));
  return 1 - dark;
}

/** Every shade of the vinyl (rows) at every cosine to the lamp (columns). */
const TABLE = new Uint32Array(LEVELS * 512);
for (let light = 0; light < LEVELS; light += 1) {
  const dark = pack(...shade(light / (LEVELS - 1), false));
  const lit = pack(...shade(light / (LEVELS - 1), true));
  for (let at = 0; at < 512; at += 1) TABLE[light * 512 + at] = mix(dark, lit, Math.round(256 * lamp(at / 511)));
}

/**
 * The disc without its label as far as it is seen.
 * @param {import("./pixels.js").Pixels} pixels @param {ReturnType<typeof import("./light.js").placing>} place
 * @param {{x: number, y: number, scale: number}} seen the point in the middle, in millimetres, and pixels a millimetre
 * @param {Float32Array} light from the edge inward @param {number[]} gaps frames at which a dark ring lies
 */
export function writeVinyl(pixels, place, seen, light, gaps) {
  const { data, width, height } = pixels;
  const { scale } = seen;
  const rings = new Uint8Array(Math.ceil(place.edge * 8) + 10).fill(Math.round((LEVELS - 1) * SMOOTH));
  const reach = place.outer - place.inner;
  for (let at = 0; at < rings.length; at += 1) {
    const share = (place.outer - at / 8) / reach;
    if (share >= 0 && share < 1) rings[at] = Math.round((LEVELS - 1) * light[Math.floor(share * light.length)]);
  }
  const dark = new Uint8Array(rings.length);
  for (const gap of gaps) {
    const middle = place.radius(gap) * 8;
    const half = Math.max(4.4, 5 / scale);
    for (let at = Math.max(0, Math.floor(middle - half)); at <= Math.min(rings.length - 1, middle + half); at += 1) dark[at] = 217;
  }
  const lamp_x = Math.cos(LAMP_ANGLE);
  const lamp_y = Math.sin(LAMP_ANGLE);
  const outer = place.edge + 0.5 / scale;
  const rim = place.edge - 0.6;
  for (let row = 0, at = 0; row < height; row += 1) {
    const y = (row + 0.5 - height / 2) / scale + seen.y;
    for (let column = 0; column < width; column += 1, at += 1) {
      const x = (column + 0.5 - width / 2) / scale + seen.x;
      const radius = Math.sqrt(x * x + y * y);
      if (radius >= outer) {
        data[at] = 0;
        continue;
      }
      const ring = (radius * 8) | 0;
      const cosine = (511 * Math.abs(x * lamp_x + y * lamp_y)) / (radius + 1e-6);
      let colour = TABLE[rings[ring] * 512 + (cosine | 0)];
      if (dark[ring] !== 0) colour = mix(colour, GAP, dark[ring]);
      if (radius > rim - 1) {
        colour = mix(colour, RIM, Math.round(256 * Math.min(1, Math.max(0, (0.45 - Math.abs(radius - rim)) * scale + 0.5))));
        const cover = Math.min(1, (outer - radius) * scale);
        if (cover < 1) colour = ((colour & 0xffffff) | (Math.round(255 * cover) << 24)) >>> 0;
      }
      data[at] = colour;
    }
  }
}

/**
 * Damage as points; a ring where it is left as it is.
 * @param {import("./pixels.js").Pixels} pixels @param {import("../shapes.js").Repair[]} repairs @param {(frame: number) => [number, number]} spot_of in millimetres
 * @param {{x: number, y: number, scale: number, closer: number}} seen
 */
export function writeDamage(pixels, repairs, spot_of, seen) {
  const size = seen.scale * Math.min(1, 2 / Math.sqrt(seen.closer)) * 0.5;
  /** @type {Map<string, [import("../shapes.js").Stamp, import("../shapes.js").Stamp]>} */
  const stamps = new Map(Object.entries(MARK_WIDTH).map(([kind, wide]) => [kind, [spot(Math.max(0.6, wide * size)), spot(Math.max(2, wide * size + 1), 1.2)]]));
  for (const repair of repairs) {
    const [x, y] = spot_of(repair[1]);
    const px = (x - seen.x) * seen.scale + pixels.width / 2;
    const py = (y - seen.y) * seen.scale + pixels.height / 2;
    if (px < -20 || py < -20 || px > pixels.width + 20 || py > pixels.height + 20) continue;
    const [full, ring] = stamps.get(repair[4]) ?? /** @type {any} */ (stamps.get("tick"));
    if (repair[7]) pixels.stamp(ring, px, py, WHITE, 1);
    else pixels.stamp(full, px, py, AMBER, repair[4] === "crackle" ? 0.5 : 1);
  }
}
