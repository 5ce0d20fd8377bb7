/** Shelf: the records as a stack of spines, what is next tonight, and how to add one. */
import { go, recordPath } from "../address.js";
import { sleeveColour, writingOn } from "../colours.js";
import { holdForNew, useDropped } from "../dropped.js";
import { html, useEffect, useLayoutEffect, useMemo, useState } from "../html.js";
import { Empty, Select } from "../parts.js";
import { keepDraft } from "../remembered.js";
import { get, newestOnly, post, put, recordApi, remove } from "../server.js";
import { knownNow, loadShelf, loadState, showPile, tell, told, useKnown } from "../store.js";
import { capital, count, listed, nameOf } from "../words.js";
import { Foot, Interrupted } from "../shelf/care.js";

const GROUPS = [
  ["all", "all records"],
  ["open", "what is not finished"],
  ["take", "what waits for the needle"],
  ["unsure", "what wants a look"],
  ["done", "what is finished"],
];

/** @param {any} record @param {string} group */
function belongs(record, group) {
  const taken = record.sides.length > 0 && record.sides.every((/** @type {any} */ side) => side.state !== "planned");
  const finished = ["copied", "verified"].includes(record.state);
  if (group === "open") return !finished;
  if (group === "take") return !taken;
  if (group === "unsure") return unsure(record) > 0;
  if (group === "done") return finished;
  return true;
}

/** @param {any} record */
const unsure = (record) => record.unsure_count;

/** What is to be done with a record next, in a few words, and where. @param {any} record */
export function nextStep(record) {
  const missing = record.sides.filter((/** @type {any} */ side) => side.state === "planned").map((/** @type {any} */ side) => side.side);
  const session = knownNow().session;
  if (session?.record === record.id && session.phase !== "done") return { text: "on the turntable now", place: "turntable", side: "" };
  if (record.trouble) return { text: record.state === "gone" ? "its folder is gone" : "its folder cannot be read", place: "sleeve", side: "" };
  if (!record.sides.length) return { text: "no tracks on its sleeve yet", place: "sleeve", side: "" };
  if (missing.length === record.sides.length) return { text: "waits for the needle", place: "turntable", side: "" };
  if (missing.length) return { text: missing.length > 1 ? `sides ${listed(missing)} are missing` : `side ${missing[0]} is missing`, place: "turntable", side: "" };
  if (unsure(record)) return { text: `${count(unsure(record), "thing wants", "things want")} a look`, place: "side", side: (record.sides.find((/** @type {any} */ side) => side.unsure_count) ?? record.sides[0]).side };
  if (["copied", "verified"].includes(record.state)) return { text: record.state === "verified" ? "copied and read back" : "copied", place: "copies", side: "" };
  if (record.state === "taken") return { text: "taken; its tracks are not looked for yet", place: "side", side: record.sides[0].side };
  return { text: "ready for its copies", place: "copies", side: "" };
}

export function Place() {
  const known = useKnown();
  const [words, setWords] = useState(() => new URLSearchParams(location.hash.slice(1)).get("find") ?? "");
  const [group, setGroup] = useState("all");
  const [found, setFound] = useState(/** @type {Set<string> | null} */ (null));
  useEffect(() => {
    document.title = "The shelf – sidekeep";
    void loadShelf();
  }, []);
  usePasted();
  useDropped({ takes: () => true, take: (files) => { holdForNew(files); go("/new"); } });
  useEffect(() => {
    history.replaceState(null, "", words ? `#${new URLSearchParams({ find: words })}` : "/");
    if (!words.trim()) return setFound(null);
    let stale = false;
    const timer = setTimeout(async () => {
      const answer = await told(get(`/api/records?${new URLSearchParams({ words })}`));
      if (answer && !stale) setFound(new Set(answer.records.map((/** @type {any} */ record) => record.id)));
    }, 120);
    return () => {
      stale = true;
      clearTimeout(timer);
    };
  }, [words, known.shelf]);

  const records = known.shelf;
  const shown = useMemo(() => (records ?? []).filter((record) => belongs(record, group) && (!found || found.has(record.id))), [records, group, found]);
  /** @type {string[]} */
  const pile = known.state?.pile ?? [];
  const piled = pile.map((id) => records?.find((record) => record.id === id)).filter(Boolean);
  const due = (records ?? []).filter((/** @type {any} */ record) => record.play_again_after && record.play_again_after <= new Date().toISOString().slice(0, 10));
  const empty = records !== null && records.length === 0;

  return html`
    <div class="shelf-head">
      <h1>${empty ? "Your shelf is empty." : records === null ? "Your shelf" : `${capital(count(records.length, "record"))} on your shelf`}</h1>
      <${Adding} empty=${empty} />
    </div>
    <${Interrupted} shelf=${records} />
    ${due.length > 0 && html`<p class="finding">${capital(count(due.length, "record is", "records are"))} to be played again: ${due.map((/** @type {any} */ record, /** @type {number} */ at) => html`${at > 0 && ", "}<a href=${recordPath(record.id, "later")}>${nameOf(record)}</a>`)}.</p>`}
    ${piled.length > 0 && html`<${Tonight} piled=${piled} />`}
    ${!empty && html`
      <section aria-labelledby="all-of-it" class="stack-part">
        <div class="finding-row">
          <h2 id="all-of-it">The stack</h2>
          <label class="find"><span>Find</span><input type="search" value=${words} placeholder="artist, title, year, label" onInput=${(/** @type {any} */ event) => setWords(event.target.value)} /></label>
          <label class="find"><span>Show</span><${Select} value=${group} options=${GROUPS} set=${setGroup} /></label>
        </div>
        <p class="unseen" role="status">${found || group !== "all" ? `${count(shown.length, "record")} found` : ""}</p>
        ${records !== null && shown.length === 0 && html`<p class="soft nothing">No record matches. ${words && html`<button class="quiet" onClick=${() => setWords("")}>Show all again</button>`}</p>`}
        <ol class="stack">${shown.map((record) => html`<${Spine} key=${record.id} record=${record} pile=${pile} />`)}</ol>
      </section>`}
    <${Bin} shelf=${records} />
    <${Foot} state=${known.state} />
  `;
}

/** A track list pasted anywhere on the shelf is a new record. */
function usePasted() {
  // Before the page is painted: who sees it may paste at once.
  useLayoutEffect(() => {
    /** @param {ClipboardEvent} event */
    const paste = (event) => {
      if (/** @type {Element} */ (event.target).closest?.("input, textarea, select")) return;
      const text = event.clipboardData?.getData("text/plain");
      if (!text?.trim()) return;
      event.preventDefault();
      keepDraft("new", text);
      go("/new");
    };
    document.addEventListener("paste", paste);
    return () => document.removeEventListener("paste", paste);
  }, []);
}

/** @param {{empty: boolean}} props */
function Adding({ empty }) {
  return html`<div class=${`adding ${empty ? "first" : ""}`}>
    <p>${empty ? "Paste the track list of a record anywhere on this page, the way the sleeve or a web page prints it; or drop its recordings and pictures here." : "To add a record, paste its track list anywhere on this page, or drop its recordings and pictures."}</p>
    <p class="buttons"><a class="button" href="/new">Type it, or bring files</a></p>
  </div>`;
}

/** One record, seen from its spine. @param {{record: any, pile: string[]}} props */
function Spine({ record, pile }) {
  const colour = sleeveColour(record);
  const next = nextStep(record);
  const pressed = pile.includes(record.id) ? "not tonight" : "play tonight";
  return html`<li>
    <a class=${record.colour ? "spine" : "spine bound"} href=${recordPath(record.id, next.place, next.side)} style=${{ "--colour": colour, "--writing": writingOn(colour) }}>
      <span class="spine-name"><span>${record.artist || "Unknown"}</span> <cite>${nameOf(record)}</cite></span>
      <span class="spine-year number">${record.year ?? ""}</span>
      <span class="spine-next">${next.text}</span>
      <${Sides} sides=${record.sides} />
    </a>
    <button class="quiet" aria-label=${`${pressed}: ${nameOf(record)}`} onClick=${() => keepPile((now) => (now.includes(record.id) ? now.filter((id) => id !== record.id) : [...now, record.id]))}>${pressed}</button>
  </li>`;
}

/** Small discs, one a side: a ring is not taken, a disc is, a point in it wants a look. @param {{sides: any[]}} props */
function Sides({ sides }) {
  const said = sides.map((side) => `side ${side.side} ${side.state === "planned" ? "not taken" : side.unsure_count ? "taken, wants a look" : "taken"}`);
  return html`<span class=${sides.length > 8 ? "spine-sides many" : "spine-sides"}><span class="unseen">${said.join(", ")}</span>
    ${sides.map((side) => html`<svg viewBox="0 0 20 20" aria-hidden="true" key=${side.side}>
      ${side.state === "planned"
        ? html`<circle cx="10" cy="10" r="7.5" fill="none" stroke="currentColor" stroke-width="1.6" stroke-dasharray="3 2.4" />`
        : html`<circle cx="10" cy="10" r="8.3" fill="currentColor" /><circle cx="10" cy="10" r="2.6" fill="var(--colour)" />`}
    </svg>`)}</span>`;
}

/** The pile as it was last pressed, until that is answered. @type {string[] | null} */
let wanted_pile = null;
let pile_kept = Promise.resolve();
/** What is pressed holds at once and is sent in turn: the next press starts from it. @param {(pile: string[]) => string[]} change */
function keepPile(change) {
  const pile = (wanted_pile = change(wanted_pile ?? knownNow().state?.pile ?? []));
  showPile(pile);
  pile_kept = pile_kept.then(async () => {
    const answer = await told(put("/api/pile", { records: pile }));
    if (pile !== wanted_pile) return;
    wanted_pile = null;
    if (answer) showPile(pile);
    else await loadState();
  });
}

/** The pile beside the turntable, in order. @param {{piled: any[]}} props */
function Tonight({ piled }) {
  const first = piled[0];
  /** @param {string} id */
  const sooner = (id) => keepPile((now) => {
    const order = now.filter((each) => each !== id);
    order.splice(Math.max(0, now.indexOf(id) - 1), 0, id);
    return order;
  });
  return html`<section class="tonight" aria-labelledby="tonight">
    <h2 id="tonight">Tonight</h2>
    <ol>${piled.map((record, place) => html`<li key=${record.id}>
      <span class="number soft">${place + 1}</span>
      <span><a href=${recordPath(record.id)}><span class="soft">${record.artist}</span> <cite>${nameOf(record)}</cite></a> <span class="soft">${nextStep(record).text}</span></span>
      <span class="buttons">
        ${place > 0 && html`<button class="quiet" onClick=${() => sooner(record.id)} aria-label=${`${nameOf(record)}: sooner`}>sooner</button>`}
        <button class="quiet" onClick=${() => keepPile((now) => now.filter((id) => id !== record.id))} aria-label=${`${nameOf(record)}: not tonight`}>not tonight</button>
      </span>
    </li>`)}</ol>
    <p><a class="button main" href=${recordPath(first.id, "turntable")}>To the turntable with <cite>${nameOf(first)}</cite></a></p>
  </section>`;
}

/** Records that were thrown away, until somebody empties the bin. @param {{shelf: any[] | null}} props */
function Bin({ shelf }) {
  const [binned, setBinned] = useState(/** @type {any[]} */ ([]));
  const [ask] = useState(newestOnly);
  const load = () => ask("/api/bin").then((answer) => answer && setBinned(answer.records), () => undefined);
  useEffect(() => void load(), [shelf]);
  if (!binned.length) return null;
  return html`<details class="bin"><summary>In the bin: ${count(binned.length, "record")}</summary>
    <ul class="takes">${binned.map((record) => html`<li key=${record.id}><span><span class="soft">${record.artist}</span> <cite>${nameOf(record)}</cite></span>
      <button class="quiet" onClick=${async () => { if (await told(post(recordApi(record.id, "restore")))) tell(`${nameOf(record)} is back on the shelf.`); await load(); }}>Bring it back<span class="unseen">: ${nameOf(record)}</span></button></li>`)}</ul>
    <${Empty} what=${count(binned.length, "record")} empty=${async () => { if (await told(remove("/api/bin"))) tell("The bin is empty."); await load(); }} /></details>`;
}
