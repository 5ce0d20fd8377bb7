/** Two takes heard at one place: the old one, the new one and what differs, laid on each other and at equal level. */
import { html, useEffect, useLayoutEffect, useMemo, useRef, useState } from "../html.js";
import { singleKeys } from "../remembered.js";
import { ListenBox } from "../side/listen.js";
import { Listening } from "../sound/listening.js";
import { BOTH, twoTakesSound } from "../sound/take_sound.js";
import { say } from "../store.js";
import { clock, decibels } from "../words.js";

const AROUND_S = 3;
const WORDS = /** @type {Record<string, string>} */ ({ old: "old", new: "new", difference: "what differs" });

/** @typedef {import("../shapes.js").Ear} Ear */

/**
 * @param {string} old @param {string} young ids of the takes
 * @param {{rate_hz: number, start_frame: number, stop_frame: number} | null} heard what the comparison keeps of it
 * @returns {Ear | null} null where they cannot be heard together
 */
export function useEar(old, young, heard) {
  const [, again] = useState(0);
  const rate = heard?.rate_hz ?? 1;
  const place = useRef(heard?.start_frame ?? 0);
  const around = useRef(/** @type {number | null} */ (null));
  const sound = useMemo(() => (heard ? new Listening(twoTakesSound(old, young, heard), () => again((count) => count + 1)) : null), [old, young, heard?.rate_hz, heard?.start_frame, heard?.stop_frame]);
  useEffect(() => {
    place.current = heard?.start_frame ?? 0;
    return () => void sound?.close();
  }, [sound]);
  if (!sound || !heard) return null;
  /** @param {number} at_s */
  const inside = (at_s) => Math.min(heard.stop_frame - 1, Math.max(heard.start_frame, Math.round(at_s * rate)));
  const now = () => sound.position() ?? place.current;
  const stop = () => {
    place.current = now();
    sound.stop();
  };
  return {
    sound,
    now: () => now() / rate,
    start_s: heard.start_frame / rate,
    stop_s: heard.stop_frame / rate,
    rounding: sound.playing && sound.run?.loop ? around.current : null,
    put(at_s) {
      place.current = inside(at_s);
      if (sound.playing) void sound.play(place.current);
      else again((count) => count + 1);
    },
    listen() {
      if (sound.playing) return stop();
      around.current = null;
      void sound.play(place.current);
    },
    around(at_s) {
      if (sound.playing && sound.run?.loop && around.current === at_s) return stop();
      around.current = at_s;
      const half = (AROUND_S / 2) * rate;
      place.current = inside(at_s);
      void sound.play(inside(at_s - AROUND_S / 2), { start: Math.max(heard.start_frame, place.current - half), stop: Math.min(heard.stop_frame, place.current + half) });
      say(`Again and again around ${clock(at_s, 1)}`);
    },
  };
}

/** @param {{ear: Ear, gain_db: number, onNew: (at_s: number) => number, moved: (at_s: number) => void}} props */
export function ListenToBoth({ ear, gain_db, onNew, moved }) {
  const time = useRef(/** @type {HTMLElement | null} */ (null));
  const slide = useRef(/** @type {HTMLInputElement | null} */ (null));
  const { sound } = ear;
  const place_s = ear.now();
  useEffect(() => {
    let frame = 0;
    const tick = () => {
      const now = ear.now();
      if (time.current) time.current.textContent = clock(onNew(now), 1);
      if (slide.current && document.activeElement !== slide.current) slide.current.value = String(now);
      moved(now);
      if (sound.playing) frame = requestAnimationFrame(tick);
    };
    tick();
    return () => cancelAnimationFrame(frame);
  }, [sound, sound.playing, place_s]);
  useLayoutEffect(() => {
    /** @param {KeyboardEvent} event */
    const press = (event) => {
      const target = /** @type {HTMLElement} */ (event.target);
      if (event.ctrlKey || event.metaKey || event.altKey || target.closest("input:not([type=radio]), select, textarea")) return;
      if (!singleKeys()) return;
      const version = BOTH[Number(event.key) - 1];
      if (event.key === " " && !target.closest("button, a, summary, label, input")) ear.listen();
      else if (version) sound.choose(version);
      else return;
      event.preventDefault();
    };
    document.addEventListener("keydown", press);
    return () => document.removeEventListener("keydown", press);
  });
  return html`<${ListenBox} sound=${sound} words=${WORDS} name="both" listen=${ear.listen} time=${time}>
    <input class="along" type="range" ref=${slide} min=${ear.start_s} max=${ear.stop_s} step="0.1" aria-label="Place in the side" aria-valuetext=${clock(onNew(place_s))} onInput=${(/** @type {any} */ event) => ear.put(Number(event.target.value))} />
    <p class="soft">In step and at equal level${Math.abs(gain_db) >= 0.05 ? `: the new take is turned ${gain_db > 0 ? "up" : "down"} by ${decibels(Math.abs(gain_db))}` : ""}. Turn the volume down before you begin.</p><//>`;
}
