/** Listening: one button, three ways to hear it, and where the needle is. */
import { html, useEffect, useRef } from "../html.js";
import { VERSIONS } from "../sound/take_sound.js";
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
  return html`<section class="listen" aria-label="Listen">
    <p class="buttons">
      <button class="main" onClick=${() => desk.listen()}>${sound.playing ? "Lift the needle" : "Lower the needle"} <kbd>Space</kbd></button>
      <span class="where"><span class="soft">at</span> <time ref=${time}></time></span>
    </p>
    <fieldset class="versions"><legend>Listen to it</legend>
      ${VERSIONS.map((version, at) => html`<label key=${version}><input type="radio" name="version" value=${version} checked=${sound.version === version} onChange=${() => sound.choose(version)} /><span>${WORDS[version]} <kbd>${at + 1}</kbd></span></label>`)}
    </fieldset>
    ${sound.playing && sound.run?.loop ? html`<p class="soft">Again and again, from ${clock(sound.run.loop.start / desk.take.rate_hz, 1)} to ${clock(sound.run.loop.stop / desk.take.rate_hz, 1)}.</p>` : null}
    ${sound.trouble ? html`<p class="finding act" role="alert">${sound.trouble}</p>` : null}
  </section>`;
}
