/** What is unsure, one thing after another: listen, say that it is right, or put it right. */
import { html, useEffect, useState } from "../html.js";
import { say } from "../store.js";
import { capital, clock, count, tight } from "../words.js";

/** Letters from which on it is set smaller: what is to be done about it stays in sight. */
const LONG_ASK = 140;

/** @param {any} item */
export const unsureKey = (item) => item.id;

/** @param {any} item @param {import("./desk.js").Desk} desk */
function sentence(item, desk) {
  const why = tight(item.why.text ?? "");
  const at = clock(item.frame / desk.take.rate_hz, 1);
  const track = desk.cuts?.tracks.find((/** @type {any} */ each) => each.number === item.track);
  if (item.kind === "track-start") {
    const reason = item.why.facts.boundary === "segue" ? "There is no gap: it was placed by the music and the printed time." : "The gap is short or noisy.";
    return { ask: html`Does <cite>${track?.title || `track ${item.track}`}</cite> begin at ${at}?`, why: reason };
  }
  return { ask: why || `Something at ${at} wants a look.`, why: "" };
}

/** @param {any} side */
export function useUnsure(side) {
  const [at, setAt] = useState(0);
  const open = side.unsure ?? [];
  const now = open.length ? open[Math.min(at, open.length - 1)] : null;
  return {
    open, now, at: Math.min(at, Math.max(0, open.length - 1)), setAt,
    next() {
      if (open.length) setAt((Math.min(at, open.length - 1) + 1) % open.length);
    },
    /** Replaced by the shown part, which knows the desk. @type {() => any} */
    right: () => undefined,
  };
}

/** @param {import("../shapes.js").OnSide} props */
export function Unsure({ desk, unsure, side, edit }) {
  const { now, open } = unsure;
  const show = (item = now) => {
    desk.choose(item.track ? { kind: "mark", track: item.track, edge: "start" } : { kind: "finding", at: item.frame });
    desk.reveal(item.frame, Math.min(desk.take.rate_hz * 12, desk.stop - desk.start));
  };
  const key = now ? unsureKey(now) : "";
  useEffect(() => {
    if (now && unsure.at > 0) show();
  }, [key]);
  unsure.right = async () => {
    if (!now) return;
    if (now.kind === "track-start") {
      if (!(await edit({ kind: "right", side: side.side, track: now.track }, "That this is right"))) return;
    } else if (!(await edit({ kind: "seen", side: side.side, finding: now.id }, "That you have seen it"))) return;
    const rest = open.filter((/** @type {any} */ each) => unsureKey(each) !== key);
    say(rest.length ? `Right. ${capital(count(rest.length, "thing"))} left.` : "Nothing is unsure any more.");
    const following = rest[Math.min(unsure.at, rest.length - 1)];
    if (following) show(following);
    else {
      desk.choose(null);
      desk.seeWhole();
    }
  };
  if (!now) return html`<section class="unsure sure" aria-label="What is unsure"><p class="ask">Nothing is unsure.</p></section>`;
  const words = sentence(now, desk);
  return html`<section class="unsure" aria-label="What is unsure">
    <p class="soft">${open.length === 1 ? "One thing is unsure" : `${capital(count(open.length, "thing"))} are unsure; this is number ${unsure.at + 1}`}</p>
    <p class=${typeof words.ask === "string" && words.ask.length > LONG_ASK ? "ask long" : "ask"}>${words.ask}</p>
    ${words.why && html`<p class="soft">${words.why}</p>`}
    <p class="buttons">
      <button class="main" onClick=${() => void unsure.right()}>${now.kind === "track-start" ? "This is right" : "I have seen it"} <kbd>Enter</kbd></button>
      <button onClick=${() => { show(); desk.listenAround({ start: Math.max(0, now.frame - 2.5 * desk.take.rate_hz), stop: Math.min(desk.take.length, now.frame + 2.5 * desk.take.rate_hz) }); }}>Listen there</button>
      ${now.why.code === "marks-carried" ? html`<button class="quiet" onClick=${() => void edit({ kind: "as-found", side: side.side }, "That it is cut as found")}>Cut this take as it was found</button>` : html`<button class="quiet" onClick=${() => show()}>Show it</button>`}
      ${open.length > 1 && html`<button class="quiet" onClick=${() => unsure.next()}>The next one <kbd>N</kbd></button>`}
    </p>
  </section>`;
}

/** @param {any[]} unsure @param {number} track */
export const unsureOf = (unsure, track) => unsure.some((item) => item.track === track);
