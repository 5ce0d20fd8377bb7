/** Listening: one button, three ways to hear it, and where the needle is. */
import { html, useEffect, useRef } from "../html.js";
import { clock } from "../words.js";

const WORDS = /** @type {Record<string, string>} */ ({ played: "as played", mended: "mended", "taken-out": "what was taken out" });

/** @param {import("../shapes.js").OnSide} props */
export function Listen({ desk }) {
  const time = useRef(/** @type {HTMLElement | null} */ (null));
  const sound = desk.sound;
  useEffect(() => {
    let frame = 0;
    const tick = () => {
      if (time.current) time.current.textContent = clock(desk.now() / desk.take.rate_hz, 1);
      if (sound.playing) {
        desk.moved();
        frame = requestAnimationFrame(tick);
      }
    };
    tick();
    return () => cancelAnimationFrame(frame);
  }, [sound.playing, desk.needle]);
  return html`<${ListenBox} sound=${sound} words=${WORDS} name="it" listen=${() => desk.listen()} time=${time}>
    ${sound.playing && sound.run?.loop ? html`<p class="soft">Again and again, from ${clock(sound.run.loop.start / desk.take.rate_hz, 1)} to ${clock(sound.run.loop.stop / desk.take.rate_hz, 1)}.</p>` : null}<//>`;
}

/** The button, where the needle is, and the versions. @param {{sound: import("../sound/listening.js").Listening, words: Record<string, string>, name: string, listen: () => void, time: any, children?: any}} props */
export const ListenBox = ({ sound, words, name, listen, time, children }) => html`<section class=${`listen ${name}`} aria-label=${`Listen to ${name}`}>
  <p class="buttons"><button class="main" onClick=${listen}>${sound.playing ? "Lift the needle" : "Lower the needle"} <kbd>Space</kbd></button>
    <span class="where"><span class="soft">at</span> <time ref=${time}></time></span></p>
  <fieldset class="versions"><legend>Listen to ${name}</legend>
    ${sound.heard.versions.map((version, at) => html`<label key=${version}><input type="radio" name=${name} value=${version} checked=${sound.version === version} onChange=${() => sound.choose(version)} /><span>${words[version]} <kbd>${at + 1}</kbd></span></label>`)}
  </fieldset>
  ${children}
  ${sound.trouble ? html`<p class="finding act" role="alert">${sound.trouble}</p>` : null}
</section>`;
