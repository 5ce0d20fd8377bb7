/** Two takes of a side laid over each other: the marks of both on one disc, and the new ones to listen to. */
import { html, useEffect, useRef, useState } from "../html.js";
import { get } from "../server.js";
import { say, tell } from "../store.js";
import { capital, clock, count, decibels, whole } from "../words.js";

/** Radii of a 12 inch disc in millimetres (IEC 60098). */
const EDGE_MM = 146;
const INSIDE_MM = 60;
const MOST_POINTS = 2500;
const MOST_LISTED = 12;
const HEARD_S = 3;
const NOMINAL_TURN_S = 1.8;

/**
 * @param {{found: any, old: any, young: any, colour: string}} props what the comparison found, the two takes, the colour of the label
 */
export function TwoDiscs({ found, old, young, colour }) {
  const [damage, setDamage] = useState(/** @type {any[]} */ ([]));
  useEffect(() => {
    let stale = false;
    setDamage([]);
    void get(`/api/takes/${encodeURIComponent(old.id)}/damage`).then((answer) => !stale && setDamage(answer.repairs), () => undefined);
    return () => {
      stale = true;
    };
  }, [old.id]);
  const period_s = found.turn?.period_s || NOMINAL_TURN_S;
  const { offset_s, speed_ratio } = found.alignment;
  /** A moment of the new take, as it is on the old one. @param {number} at_s */
  const onOld = (at_s) => (at_s - offset_s) / (speed_ratio || 1);
  const added = found.marks.new ?? [];
  const gone = found.marks.gone ?? [];
  const gone_at = gone.map((/** @type {any} */ mark) => mark.start_s);
  const kept = [...damage].sort((a, b) => b[5] - a[5]).slice(0, MOST_POINTS).map((row) => row[1] / old.rate_hz)
    .filter((at_s) => !gone_at.some((/** @type {number} */ other) => Math.abs(other - at_s) < 0.002));
  /** @param {number} at_s @returns {[number, number]} */
  const place = (at_s) => {
    const radius = EDGE_MM - Math.min(1, Math.max(0, at_s / old.length_s)) * (EDGE_MM - INSIDE_MM);
    const angle = 2 * Math.PI * ((at_s / period_s) % 1);
    return [Number((radius * Math.sin(angle)).toFixed(1)), Number((-radius * Math.cos(angle)).toFixed(1))];
  };
  const dots = kept.map((at_s) => { const [x, y] = place(at_s); return `M${x} ${y}h0`; }).join("");
  const rings = gone.map((/** @type {any} */ mark) => { const [x, y] = place(mark.start_s); return `M${x - 2.4} ${y}a2.4 2.4 0 1 0 4.8 0a2.4 2.4 0 1 0-4.8 0`; }).join("");
  const diamonds = added.map((/** @type {any} */ mark) => { const [x, y] = place(onOld(mark.start_s)); return `M${x} ${Number((y - 3.4).toFixed(1))}l3.4 3.4-3.4 3.4-3.4-3.4z`; }).join("");
  const loudest = [...added].sort((a, b) => b.size_db - a.size_db).slice(0, MOST_LISTED).sort((a, b) => a.start_s - b.start_s);
  return html`<h2>On the disc</h2><div class="two-discs">
    <figure><svg viewBox="-152 -152 304 304" role="img" aria-label=${`Both takes from above: ${count(added.length, "new mark")}, ${count(gone.length, "mark")} gone.`}>
      <circle class="disc" r="150" /><path class="on-both" d=${dots} /><path class="gone" d=${rings} /><path class="new" d=${diamonds} /><circle r="50" fill=${colour} /><circle class="disc-hole" r="3.6" /></svg></figure>
    <div><ul class="disc-key">
      <li><svg viewBox="-5 -5 10 10" aria-hidden="true"><rect class="disc" x="-5" y="-5" width="10" height="10" /><path class="new" d="M0-3.4l3.4 3.4-3.4 3.4-3.4-3.4z" /></svg>${capital(count(added.length, "new mark"))}</li>
      <li><svg viewBox="-5 -5 10 10" aria-hidden="true"><rect class="disc" x="-5" y="-5" width="10" height="10" /><path class="gone" d="M-2.4 0a2.4 2.4 0 1 0 4.8 0a2.4 2.4 0 1 0-4.8 0" /></svg>${capital(count(gone.length, "mark"))} gone</li>
      <li><svg viewBox="-5 -5 10 10" aria-hidden="true"><rect class="disc" x="-5" y="-5" width="10" height="10" /><path class="on-both" d="M0 0h0" /></svg>on both: ${whole(found.marks.persisting ?? kept.length)}</li></ul>
      <p class="soft">From above: the edge is where the side begins, the angle is the place in the turn. A scratch is a line.</p>
      ${loudest.length > 0 && html`<${NewMarks} marks=${loudest} old=${old} young=${young} onOld=${onOld} all=${added.length} />`}
    </div></div>`;
}

/** The loudest new marks, to hear on both takes. @param {{marks: any[], old: any, young: any, onOld: (at_s: number) => number, all: number}} props */
function NewMarks({ marks, old, young, onOld, all }) {
  const [heard, setHeard] = useState("");
  const player = useRef(/** @type {HTMLAudioElement | null} */ (null));
  const stop = () => {
    player.current?.pause();
    player.current = null;
    setHeard("");
  };
  useEffect(() => stop, []);
  /** @param {any} take @param {number} at_s @param {string} key @param {string} what */
  const play = (take, at_s, key, what) => {
    const again = heard === key;
    stop();
    if (again) return;
    const start = Math.max(0, Math.round((at_s - HEARD_S / 2) * take.rate_hz));
    const sound = new Audio(`/api/takes/${encodeURIComponent(take.id)}/sound?${new URLSearchParams({ start_frame: String(start), stop_frame: String(start + HEARD_S * take.rate_hz), as: "played" })}`);
    player.current = sound;
    sound.onended = () => player.current === sound && stop();
    setHeard(key);
    say(what);
    sound.play().catch(() => {
      if (player.current !== sound) return;
      stop();
      tell("The sound could not be played.", { severity: "act" });
    });
  };
  return html`<h3>The new marks${all > marks.length ? `, the ${count(marks.length, "loudest", "loudest")}` : ""}</h3>
    <table class="new-marks"><thead><tr><th scope="col">At</th><th scope="col">Over the music</th><th scope="col">Listen</th></tr></thead>
      <tbody>${marks.map((mark, at) => html`<tr key=${at}><th scope="row" class="number">${clock(mark.start_s, 1)}</th><td class="number">${decibels(mark.size_db, "dB", 0)}</td>
        <td class="buttons">${[{ take: old, at_s: onOld(mark.start_s), text: "old" }, { take: young, at_s: mark.start_s, text: "new" }].map(({ take, at_s, text }) => html`<button class="quiet" aria-pressed=${heard === `${text}${at}` ? "true" : "false"} onClick=${() => play(take, at_s, `${text}${at}`, `The ${text} take at ${clock(mark.start_s, 1)}`)}>${text}<span class="unseen"> take at ${clock(mark.start_s, 1)}</span></button>`)}</td></tr>`)}</tbody></table>`;
}
