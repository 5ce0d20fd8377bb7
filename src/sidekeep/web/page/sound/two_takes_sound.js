/** Two compared takes to listen to, laid on each other and at equal level by the server: the old one, the new one, and what differs. */
import { getBytes, takeApi } from "../server.js";
import { less } from "./take_sound.js";
import { readWav } from "./wav.js";

export const BOTH = ["old", "new", "difference"];

/**
 * @param {string} old the id of the older take @param {string} young that of the newer one
 * @param {{rate_hz: number, start_frame: number, stop_frame: number}} span where both can be heard @returns {import("../shapes.js").Heard}
 */
export function twoTakesSound(old, young, span) {
  return {
    rate_hz: span.rate_hz,
    length: span.stop_frame,
    versions: BOTH,
    first: "new",
    async read(start, stop) {
      const { bytes } = await getBytes(takeApi(young, `compare/sound?with=${encodeURIComponent(old)}&start_frame=${start}&stop_frame=${stop}&as=both`));
      const { rate_hz, channels } = readWav(bytes);
      const before = channels.slice(0, channels.length / 2);
      const after = channels.slice(channels.length / 2);
      return { rate_hz, sounds: { old: before, new: after, difference: less(after, before) } };
    },
  };
}
