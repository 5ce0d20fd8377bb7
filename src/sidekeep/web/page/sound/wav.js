/** Samples of a WAV file exactly as they are in it: no resampling, no rounding. */

/** @param {ArrayBuffer} bytes @returns {{rate_hz: number, channels: Float32Array[]}} */
export function readWav(bytes) {
  const view = new DataView(bytes);
  /** @param {number} at */
  const word = (at) => String.fromCharCode(view.getUint8(at), view.getUint8(at + 1), view.getUint8(at + 2), view.getUint8(at + 3));
  if (word(0) !== "RIFF" || word(8) !== "WAVE") throw new Error("not a WAV file");
  let format = 1, count = 2, rate_hz = 44100, bits = 16;
  for (let at = 12; at + 8 <= bytes.byteLength; ) {
    const name = word(at);
    const size = view.getUint32(at + 4, true);
    if (name === "fmt ") {
      format = view.getUint16(at + 8, true);
      count = view.getUint16(at + 10, true);
      rate_hz = view.getUint32(at + 12, true);
      bits = view.getUint16(at + 22, true);
    } else if (name === "data") {
      const width = bits / 8;
      const frames = Math.floor(Math.min(size, bytes.byteLength - at - 8) / (width * count));
      const channels = Array.from({ length: count }, () => new Float32Array(frames));
      for (let channel = 0; channel < count; channel += 1) {
        const out = channels[channel];
        for (let frame = 0, place = at + 8 + channel * width; frame < frames; frame += 1, place += width * count) {
          if (format === 3) out[frame] = view.getFloat32(place, true);
          else if (width === 3) out[frame] = ((view.getUint8(place) << 8) | (view.getUint8(place + 1) << 16) | (view.getUint8(place + 2) << 24)) / 2147483648;
          else if (width === 2) out[frame] = view.getInt16(place, true) / 32768;
          else out[frame] = view.getInt32(place, true) / 2147483648;
        }
      }
      return { rate_hz, channels };
    }
    at += 8 + size + (size % 2);
  }
  throw new Error("the WAV file holds no samples");
}
