/** What can be listened to: a take as played, as mended and what was taken out; two compared takes, laid on each other and at equal level by the server. */
import { getBytes, takeApi } from "../server.js";
import { readWav } from "./wav.js";

export const VERSIONS = ["played", "mended", "taken-out"];

/** @param {{id: string, rate_hz: number, length: number, view: any}} take @returns {import("../shapes.js").Heard} */
export function takeSound(take) {
  return {
    rate_hz: take.rate_hz,
    length: take.length,
    versions: VERSIONS,
    first: "mended",
    async read(start, stop) {
      const asked = take.view.surveyed === false ? ["played", "played"] : ["played", "mended"];
      const [played, mended] = await Promise.all(
        asked.map(async (version) => readWav((await getBytes(takeApi(take.id, `sound?start_frame=${start}&stop_frame=${stop}&as=${version}`))).bytes)),
      );
      return { rate_hz: played.rate_hz, sounds: { played: played.channels, mended: mended.channels, "taken-out": less(played.channels, mended.channels) } };
    },
  };
}

/** The first sound without the second, channel by channel. @param {Float32Array[]} from @param {Float32Array[]} what */
export const less = (from, what) => from.map((samples, channel) => samples.map((value, at) => value - what[channel][at]));

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
