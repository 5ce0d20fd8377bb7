/** The guide for the first evening: which input, is it quiet, is the level right. What was chosen is remembered. */
import { CARD } from "../colours.js";
import { readNumber, useField } from "../field.js";
import { html, useEffect, useRef, useState } from "../html.js";
import { isLeaving } from "../leaving.js";
import { fit } from "../pictures/light.js";
import { Select } from "../parts.js";
import { LivePicture } from "../pictures/live.js";
import { newestOnly, post } from "../server.js";
import { knownNow, onEvent, seen, told } from "../store.js";
import { capital, decibels, form } from "../words.js";
import { adviceText, newsText } from "./words.js";

/** How often an input that is gone is asked for. */
const AGAIN_MS = 3000;
/** Up to here nothing is heard at all. */
const SILENT_DBFS = -119;
const LOWEST_AIM_DBFS = -40;
const WORD_LENGTHS = [16, 24, 32];
const STEPS = ["The input", "Is it quiet?", "The level"];

/** @param {{done: (() => void) | null, known: boolean | null, bring: string}} props  `bring`: where recordings that exist already are brought in */
export function SetUp({ done, known, bring }) {
  const [step, setStep] = useState(0);
  const [inputs, setInputs] = useState(/** @type {any[] | null} */ (null));
  const head = useRef(/** @type {HTMLElement | null} */ (null));
  const [served, setServed] = useState(true);
  const [kept, setKept] = useState(/** @type {any} */ ({}));
  const [trouble, setTrouble] = useState("");
  const [ask] = useState(newestOnly);
  const load = async () => {
    try {
      const answer = await ask("/api/inputs");
      if (!answer) return;
      setKept(answer.settings ?? {});
      setInputs(answer.inputs ?? []);
      setTrouble(answer.trouble ?? "");
    } catch (error) {
      setServed(/** @type {any} */ (error).code !== "not-served");
      setTrouble(/** @type {any} */ (error).message ?? "");
      setInputs([]);
    }
  };
  useEffect(() => void load(), []);
  useEffect(() => head.current?.focus(), [step]);
  const chosen = inputs?.find((input) => input.chosen);
  if (!served) return html`<div class="setup"><h1>Recording begins on the command line.</h1><p class="stage-more">This sidekeep does not record from the page. Its command <code>sidekeep take</code> does; what it takes is on the shelf afterwards.</p><p class="buttons"><a class="button main" href="/">To the shelf</a></p></div>`;
  return html`<div class="setup">
    <ol class="setup-steps" aria-label="The guide">${STEPS.map((text, at) => html`<li key=${text}><button class="quiet" aria-current=${at === step ? "step" : null} disabled=${at > 0 && !chosen} onClick=${() => setStep(at)}><span class="number">${at + 1}</span> ${text}</button></li>`)}</ol>
    ${step === 0 && html`<${Inputs} inputs=${inputs} trouble=${trouble} kept=${kept} load=${load} head=${head} next=${() => setStep(1)} chosen=${chosen} bring=${bring} />`}
    ${step > 0 && html`<${Gauge} key=${step} step=${step} head=${head} next=${step === 1 ? () => setStep(2) : done} known=${known} input=${chosen} />`}
  </div>`;
}

/** @param {{inputs: any[] | null, trouble: string, kept: any, load: () => Promise<void>, head: any, next: () => void, chosen: any, bring: string}} props */
function Inputs({ inputs, trouble, kept, load, head, next, chosen, bring }) {
  /** @param {any} input @param {{rate_hz?: number, bits?: number}} [how] */
  const use = async (input, how = {}) => {
    if (await told(post("/api/inputs/choose", { input: input.id, rate_hz: input.rate_hz, bits: input.bits, ...how }))) await load();
  };
  return html`<h1 ref=${head} tabindex="-1">Which input is the turntable on?</h1>
    <p class="care">Turntable, then phono stage, then a <strong>line</strong> input; not the microphone input. Volume down before you touch a plug.</p>
    ${inputs === null && html`<p class="soft">Asking the sound system what it has …</p>`}
    ${inputs?.length === 0 && html`<p class="finding act">${capital(trouble || "no sound input was found: connect the interface and switch it on")}. Volume down before you touch a plug.</p>
      <p>Recorded already? <a href=${bring}>Bring the files in</a>: everything else is done without a sound input.</p>`}
    <ul class="inputs">${(inputs ?? []).map((input) => {
      const notes = input.notes.map(newsText).filter(Boolean);
      return html`<li key=${input.id} class=${input.chosen ? "chosen" : ""}>
        <div><strong>${input.name}</strong>
          <p class="soft">${input.channels === 2 ? "two channels" : input.channels === 1 ? "one channel" : `${input.channels} channels`}, ${form(input.rate_hz, input.bits)}: what it truly delivers</p>
          ${input.chosen && html`<${Form} input=${input} kept=${kept} use=${use} />`}
          ${notes.map((/** @type {any} */ note) => html`<p class="finding look">${note.text}</p>`)}</div>
        ${input.chosen ? html`<span class="counts">in use</span>` : html`<button onClick=${() => void use(input)}>Use this one<span class="unseen">: ${input.name}</span></button>`}
      </li>`;
    })}</ul>
    <p class="buttons"><button class="main" disabled=${!chosen} onClick=${next}>This is the input</button><button class="quiet" onClick=${() => void load()}>Look again</button></p>`;
}

/** How the input is opened, where there is a choice. @param {{input: any, kept: any, use: (input: any, how: {rate_hz?: number, bits?: number}) => Promise<void>}} props */
function Form({ input, kept, use }) {
  const now = { rate_hz: kept.rate_hz ?? input.rate_hz, bits: kept.bits ?? input.bits };
  const rates = [...new Set([...(input.rates_hz ?? []), now.rate_hz])].sort((a, b) => a - b);
  const bits = [...new Set([...WORD_LENGTHS.filter((length) => length <= Math.max(input.bits, 24)), now.bits])].sort((a, b) => a - b);
  return html`<p class="input-form"><label>Recorded at <${Select} value=${now.rate_hz} disabled=${rates.length < 2} options=${rates.map((rate) => [rate, `${rate / 1000} kHz`])} set=${(/** @type {string} */ rate) => void use(input, { ...now, rate_hz: Number(rate) })} /></label>
    <label>with <${Select} value=${now.bits} options=${bits.map((length) => [length, `${length} bits`])} set=${(/** @type {string} */ length) => void use(input, { ...now, bits: Number(length) })} /></label></p>`;
}

let listening = false;
let gauged = Promise.resolve();
/** The answer is heard elsewhere, or not at all. @param {boolean} on */
const askGauge = (on) => void post("/api/gauge", { on }).catch(() => undefined);
/** Listen to the input, or no more. One step of the guide ends as the next begins: what is wanted last is what is asked last. @param {boolean} on */
function gauge(on) {
  listening = on;
  if (isLeaving()) return askGauge(on);
  gauged = gauged.then(async () => {
    if (on === listening) await (on ? told(post("/api/gauge", { on })) : post("/api/gauge", { on }).catch(() => undefined));
  });
}

/** @param {{step: number, head: any, next: (() => void) | null, known: boolean | null, input: any}} props */
function Gauge({ step, head, next, input }) {
  const [reading, setReading] = useState(/** @type {any} */ (null));
  const canvas = useRef(/** @type {HTMLCanvasElement | null} */ (null));
  const picture = useRef(new LivePicture({ colour: CARD, writing: "#fff", title: "", artist: "", letter: "", paper: "#fff" }, 600));
  const shown = useRef(0);
  const [aim, setAim] = useState(/** @type {[number, number]} */ ([-12, -6]));
  const [gone, setGone] = useState("");
  const away = useRef(false);
  // The input is gone: what was read of it is nothing any more, and it is asked for until it is back.
  useEffect(() => {
    if (!gone) return;
    const again = setInterval(() => askGauge(listening), AGAIN_MS);
    return () => {
      clearInterval(again);
      const told_of = knownNow().notices.find((notice) => notice.text === gone);
      if (told_of) seen(told_of.id);
    };
  }, [gone]);
  useEffect(() => {
    gauge(true);
    const alive = setInterval(() => askGauge(listening), 20_000);
    const ended = onEvent("meter-ended", (event) => {
      setReading(null);
      setGone(capital(event.text));
      away.current = true;
    });
    const meter = onEvent("meter", (event) => {
      if (!event.reading) return;
      // Opened again it may give nothing yet, or nothing at all.
      if (away.current && !(event.reading.noise_dbfs > SILENT_DBFS)) return;
      away.current = false;
      setGone("");
      picture.current.reading = event.reading;
      if (event.aim_dbfs) {
        picture.current.aim = event.aim_dbfs;
        setAim((before) => (before[0] === event.aim_dbfs[0] && before[1] === event.aim_dbfs[1] ? before : event.aim_dbfs));
      }
      if (performance.now() - shown.current > 250) {
        shown.current = performance.now();
        setReading(event.reading);
      }
    });
    const still = matchMedia("(prefers-reduced-motion: reduce)").matches;
    let frame = 0;
    const tick = () => {
      if (canvas.current) {
        fit(canvas.current);
        picture.current.draw(canvas.current, { moving: false, still });
      }
      frame = requestAnimationFrame(tick);
    };
    tick();
    return () => {
      clearInterval(alive);
      ended();
      meter();
      cancelAnimationFrame(frame);
      gauge(false);
    };
  }, []);
  const advice = adviceText(reading);
  const name = input?.name ?? "the input";
  return html`<div class="gauge">
    <div>
      ${step === 1
        ? html`<h1 ref=${head} tabindex="-1" class="far">Lift the needle. Is it quiet?</h1>
            ${reading ? html`<p class="stage-more">${reading.hum_hz && reading.hum_dbfs > -65 ? `There is hum: ${decibels(reading.hum_dbfs, "dBFS", 0)} at ${Math.round(reading.hum_hz)} Hz.` : reading.noise_dbfs > SILENT_DBFS ? `The noise of the chain is ${decibels(reading.noise_dbfs, "dBFS", 0)}. No hum worth speaking of.` : "Listening …"}</p>` : gone ? html`<p class="stage-more">No sound comes from ${name}. Volume down, then plug it in and switch it on: it is heard by itself.</p>` : html`<p class="soft">Listening to ${name} …</p>`}
            <p class="care">Fasten the turntable's thin <strong>earth wire</strong> to the screw on the phono stage. <strong>Never</strong> disconnect or defeat the mains safety earth of anything; for wiring or faults ask a qualified person.</p>`
        : html`<h1 ref=${head} tabindex="-1" class="far">${gone ? `No sound comes from ${name}.` : advice || "Volume down. Then play the loudest passage."}</h1>
            <p class="stage-more">Use the gain of the interface or phono stage, not a slider in the computer. The aim is between the brackets.</p>
            <p class="aim">The highest peaks should lie between ${decibels(aim[0], "dBFS", 0)} and <${Aim} peak=${aim[1]} />.</p>
            ${reading?.highest_dbfs > -100 && html`<dl class="gauge-facts"><div><dt>highest so far</dt><dd class="number">${decibels(reading.highest_dbfs, "dBFS")}</dd></div>
              ${reading.forecast_dbfs > -100 && html`<div><dt>the side may reach</dt><dd class="number">${decibels(reading.forecast_dbfs, "dBFS")}</dd></div>`}
              <div><dt>left is louder by</dt><dd class="number">${decibels(reading.balance_db ?? 0)}</dd></div></dl>`}`}
      <p class="buttons">${next && html`<button class="main large" disabled=${Boolean(gone)} onClick=${next}>${step === 1 ? "It is quiet" : "The level is set"}</button>`}${!next && step === 2 ? html`<a class="button main large" href="/">To the shelf</a>` : null}</p>
    </div>
    <figure class="live"><div class="live-box"><canvas ref=${canvas} role="img" aria-label=${reading ? `Level: highest ${decibels(reading.highest_dbfs, "dBFS")}` : "Level"}></canvas></div></figure>
  </div>`;
}

/** Where the highest peaks should come to at most; kept for the next time. @param {{peak: number}} props */
function Aim({ peak }) {
  const field = useField(peak, (text) => readNumber(text, LOWEST_AIM_DBFS, 0), (value) => void told(post("/api/gauge", { on: true, peak_dbfs: value })).then((answer) => {
    const settings = knownNow().state?.settings;
    if (answer && settings) settings.peak_dbfs = value;
  }));
  return html`<span class="with-unit"><input type="number" aria-label="Highest peak wanted, in dBFS" min=${LOWEST_AIM_DBFS} max="0" step="1" ...${field} /> dBFS</span>`;
}
