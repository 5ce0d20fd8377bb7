/** The tracks of a side as a table: the twin of disc and strip for reading, and the place to put a title right. */
import { html, useLayoutEffect, useRef, useState } from "../html.js";
import { overtaken } from "../field.js";
import { useLeaving } from "../leaving.js";
import { clock } from "../words.js";
import { unsureOf } from "./unsure.js";

/** @param {import("../shapes.js").OnSide} props */
export function Tracks({ desk, record, side, edit, unsure }) {
  const rate = desk.take.rate_hz;
  const tracks = desk.cuts?.tracks ?? [];
  const chosen = desk.choice?.kind === "mark" ? desk.choice.track : null;
  const printed = new Map((side.printed ?? []).map((/** @type {any} */ track) => [track.number, track]));
  if (desk.take.view.surveyed === false) return null;
  if (!tracks.length) return html`<p class="soft">No tracks were found on this side. Lower the needle on the strip where the first one begins and choose <em>A track begins here</em>.</p>`;
  return html`<div class="tracks-box"><table class="tracks">
    <caption class="unseen">Tracks of side ${side.side} of ${record.title}, as found on the take</caption>
    <thead class="unseen"><tr><th scope="col">Number</th><th scope="col">Title</th><th scope="col">Begins</th><th scope="col">Length</th></tr></thead>
    <tbody>${tracks.map((/** @type {any} */ track, /** @type {number} */ at) => {
      const line = printed.get(track.line || track.number);
      const length = (track.length_frames ?? track.stop_frame - track.start_frame) / rate;
      const off = line?.duration_s && track.title ? length - line.duration_s : 0;
      const doubt = unsureOf(unsure.open, track.number);
      return html`<tr key=${track.number} class=${chosen === track.number ? "chosen" : ""}>
        <th scope="row" class="number"><button class="quiet" onClick=${() => { desk.choose({ kind: "mark", track: track.number, edge: "start" }); desk.lower(track.start_frame); desk.reveal(track.start_frame); }} aria-label=${`Track ${track.number}: choose its beginning`}>${track.number}</button></th>
        <td><${Title} track=${track} side=${side} edit=${edit} />
          ${track.boundary === "segue" && at > 0 ? html`<small class="soft">runs on from the one before</small>` : null}
          ${Math.abs(off) > 8 ? html`<small class="soft">the sleeve prints ${clock(line.duration_s)}</small>` : null}
        </td>
        <td class="number soft">${doubt ? html`<span class="doubt-sign" title="Its beginning is unsure">?<span class="unseen"> unsure, </span></span> ` : null}${clock(track.start_frame / rate)}</td>
        <td class="number">${clock(length)}</td>
      </tr>`;
    })}</tbody></table></div>`;
}

/** A title that is put right where it stands. @param {{track: any, side: any, edit: (edit: any, what?: string) => Promise<any>}} props */
function Title({ track, side, edit }) {
  const [open, setOpen] = useState(false);
  const [text, setText] = useState(track.title);
  const field = useRef(/** @type {HTMLInputElement | null} */ (null));
  const button = useRef(/** @type {HTMLButtonElement | null} */ (null));
  const was_open = useRef(false);
  const began = useRef(track.title); // as it was when the field was opened
  const settled = useRef(false); // kept or let go: leaving the field asks nothing more
  // Before the next key: what is typed at once goes into the field.
  useLayoutEffect(() => {
    if (open) field.current?.select();
    else if (was_open.current) button.current?.focus();
    was_open.current = open;
  }, [open]);
  const close = () => {
    settled.current = true;
    setOpen(false);
  };
  const keep = async () => {
    if (settled.current) return;
    settled.current = true;
    const title = text.trim();
    if (title && title !== track.title && track.title !== began.current) {
      close();
      return overtaken(track.title, title, () => void edit({ kind: "retitle", side: side.side, track: track.number, title }, "The title"));
    }
    if (title && title !== track.title && !(await edit({ kind: "retitle", side: side.side, track: track.number, title }, "The title"))) settled.current = false;
    else close();
  };
  useLeaving(() => {
    if (open) void keep();
  });
  /** @param {KeyboardEvent} event */
  const key = (event) => {
    if (event.key === "Escape") close();
    if (event.key !== "Enter") return;
    event.preventDefault(); // else it presses the button that stands there next
    void keep();
  };
  if (!open) return html`<button ref=${button} class="quiet title music" onClick=${() => { settled.current = false; began.current = track.title; setText(track.title); setOpen(true); }}>${track.title || html`<span class="soft">no title yet</span>`}<span class="unseen">, change the title</span></button>`;
  return html`<input ref=${field} type="text" class="music" aria-label=${`Title of track ${track.number}`} value=${text} onInput=${(/** @type {any} */ event) => setText(event.target.value)}
    onKeyDown=${key} onBlur=${() => void keep()} />`;
}
