/** What was done to the record, newest first: every change, whoever made it and wherever. */
import { html, useState } from "../html.js";
import { useAnswer } from "../parts.js";
import { recordApi } from "../server.js";
import { clock, day } from "../words.js";

const MOST_SHOWN = 200;
const WHO = { person: "", "by-hand": "in the record's files: ", survey: "found: ", undo: "undone: ", redo: "done again: ", upload: "" };
/** @type {Record<string, (facts: any, at: (frame: number) => string) => string>} */
const WORDS = {
  begun: () => "the record as it was when its history began",
  "by-hand": () => "something was changed there",
  "cuts-proposed": () => "sides and tracks",
  titles: () => "the order of the titles",
  recipe: () => "how the record is treated",
  "recipe-text": () => "a recipe from a file",
  "move-mark": (facts, at) => `side ${facts.side}, track ${facts.track}: its ${facts.edge === "stop" ? "end" : "beginning"} moved to ${at(facts.frame)}`,
  split: (facts, at) => `side ${facts.side}: a track split at ${at(facts.frame)}`,
  join: (facts) => `side ${facts.side}, track ${facts.track}: joined with the one after it`,
  "runs-on": (facts) => `side ${facts.side}, track ${facts.track}: ${facts.on === false ? "begins after a gap" : "runs on from the one before"}`,
  retitle: (facts) => `side ${facts.side}, track ${facts.track}: ${facts.title ? `called “${facts.title}”` : "called otherwise"}`,
  right: (facts) => `side ${facts.side}, track ${facts.track}: its beginning is right`,
  seen: (facts) => `side ${facts.side}: something noticed was looked at`,
  "music-start": (facts, at) => `side ${facts.side}: the music begins at ${at(facts.frame)}`,
  "music-stop": (facts, at) => `side ${facts.side}: the music ends at ${at(facts.frame)}`,
  "as-found": (facts) => `side ${facts.side}: cut as it was found`,
  leave: (facts) => `${facts.of_kind ? `all ${facts.of_kind}` : facts.repair ? "a repair" : "repairs"} left as it was played`,
  mend: (facts) => `${facts.of_kind ? `all ${facts.of_kind}` : facts.repair ? "a repair" : "repairs"} mended after all`,
  "mend-all": () => "all repairs mended again",
  "choose-take": (facts) => `side ${facts.side}: take ${facts.number} is used`,
  "swap-sides": (facts) => `sides ${facts.a} and ${facts.b} swapped`,
  notes: () => "the notes",
  "put-back": (facts) => `${facts.files} could not be read; it is as it was before`,
  sleeve: () => "the sleeve text",
  picture: (facts) => `a picture of the ${facts.picture} came`,
  "picture-away": (facts) => `the picture of the ${facts.picture} was taken away`,
  "picture-corners": (facts) => `the corners of the picture of the ${facts.picture} moved`,
};

/** @param {{record: any, rate_hz: number}} props */
export function History({ record, rate_hz }) {
  const [open, setOpen] = useState(false);
  /** @type {any[] | null} */
  const entries = useAnswer(open ? recordApi(record.id, "history") : "", record.revision)?.entries ?? null;
  /** @param {any} entry @returns {string} */
  const said = (entry) => {
    const meant = entry.of === null ? entry : (entries?.find((each) => each.seq === entry.of) ?? entry);
    const words = WORDS[meant.code]?.(meant.facts ?? {}, (frame) => clock(frame / rate_hz, 2)) ?? meant.code;
    return `${WHO[/** @type {keyof typeof WHO} */ (entry.by)] ?? ""}${words}`.replace(/^./, (first) => first.toUpperCase());
  };
  const shown = [...(entries ?? [])].reverse().slice(0, MOST_SHOWN);
  return html`<details class="history" onToggle=${(/** @type {any} */ event) => setOpen(event.currentTarget.open)}><summary>What was done</summary>
    ${open && (entries === null ? html`<p class="soft">One moment …</p>` : html`<ol reversed>${shown.map((entry) => html`<li key=${entry.seq}><span>${said(entry)}</span> <time class="soft" datetime=${entry.at_utc}>${day(entry.at_utc)}, ${new Date(entry.at_utc).toLocaleTimeString("en-GB", { hour: "2-digit", minute: "2-digit" })}</time></li>`)}</ol>`)}
  </details>`;
}
