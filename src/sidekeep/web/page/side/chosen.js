/** What is chosen, in one sentence, with the verbs that fit it. */
import { html, useEffect, useRef, useState } from "../html.js";
import { overtaken } from "../field.js";
import { useLeaving } from "../leaving.js";
import { clock, count, decibels, readClock, whole } from "../words.js";

const ONE = { tick: "A tick", pop: "A pop", crackle: "A bit of crackle", thump: "A thump" };
const MANY = { tick: "ticks", pop: "pops", crackle: "crackle", thump: "thumps" };
const WHERE = { L: "in the left channel", R: "in the right channel", both: "in both channels" };

/** @param {import("./desk.js").Desk} desk */
export const takeMark = (desk) => desk.take.view.take?.sha16 ?? "";

/** @param {import("../shapes.js").OnSide} props */
export function Chosen({ desk, edit, side }) {
  const choice = desk.choice;
  /** What is being typed is let go. @type {{current: () => void}} */
  const letGo = useRef(() => undefined);
  const putBack = () => {
    letGo.current(); // pressing the button takes no focus: the field was not left, and has kept nothing yet
    desk.choose(null);
  };
  /** @type {any} */
  let body;
  if (choice?.kind === "mark") body = html`<${Mark} key=${`${choice.track}${choice.edge}`} desk=${desk} edit=${edit} side=${side} mark=${choice} letGo=${letGo} />`;
  else if (choice?.kind === "repair" && desk.repair(choice.id)) body = html`<${OneRepair} desk=${desk} edit=${edit} repair=${desk.repair(choice.id)} />`;
  else if (choice?.kind === "region") body = html`<${Region} desk=${desk} edit=${edit} region=${choice} />`;
  else body = html`<${Needle} desk=${desk} edit=${edit} side=${side} />`;
  return html`<section class="chosen" aria-label="What is chosen" aria-live="off">${body}
    ${choice && html`<p class="buttons"><button class="quiet" onClick=${() => desk.listenAround()}>Listen around it, again and again <kbd>L</kbd></button><button class="quiet" onMouseDown=${(/** @type {Event} */ event) => event.preventDefault()} onClick=${putBack}>Put it back</button></p>`}
  </section>`;
}

/** @param {{desk: import("./desk.js").Desk, edit: any, side: any, mark: any, letGo: {current: () => void}}} props */
function Mark({ desk, edit, side, mark, letGo }) {
  const rate = desk.take.rate_hz;
  const track = desk.cuts.tracks.find((/** @type {any} */ each) => each.number === mark.track);
  const frame = desk.markFrame(mark);
  const [text, setText] = useState(() => clock(frame / rate, 3)); // there with the field: what is typed at once is not mixed with it
  const [bad, setBad] = useState(false);
  // What a person typed is kept once, for this mark: passing through the field changes nothing, and no answer overwrites it.
  const typed = useRef(false);
  const began = useRef(frame); // where it was when the typing began
  const mine = useRef(frame); // where this field asked for it last
  useEffect(() => {
    if (!typed.current) setText(clock(frame / rate, 3));
  }, [frame]);
  letGo.current = () => {
    typed.current = false;
    setBad(false);
    setText(clock(frame / rate, 3));
  };
  /** @param {KeyboardEvent} event */
  const key = (event) => {
    if (event.key === "Enter") void keep();
    if (event.key === "Escape") letGo.current();
  };
  const keep = async () => {
    if (!typed.current) return;
    typed.current = false;
    const seconds = readClock(text);
    setBad(seconds === null);
    if (seconds === null) return;
    const to = Math.round(seconds * rate);
    if (to === frame || Math.abs(to - frame) <= rate * 0.0005) return;
    const move = () => edit({ kind: "move-mark", side: side.side, track: mark.track, edge: mark.edge, frame: (mine.current = to) }, "The move of the mark");
    if (frame === began.current || frame === mine.current) return void (await move());
    setText(clock(frame / rate, 3));
    overtaken(clock(frame / rate, 3), text, () => void move());
  };
  useLeaving(() => void keep()); // another mark chosen, or the page left, with a time just typed
  if (!track) return html`<p>This track is not there any more.</p>`;
  return html`
    <p>Track ${track.number}, <cite>${track.title || "no title yet"}</cite>, ${mark.edge === "start" ? "begins" : "ends"} at
      <input type="text" class="number short" aria-label="Time of this mark" aria-invalid=${bad} value=${text} onInput=${(/** @type {any} */ event) => { if (!typed.current) began.current = frame; typed.current = true; setText(event.target.value); }} onKeyDown=${key} onBlur=${() => void keep()} />
      ${desk.moving?.caught ? html`<span class="soft">${desk.moving.caught}</span>` : null}</p>
    <p class="buttons">
      <button onClick=${() => void edit({ kind: "right", side: side.side, track: track.number }, "That this is right")}>This is right</button>
      ${mark.edge === "start" && track.number > 1 && html`<button onClick=${() => void edit({ kind: "join", side: side.side, track: track.number - 1 }, "The join")}>Join with the one before</button>
        <button aria-pressed=${track.boundary === "segue"} onClick=${() => void edit({ kind: "runs-on", side: side.side, track: track.number, on: track.boundary !== "segue" }, "That it runs on")}>Runs on</button>`}
    </p>`;
}

/** @param {{desk: import("./desk.js").Desk, edit: any, repair: import("../shapes.js").Repair}} props */
function OneRepair({ desk, edit, repair }) {
  const [id, start, stop, channel, kind, size_db, , left, inDoubt] = repair;
  const rate = desk.take.rate_hz;
  const name = /** @type {keyof typeof ONE} */ (kind);
  const take = takeMark(desk);
  return html`
    <p>${ONE[name] ?? "A repair"} ${WHERE[/** @type {keyof typeof WHERE} */ (channel)] ?? ""} at <time>${clock(start / rate, 3)}</time>: ${(((stop - start) / rate) * 1000).toFixed(1)} ms long, ${decibels(size_db, "dB", 0)} above the music around it. <strong>${left ? "It is left as it is." : "It is mended."}</strong>${inDoubt ? html` <span class="soft">It may be damage or music: hear it both ways.</span>` : null}</p>
    <p class="buttons">
      ${left
        ? html`<button onClick=${() => void edit({ kind: "mend", take, repair: id }, "The mending")}>Mend this <kbd>X</kbd></button>`
        : html`<button onClick=${() => void edit({ kind: "leave", take, repair: id }, "That it is left")}>Leave this <kbd>X</kbd></button>`}
      <button class="quiet" onClick=${() => void edit({ kind: left ? "mend" : "leave", take, of_kind: kind }, `That all ${MANY[name]} are ${left ? "mended" : "left"}`)}>${left ? "Mend" : "Leave"} all ${MANY[name] ?? kind}</button>
      <button class="quiet" onClick=${() => desk.see(start - rate * 0.004, stop + rate * 0.004)}>Look at it closely</button>
    </p>`;
}

/** @param {{desk: import("./desk.js").Desk, edit: any, region: {start: number, stop: number}}} props */
function Region({ desk, edit, region }) {
  const rate = desk.take.rate_hz;
  const inside = desk.take.repairsIn(region.start, region.stop);
  const left = inside.filter((repair) => repair[7]).length;
  const span = { take: takeMark(desk), start_frame: Math.round(region.start), stop_frame: Math.round(region.stop) };
  return html`
    <p>From <time>${clock(region.start / rate, 2)}</time> to <time>${clock(region.stop / rate, 2)}</time>: ${count(inside.length, "damaged place")}${left ? `, ${whole(left)} of them left as they are` : ""}.</p>
    <p class="buttons">
      <button disabled=${left === inside.length} onClick=${() => void edit({ kind: "leave", ...span }, "That they are left")}>Leave these</button>
      <button disabled=${left === 0} onClick=${() => void edit({ kind: "mend", ...span }, "The mending")}>Mend these</button>
      <button class="quiet" onClick=${() => desk.see(region.start, region.stop)}>Look closer</button>
    </p>`;
}

/** @param {import("../shapes.js").OnSide} props */
function Needle({ desk, edit, side }) {
  const rate = desk.take.rate_hz;
  const track = desk.trackAt(desk.needle);
  const at = Math.round(desk.needle);
  return html`
    <p>The needle is at <time>${clock(at / rate, 2)}</time>, ${track ? html`in <cite>${track.title || `track ${track.number}`}</cite>` : "between the tracks"}.</p>
    <p class="buttons">
      <button disabled=${desk.take.view.surveyed === false} onClick=${() => void edit({ kind: "split", side: side.side, frame: Math.round(desk.now()) }, track ? "The split" : "The new track")}>${track ? "Split here" : "A track begins here"} <kbd>S</kbd></button>
      <button class="quiet" onClick=${() => void edit({ kind: "music-start", side: side.side, frame: Math.round(desk.now()) }, "Where the music begins")}>The music begins here</button>
      <button class="quiet" onClick=${() => void edit({ kind: "music-stop", side: side.side, frame: Math.round(desk.now()) }, "Where the music ends")}>The music ends here</button>
    </p>`;
}
