/** A take to listen to: as played, as mended, and what was taken out. */
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
