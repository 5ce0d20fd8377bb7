/** Sleeve: the text as it stands on the left, as it is understood on the right; pictures; recordings that exist already. */
import { go, recordPath } from "../address.js";
import { change } from "../changes.js";
import { giveHeldTo, isText, useDropped } from "../dropped.js";
import { html, useEffect, useLayoutEffect, useRef, useState } from "../html.js";
import { Bar, Missing } from "../parts.js";
import { isOnlyHere, keepDraft, recallDraft } from "../remembered.js";
import { post, recordApi, Refused, remove } from "../server.js";
import { forgetRecord, keepRecord, tell, told, unsay, useKnown, useRecord } from "../store.js";
import { capital, clock, count, listed } from "../words.js";
import { Pictures } from "../sleeve/pictures.js";
import { BringIn } from "../sleeve/bring_in.js";
import { startSession } from "../turntable/session.js";

const NO_LIST = "Type or paste the track list first; a title alone is enough. What you brought stays.";
const EXAMPLE = "Artist - Title (Year)\n\nSide A\nFirst song 3:45\nSecond song 4:10\n\nSide B\nThird song 5:02";

/** @param {{address: import("../shapes.js").Address}} props */
export function Place({ address }) {
  const record = useRecord(address.record);
  if (address.record && !record) return html`<p class="soft waiting">One moment …</p>`;
  if (record?.missing) return html`<${Missing} record=${record} />`;
  return html`<${Sleeve} key=${address.record || "new"} id=${address.record} record=${record} />`;
}

/** @param {{id: string, record: any}} props */
function Sleeve({ id, record }) {
  useKnown();
  const what = id || "new";
  const kept = record?.sleeve_text ?? "";
  const [text, setText] = useState(() => recallDraft(what) ?? kept);
  const [busy, setBusy] = useState(false);
  const reading = useReading(text);
  const field = useRef(/** @type {HTMLTextAreaElement | null} */ (null));
  const touched = useRef(recallDraft(what) !== null);
  const typed = useRef(text); // what stands in the field at this moment, drawn or not
  // What was kept when the typing began: another text that came since must not be lost unseen.
  const began = useRef(recallDraft(`${what} began`) ?? kept);
  const unkept = text !== kept;
  const [bringing, setBringing] = useState(/** @type {import("../shapes.js").Bringing} */ ({ here: 0, wanted: 0, doing: "", share: 0 }));
  const bring = useRef(() => undefined);
  const recordings = count(bringing.here, "recording");

  const forget = () => {
    touched.current = false;
    keepDraft(what, null);
    keepDraft(`${what} began`, null);
  };
  useEffect(() => {
    if (!id) document.title = "A new record – sidekeep";
    if (!id && !text) field.current?.focus();
  }, []);
  // The text kept on the shelf changed (another page, an undo): take it, unless something typed here is not kept yet.
  useEffect(() => {
    if (id && !touched.current) setText((typed.current = kept));
    if (id && typed.current === kept) forget();
  }, [kept]);

  /** @param {string} next */
  const type = (next) => {
    setText((typed.current = next));
    if (id && !touched.current) {
      began.current = kept;
      keepDraft(`${what} began`, kept);
    }
    touched.current = true;
    keepDraft(what, id && next === kept ? null : next);
  };

  useDropped({
    takes: isText,
    take: async ([file]) => {
      if (typed.current.trim()) tell(`${file.name} was left out: there is a track list already. Clear it first, or paste what is missing.`, { severity: "look" });
      else type(await file.text());
    },
  }, id);

  /** Make the record, or keep its text. @param {boolean} [in_place] of another text that came meanwhile, too @returns {Promise<any>} the record, or null */
  const keep = async (in_place = false) => {
    if (busy) return null;
    if (id && unkept && began.current !== kept && !in_place) {
      tell("The sleeve text was changed on another page since you began typing. Yours is not kept yet.", { severity: "look", action: { text: "Keep mine in its place", run: () => void keep(true) } });
      return null;
    }
    setBusy(true);
    try {
      if (!id) {
        if (!text.trim()) {
          tell(NO_LIST, { severity: "look" });
          field.current?.focus();
          return null;
        }
        const made = await told(post("/api/records", { text }));
        if (!made) return null;
        keepDraft("new", null);
        unsay(NO_LIST);
        giveHeldTo(made.id);
        return keepRecord(made);
      }
      if (!unkept) return record;
      const now = await change(id, "sleeve", { text }, "Your sleeve text", { puts: true });
      if (now && typed.current === text) forget();
      else if (now) keepDraft(`${what} began`, (began.current = text)); // more was typed meanwhile: that is not kept yet
      return now;
    } finally {
      setBusy(false);
    }
  };
  const onward = async () => {
    const now = await keep();
    if (!now) return;
    await startSession(now);
  };
  const only_keep = async () => {
    const now = await keep();
    if (now && !id) go(recordPath(now.id), { replace: true });
    return now;
  };

  const tracks = reading ? reading.record.sides.reduce((sum, side) => sum + side.tracks.length, 0) : 0;
  const doubts = reading ? reading.lines.filter((line) => line.doubts.length) : [];
  const all_taken = (record?.sides ?? []).length > 0 && record.sides.every((/** @type {any} */ side) => side.chosen_take);
  return html`
    <div class="sleeve-head">
      <h1>${id ? "What the sleeve says" : "A new record"}</h1>
      <p class="soft" role="status">${said(reading, text, tracks, doubts.length)}</p>
      <p role="status" class=${bringing.doing || bringing.here ? "finding" : ""}>${bringing.doing ? `${bringing.doing} …` : bringing.here > 0 && `${capital(recordings)} wait${bringing.here === 1 ? "s" : ""} here, further down.${text.trim() ? "" : " The track list comes first; a title alone is enough."}`}</p>
      ${bringing.doing && html`<${Bar} share=${bringing.share} label="Bringing the recordings in" />`}
    </div>
    <div class="sleeve-text">
      <${Lines} text=${text} reading=${reading} type=${type} field=${field} keep=${only_keep} />
      <div class="sleeve-do">
        <p class="buttons">
          ${bringing.here > 0 && !bringing.doing && html`<button class="main" disabled=${busy || !text.trim() || !bringing.wanted} onClick=${() => bring.current()}>Bring the ${recordings} in</button>`}
          ${all_taken
            ? html`<button class="main" disabled=${!unkept || busy} onClick=${only_keep}>${unkept ? "Keep this text" : "Kept"}</button>`
            : html`<button class=${bringing.here ? "" : "main"} disabled=${busy || !text.trim()} onClick=${onward}>To the turntable</button>
                <button disabled=${busy || !unkept || !text.trim()} onClick=${only_keep}>${id && !unkept ? "Kept" : "Only keep it"}</button>`}
          ${id && unkept && html`<button class="quiet" onClick=${() => { forget(); setText((typed.current = kept)); }}>Back to what was kept</button>`}
        </p>
        ${unkept && text.trim() && html`<p class="soft">${isOnlyHere(what) ? "This browser remembers nothing: keep it before you leave this page." : "Typed text is remembered by this browser until you keep it."}</p>`}
      </div>
    </div>
    <div class="sleeve-more">
      <${Pictures} record=${record} make=${only_keep} />
      <${BringIn} record=${record} sides=${reading ? reading.record.sides.map((side) => side.side) : []} make=${only_keep} show=${setBringing} hand=${bring} />
      ${record && html`<${Discard} record=${record} />`}
    </div>
  `;
}

/** A record that is not wanted goes to the shelf's bin, whole. @param {{record: any}} props */
function Discard({ record }) {
  const back = () => void told(post(recordApi(record.id, "restore"))).then((done) => done && go(recordPath(record.id)));
  const away = async () => {
    if (!(await told(remove(recordApi(record.id))))) return;
    tell("The record is in the bin, with all its takes and copies.", { action: { text: "Bring it back", run: back } });
    forgetRecord(record.id);
    go("/");
  };
  return html`<section class="discard" aria-labelledby="discard"><h2 id="discard">Not on this shelf</h2><p class="soft">The record goes to the shelf's bin, with its takes and copies, and can be brought back until the bin is emptied.</p>
    <p class="buttons"><button class="quiet" onClick=${away}>Put this record in the bin</button></p></section>`;
}

/** The reading in one sentence. @param {import("../shapes.js").SleeveRead | null} reading @param {string} text @param {number} tracks @param {number} doubts */
function said(reading, text, tracks, doubts) {
  if (!text.trim()) return "Paste or type the track list, the way the sleeve prints it. Nearly any form is read.";
  if (!reading) return "Reading …";
  const record = reading.record;
  if (!tracks) return "No track is understood yet: one title to a line is enough.";
  const names = record.sides.map((side) => side.side);
  return `${count(tracks, "track")} on ${names.length === 1 ? "side" : "sides"} ${listed(names)}${doubts ? `; ${count(doubts, "line")} in doubt, marked below` : ", and nothing in doubt"}.`.replace(/^./, (first) => first.toUpperCase());
}

/** Ask the server how the text reads, a little after every key. @param {string} text @returns {import("../shapes.js").SleeveRead | null} */
function useReading(text) {
  const [reading, setReading] = useState(/** @type {any} */ (null));
  useEffect(() => {
    if (!text.trim()) return setReading(null);
    let stale = false;
    const timer = setTimeout(async () => {
      try {
        const answer = await post("/api/sleeve/read", { text });
        if (!stale) setReading(tidy(answer));
      } catch (error) {
        if (!(error instanceof Refused)) throw error;
        if (!stale && error.code !== "away") setReading({ record: { artist: "", title: "", year: null, sides: [] }, lines: [{ number: 1, text: "", reads_as: "unread", doubts: [{ code: error.code, text: error.message }] }] });
      }
    }, reading ? 90 : 0);
    return () => {
      stale = true;
      clearTimeout(timer);
    };
  }, [text]);
  return reading;
}

/** @param {any} answer */
function tidy(answer) {
  const sides = answer.record.sides.map((/** @type {any} */ side) => ({ side: side.name, tracks: side.tracks }));
  return { record: { ...answer.record, sides }, lines: answer.lines };
}

/**
 * The text and its reading, line beside line.
 * @param {{text: string, reading: import("../shapes.js").SleeveRead | null, type: (text: string) => void, field: {current: HTMLTextAreaElement | null}, keep: () => void}} props
 */
function Lines({ text, reading, type, field, keep }) {
  const by_number = new Map((reading?.lines ?? []).map((line) => [line.number, line]));
  const lines = text.split("\n");
  const under = useRef(/** @type {HTMLElement | null} */ (null));
  useLayoutEffect(() => {
    const area = field.current;
    if (!area) return;
    area.rows = Math.max(9, lines.length + 1);
    const fit = () => {
      area.style.height = "";
      if (area.scrollHeight > area.clientHeight) area.style.height = `${area.scrollHeight + area.offsetHeight - area.clientHeight}px`;
    };
    fit();
    addEventListener("resize", fit);
    const follow = () => under.current && (under.current.scrollLeft = area.scrollLeft);
    area.addEventListener("scroll", follow);
    return () => {
      area.removeEventListener("scroll", follow);
      removeEventListener("resize", fit);
    };
  }, [text]);
  /** @param {number} number */
  const jump = (number) => {
    const area = field.current;
    if (!area) return;
    const start = lines.slice(0, number - 1).reduce((sum, line) => sum + line.length + 1, 0);
    area.focus();
    area.setSelectionRange(start, start + (lines[number - 1]?.length ?? 0));
  };
  const doubted = (reading?.lines ?? []).filter((line) => line.doubts.length);
  return html`
    <div class="lines">
      <div class="typed">
        <label for="sleeve-text" class="soft">Sleeve text</label>
        <div class="typed-box">
          <pre class="under" aria-hidden="true" ref=${under}>${lines.map((line, at) => html`<span class=${by_number.get(at + 1)?.doubts.length ? "doubted" : ""}>${line}</span>${"\n"}`)}</pre>
          <textarea id="sleeve-text" ref=${field} wrap="off" spellcheck=${false} autocomplete="off" value=${text} placeholder=${EXAMPLE} aria-describedby=${doubted.length ? "doubts" : null}
            onInput=${(/** @type {any} */ event) => type(event.target.value)}
            onKeyDown=${(/** @type {KeyboardEvent} */ event) => { if (event.key === "s" && (event.ctrlKey || event.metaKey)) { event.preventDefault(); keep(); } }}></textarea>
        </div>
      </div>
      <div class="understood">
        <p class="soft" id="understood">As it is understood</p>
        <ol aria-labelledby="understood">${lines.map((_, at) => html`<${Understood} key=${at} line=${by_number.get(at + 1)} reading=${reading} />`)}</ol>
      </div>
    </div>
    ${doubted.length > 0 && html`<ul id="doubts" class="doubts">${doubted.map((line) => html`<li key=${line.number}>
      <button class="quiet" onClick=${() => jump(line.number)}>Line ${line.number}</button> ${line.doubts.map((doubt) => doubt.text).join("; ")}</li>`)}</ul>`}`;
}

const FIELD_WORDS = /^\s*([^:=]{2,30})[:=]\s*(.+)$/;
/** @param {{line: import("../shapes.js").LineRead | undefined, reading: import("../shapes.js").SleeveRead | null}} props */
function Understood({ line, reading }) {
  if (!line || !line.text?.trim() || line.reads_as === "blank") return html`<li class="blank" aria-hidden="true"></li>`;
  const doubt = line.doubts.length ? html` <span class="doubt-word">in doubt</span>` : null;
  if (line.reads_as === "title") {
    const record = reading?.record;
    return html`<li class="title"><cite>${record?.title || "?"}</cite> ${record?.artist && html`<span class="soft">by ${record.artist}</span>`}${record?.year && html` <span class="soft year number">${record.year}</span>`}${doubt}</li>`;
  }
  if (line.reads_as === "side") return html`<li class="side">Side ${line.side ?? "?"}${doubt}</li>`;
  if (line.reads_as === "track") {
    const side = reading?.record.sides.find((each) => each.side === line.side);
    const track = side?.tracks.find((each) => each.number === line.track);
    return html`<li class="track"><span class="number soft">${line.side}${line.track}</span><span class="track-name"><cite>${track?.title ?? line.text}</cite>${track?.artist ? html` <span class="soft">${track.artist}</span>` : null}${doubt}</span>
      <span class="number">${track?.duration_s ? clock(track.duration_s) : html`<span class="soft">no time</span>`}</span></li>`;
  }
  if (line.reads_as === "field") {
    const parts = FIELD_WORDS.exec(line.text);
    return html`<li class="field soft">${parts ? `${parts[1].trim()}: ${parts[2]}` : line.text}${doubt}</li>`;
  }
  if (line.reads_as === "note") return html`<li class="field soft">note: ${line.text}${doubt}</li>`;
  if (line.reads_as === "read") return html`<li class="field soft">understood${doubt}</li>`;
  return html`<li class="field">not understood${doubt}</li>`;
}

