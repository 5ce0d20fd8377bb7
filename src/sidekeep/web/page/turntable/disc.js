/** The live disc on the page, with the few numbers that read from afar, and what is said of the needle. */
import { sleeveColour, writingOn } from "../colours.js";
import { html, useEffect, useMemo, useRef, useState } from "../html.js";
import { fit, styled } from "../pictures/light.js";
import { LivePicture } from "../pictures/live.js";
import { hearLive, knownNow, onEvent } from "../store.js";
import { clock, decibels, nameOf } from "../words.js";
import { trackText } from "./words.js";

const USUAL_SIDE_S = 1320;

/** @param {{session: any, record: any, needle: string}} props ``needle``: what is to be said of it */
export function LiveDisc({ session, record, needle }) {
  const canvas = useRef(/** @type {HTMLCanvasElement | null} */ (null));
  const time = useRef(/** @type {HTMLElement | null} */ (null));
  const level = useRef(/** @type {HTMLElement | null} */ (null));
  const [live, setLive] = useState(/** @type {any} */ (null));
  const colour = sleeveColour(record);
  const side = record.sides.find((/** @type {any} */ each) => each.side === session.side);
  const printed_s = (side?.printed ?? []).reduce((/** @type {number} */ sum, /** @type {any} */ line) => sum + (line.duration_s ?? 0), 0);
  const picture = useMemo(() => new LivePicture({ colour, writing: writingOn(colour), title: nameOf(record), artist: record.artist, letter: session.side, paper: styled("--paper") }, printed_s > 60 ? printed_s + 20 : USUAL_SIDE_S), [record.id, session.side]);
  const aim = knownNow().state?.settings?.peak_dbfs;
  if (typeof aim === "number") picture.aim = [aim - 6, aim];
  const recording = session.phase === "recording" || session.phase === "run-out";
  const still = matchMedia("(prefers-reduced-motion: reduce)").matches;

  useEffect(() => {
    const rate = session.rate_hz;
    if (rate && rate !== picture.rate_hz) picture.begin(rate);
    picture.frame = session.elapsed_frames ?? 0;
    picture.frameAt = performance.now();
    if (session.reading) picture.reading = session.reading;
  }, [session]);
  useEffect(() => {
    let surveyed = false;
    setLive(null); // what was said of another side, or of another take of this one, is not true of this
    const survey = hearLive(session, (event) => {
      if (event.code === "live-begun") setLive(null);
      if (event.code === "live-turns") surveyed = true;
      if (event.code === "live-track") setLive(event);
      picture.hear(event);
    });
    const latest = knownNow().meter;
    if (latest?.reading) picture.reading = latest.reading;
    const meter = onEvent("meter", (event) => {
      picture.reading = event.reading ?? picture.reading;
      if (event.elapsed_frames !== undefined) {
        picture.frame = event.elapsed_frames;
        picture.frameAt = performance.now();
      }
      if (recording && !surveyed) picture.heardAt(picture.now(), Math.max(...(picture.reading?.peak_dbfs ?? [-60])));
    });
    return () => {
      meter();
      survey();
    };
  }, [picture, recording]);
  useEffect(() => {
    let frame = 0;
    let last = 0;
    /** @param {number} now */
    const tick = (now) => {
      frame = requestAnimationFrame(tick);
      if (still && now - last < 500) return;
      last = now;
      const area = canvas.current;
      if (!area) return;
      fit(area);
      picture.draw(area, { moving: recording, still });
      if (time.current) time.current.textContent = recording ? clock(picture.now() / picture.rate_hz) : "";
      /** @type {any} */
      const reading = picture.reading;
      if (level.current) level.current.textContent = reading ? levelWords(reading) : "";
    };
    frame = requestAnimationFrame(tick);
    return () => cancelAnimationFrame(frame);
  }, [picture, recording, still]);

  const track = trackText(live, side?.printed ?? []);
  return html`<figure class="live">
    ${needle && html`<p class="live-needle" role="alert">${needle}</p>`}
    <div class="live-box"><canvas ref=${canvas} role="img" aria-label=${`The disc as it is recorded, and the level of both channels around it. ${recording ? "The needle is in the groove." : "The needle is not in the groove."}`}></canvas></div>
    <figcaption><p class="live-time number" ref=${time} role="timer" aria-label="Time recorded"></p><p class="live-level number" ref=${level}></p>
      ${track && html`<p class="music live-track">${track}</p>`}</figcaption>
  </figure>`;
}

/** @param {any} reading */
function levelWords(reading) {
  if (reading.clipped_frames > 0) return "It clipped";
  if (!(reading.highest_dbfs > -100)) return reading.needle === "up" ? "The needle is up" : "";
  return `${decibels(-reading.highest_dbfs, "dB")} of headroom`;
}

const NOTHING = { text: "", is_stuck: false };

/** What was said of another side, or of another take of this one, is not told. @param {any} session */
export function useNeedle(session) {
  const [needle, setNeedle] = useState(NOTHING);
  const recording = session.phase === "recording" || session.phase === "run-out";
  useEffect(() => {
    setNeedle(NOTHING);
    return hearLive(session, (event) => {
      if (event.code === "live-begun") setNeedle(NOTHING);
      if (event.code === "live-needle") setNeedle({ text: event.facts?.text ?? "", is_stuck: Boolean(event.facts?.goes_on) });
    });
  }, [session.record, session.side, recording]);
  return needle;
}
