/** The page: the frame around every place, and the places themselves, loaded when they are first gone to. */
import { followLink, recordPath, useAddress } from "./address.js";
import { askAgain } from "./changes.js";
import { watchDrops } from "./dropped.js";
import { html, render, useEffect, useRef, useState } from "./html.js";
import { knownNow, seen, start, useKnown, useRecord } from "./store.js";
import { capital, count, nameOf, tight } from "./words.js";

/** @type {Record<string, () => Promise<any>>} */
const PLACES = {
  shelf: () => import("./places/shelf.js"),
  new: () => import("./places/sleeve.js"),
  sleeve: () => import("./places/sleeve.js"),
  turntable: () => import("./places/turntable.js"),
  side: () => import("./places/side.js"),
  copies: () => import("./places/copies.js"),
  later: () => import("./places/later.js"),
  phone: () => import("./places/phone.js"),
};
/** The places of a record as its way names them. @type {Record<string, string>} */
const WORDS = { sleeve: "Sleeve", turntable: "Turntable", copies: "Copies", later: "A year later" };
/** After so long the first place has its picture. */
const FIRST_MS = 1500;
const WARM_MS = 4000;
/** What the session is doing while sound is written. */
const RECORDING = new Set(["recording", "run-out", "closing"]);
/** @type {Map<string, any>} */
const ready = new Map();

/** @param {string} place */
function usePlace(place) {
  const [, again] = useState(0);
  const have = ready.get(place);
  useEffect(() => {
    if (have || !PLACES[place]) return;
    PLACES[place]().then(
      (module) => {
        if (ready.size === 0) setTimeout(warm, FIRST_MS);
        ready.set(place, module.Place);
        again((n) => n + 1);
      },
      () => setTimeout(() => again((n) => n + 1), 1500),
    );
  });
  return have;
}

function Page() {
  const address = useAddress();
  const known = useKnown();
  const Place = usePlace(address.place);
  const main = useRef(/** @type {HTMLElement | null} */ (null));
  const key = `${address.place}/${address.record}/${address.side}`;
  const first = useRef(key);
  useEffect(() => {
    if (first.current === key) return;
    first.current = key;
    main.current?.focus({ preventScroll: true });
  }, [key]);
  return html`
    <a class="skip" href="#main" onClick=${(/** @type {Event} */ event) => { event.preventDefault(); main.current?.focus(); }}>To the main part</a>
    <header class="top">
      <a class="home" href="/"><span class="sign" aria-hidden="true"></span>sidekeep</a>
      <nav aria-label="Everywhere">
        <a href="/" aria-current=${address.place === "shelf" ? "page" : null}>Shelf</a>
        <a href="/turntable" aria-current=${address.place === "turntable" && !address.record ? "page" : null}>Turntable</a>
        <a href="/phone" aria-current=${address.place === "phone" ? "page" : null}>Let my phone in</a>
      </nav>
    </header>
    ${known.link === "down" && html`<p class="away" role="alert">The connection to sidekeep is lost. This page tries again by itself; what you typed is kept.</p>`}
    ${known.shelf_gone && html`<p class="away" role="alert">${capital(known.shelf_gone)}. This page looks for it by itself.</p>`}
    <main id="main" ref=${main} tabindex="-1" class=${`place at-${address.place}`}>
      ${address.record && html`<${Way} id=${address.record} address=${address} />`}
      ${address.place === "lost"
        ? html`<h1>There is nothing at this address.</h1><p class="by-itself"><a href="/">To the shelf</a></p>`
        : Place
          ? html`<${Place} key=${key} address=${address} />`
          : html`<p class="soft waiting">One moment …</p>`}
    </main>
    <${Notices} />
    <p class="unseen" role="status" aria-live="polite">${known.said}</p>
  `;
}

/** The way of one record from sleeve to copies, with where it stands. @param {{id: string, address: import("./shapes.js").Address}} props */
function Way({ id, address }) {
  const record = useRecord(id);
  const known = useKnown();
  const place = WORDS[address.place] ?? `Side ${address.side}`;
  useEffect(() => {
    document.title = record && !record.missing ? `${place} – ${nameOf(record)} – sidekeep` : "sidekeep";
  }, [record, place]);
  // On a phone the way is wider than the page: where one is stays in sight.
  const way = useRef(/** @type {HTMLElement | null} */ (null));
  useEffect(() => {
    const here = /** @type {HTMLElement | null} */ (way.current?.querySelector("[aria-current]")?.parentElement);
    if (way.current && here) way.current.scrollLeft = Math.max(0, here.offsetLeft + here.offsetWidth / 2 - way.current.clientWidth / 2);
  }, [record === null, address.place, address.side]);
  if (!record) return html`<div class="way-wait"></div>`;
  if (record.missing) return null;
  const sides = record.sides ?? [];
  const recording = known.session?.record === id && known.session.phase !== "done";
  const recorded = recording && RECORDING.has(known.session.phase) ? known.session.side : "";
  const copied = (record.copies ?? []).length > 0;
  const missing = sides.filter((/** @type {any} */ side) => !side.chosen_take).length;
  const all_taken = sides.length > 0 && !missing;
  const steps = [
    { place: "sleeve", side: "", text: WORDS.sleeve, state: sides.length ? "done" : "open", more: sides.length ? "read" : "not read yet" },
    { place: "turntable", side: "", text: WORDS.turntable, state: recording ? "now" : all_taken ? "done" : "open", more: recording ? (recorded ? "recording" : "on it now") : all_taken ? "all sides taken" : missing < sides.length ? `${missing > 1 ? count(missing, "side") + " are" : "a side is"} missing` : "not taken yet" },
    ...sides.map((/** @type {any} */ side) => ({
      place: "side", side: side.side, text: `Side ${side.side}`,
      state: recorded === side.side ? "now" : !side.chosen_take ? "open" : side.unsure?.length ? "look" : "done",
      more: recorded === side.side ? "recording" : !side.chosen_take ? "not taken yet" : side.unsure?.length ? `${count(side.unsure.length, "thing")} unsure` : side.cuts ? "sure" : "taken",
    })),
    { place: "copies", side: "", text: WORDS.copies, state: copied ? "done" : "open", more: copied ? "written" : "not written yet" },
    ...(sides.some((/** @type {any} */ side) => side.take_ids?.length > 1) ? [{ place: "later", side: "", text: WORDS.later, state: "open", more: "a side taken twice" }] : []),
  ];
  return html`
    <div class="way">
      <p class="way-name" title=${`${record.artist} – ${nameOf(record)}`}><span class="soft">${record.artist}</span> <cite>${nameOf(record)}</cite>${record.year ? html` <span class="soft">${record.year}</span>` : null}</p>
      <nav aria-label="This record" ref=${way}><ol>
        ${steps.map((step) => {
          const here = step.place === address.place && step.side === address.side;
          return html`<li key=${step.text} class=${step.state}>
            <a href=${recordPath(id, step.place, step.side)} aria-current=${here ? "page" : null}><span class="station" aria-hidden="true"></span>${step.text}<small>${step.more}</small></a>
          </li>`;
        })}
      </ol></nav>
    </div>`;
}

function Notices() {
  const { notices } = knownNow();
  return html`<aside class="notices" aria-label="News" aria-live="polite">
    ${notices.map(
      (notice) => html`<div key=${notice.id} class=${`notice ${notice.severity}`}>
        <p>${tight(notice.text)}</p>
        <p class="buttons">
          ${notice.action && html`<button class="quiet" onClick=${() => { seen(notice.id); notice.action?.run(); }}>${notice.action.text}</button>`}
          <button class="quiet" onClick=${() => seen(notice.id)}>I have seen it</button>
        </p>
      </div>`,
    )}
  </aside>`;
}

/** The other places are fetched once this one is shown, so that going to them takes no time. */
function warm() {
  const whenever = globalThis.requestIdleCallback ?? ((/** @type {() => void} */ work) => setTimeout(work, 500));
  whenever(() => Object.values(PLACES).forEach((load) => void load().catch(() => undefined)), { timeout: WARM_MS });
}

/** What had the focus, and the part of the place it stood in: that gets it when it has gone. @type {any} */
let had_focus = null;
/** @type {Element | null} */
let part = null;
document.addEventListener("focusin", (event) => {
  had_focus = event.target;
  part = had_focus.closest("section, details");
});
new MutationObserver(() => {
  if (had_focus?.isConnected !== false || document.activeElement !== document.body) return;
  const next = /** @type {HTMLElement} */ (part?.isConnected ? (part.querySelector(":scope > summary") ?? part) : document.getElementById("main"));
  if (next.tabIndex < 0) next.tabIndex = -1;
  next.focus({ preventScroll: true });
}).observe(document.body, { childList: true, subtree: true });

document.addEventListener("click", followLink);
watchDrops();
start();
askAgain();
const root = /** @type {Element} */ (document.getElementById("page"));
root.textContent = "";
render(html`<${Page} />`, root);
