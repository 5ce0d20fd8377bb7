/** Pictures of the sleeve: dropped, pasted, chosen or taken with the phone; their corners found, shown and moved. */
import { change } from "../changes.js";
import { holdForNew, isPicture, useDropped } from "../dropped.js";
import { html, useLayoutEffect, useRef, useState } from "../html.js";
import { post, recordApi, remove } from "../server.js";
import { loadRecord, say, tell, told } from "../store.js";

const KINDS = [
  { kind: "front", text: "Front" },
  { kind: "back", text: "Back" },
];
const BACK = /back|rear|reverse/i;
/** Its frame, of a picture of a record that is not made yet. @type {WeakMap<File, string>} */
const meant = new WeakMap();
const CORNERS = ["Top left", "Top right", "Bottom right", "Bottom left"];

/** @param {string} id @param {string} kind @param {Blob} file */
export async function sendPicture(id, kind, file) {
  const answer = await told(post(recordApi(id, `pictures?kind=${kind}`), file));
  if (answer) {
    await loadRecord(id);
    say(`The picture of the ${kind} is kept.`);
  }
  return answer;
}

/** @param {{record: any, make: () => Promise<any>}} props */
export function Pictures({ record, make }) {
  const [busy, setBusy] = useState("");
  const [doubted, setDoubted] = useState(""); // the picture whose corners want a look
  /** @param {string} kind @param {FileList | File[] | null | undefined} files */
  const take = async (kind, files) => {
    const file = [...(files ?? [])].find((each) => each.type.startsWith("image/") || each.type === "");
    if (!file) return tell("That is not a picture.", { severity: "look" });
    if (!record) {
      meant.set(file, kind);
      return takeNext([file]);
    }
    setBusy(kind);
    const kept = await sendPicture(record.id, kind, file);
    setBusy("");
    if (kept?.sure === false) {
      setDoubted(kind);
      tell("It is not sure where the sleeve ends (a shadow, a printed frame, a sleeve cut by the picture): its corners are shown on the photograph. Move them where they are not the sleeve's.", { severity: "look" });
    }
  };
  /** The front first; of two the one that is called so. @param {File[]} files */
  const takeNext = async (files) => {
    if (!record) {
      holdForNew(files); // the next place takes them
      return void (await make());
    }
    const have = new Set((record?.pictures ?? []).map((/** @type {any} */ picture) => picture.kind));
    const back = files.find((file) => (meant.get(file) ?? (BACK.test(file.name) ? "back" : "")) === "back");
    const rest = files.filter((file) => file !== back);
    if (rest.length) await take(have.has("front") && !back ? "back" : "front", [rest[0]]);
    if (back ?? rest[1]) await take("back", [back ?? rest[1]]);
  };
  useDropped({ takes: isPicture, take: (files) => void takeNext(files) }, record?.id);
  useLayoutEffect(() => {
    /** @param {ClipboardEvent} event */
    const paste = (event) => {
      const files = [...(event.clipboardData?.files ?? [])].filter(isPicture);
      if (!files.length) return;
      event.preventDefault();
      void takeNext(files);
    };
    document.addEventListener("paste", paste);
    return () => document.removeEventListener("paste", paste);
  });
  return html`<section class="pictures" aria-labelledby="pictures">
    <h2 id="pictures">Pictures</h2>
    <p class="soft">Drop a picture on a frame, paste one, choose a file, or photograph the sleeve. Its corners are found and it is made square; the photograph itself is kept beside it.</p>
    <div class="frames">${KINDS.map(({ kind, text }) => html`<${Frame} key=${kind} kind=${kind} text=${text} record=${record} busy=${busy === kind} take=${take} doubted=${doubted === kind} seen=${() => setDoubted("")} />`)}</div>
  </section>`;
}

/** @param {{kind: string, text: string, record: any, busy: boolean, take: (kind: string, files: any) => void, doubted: boolean, seen: () => void}} props */
function Frame({ kind, text, record, busy, take, doubted, seen }) {
  const [over, setOver] = useState(false);
  const [editing, setEditing] = useState(false);
  const picture = (record?.pictures ?? []).find((/** @type {any} */ each) => each.kind === kind);
  const path = record && picture ? recordApi(record.id, `pictures/${kind}`) : "";
  const fresh = picture ? `v=${encodeURIComponent(picture.changed ?? picture.sha256 ?? JSON.stringify(picture.corners ?? 0))}` : "";
  /** @param {DragEvent} event */
  const drop = (event) => {
    event.preventDefault();
    setOver(false);
    take(kind, event.dataTransfer?.files);
  };
  const leave = async () => {
    if (await told(remove(path))) tell(`The picture of the ${kind} is in the bin.`);
    await loadRecord(record.id);
  };
  return html`<figure class=${`frame ${over ? "over" : ""} ${picture ? "" : "empty"}`} onDragOver=${(/** @type {Event} */ event) => { event.preventDefault(); setOver(true); }} onDragLeave=${() => setOver(false)} onDrop=${drop}>
    ${(editing || doubted) && picture
      ? html`<${Corners} key=${picture.changed} id=${record.id} kind=${kind} picture=${picture} done=${() => { setEditing(false); seen(); }} />`
      : html`<div class="frame-picture">${picture ? html`<img src=${`${path}?size=640&${fresh}`} alt=${`${text} of the sleeve`} width="640" height="640" />` : html`<span>${busy ? "One moment …" : text}</span>`}</div>
        <figcaption class="buttons">
          <label class="button">${picture ? "Another" : "Choose"}<span class="unseen"> picture of the ${kind}</span><input class="unseen" type="file" accept="image/*" onChange=${(/** @type {any} */ event) => take(kind, event.target.files)} /></label>
          <label class="button">Camera<span class="unseen">: photograph the ${kind}</span><input class="unseen" type="file" accept="image/*" capture="environment" onChange=${(/** @type {any} */ event) => take(kind, event.target.files)} /></label>
          ${picture && html`<button class="quiet" onClick=${() => setEditing(true)}>Corners</button>`}
          ${picture && html`<button class="quiet" onClick=${leave} aria-label=${`Remove the picture of the ${kind}`}>Remove</button>`}
        </figcaption>`}
  </figure>`;
}

/** The four corners on the photograph, to be moved. @param {{id: string, kind: string, picture: any, done: () => void}} props */
function Corners({ id, kind, picture, done }) {
  const whole = [[0, 0], [1, 0], [1, 1], [0, 1]];
  const [corners, setCorners] = useState(/** @type {number[][]} */ (picture.corners ?? whole));
  const box = useRef(/** @type {HTMLElement | null} */ (null));
  const held = useRef(-1);
  // Until the photograph is there it has no height: a corner taken before would slip away under the finger.
  const [there, setThere] = useState(false);
  /** @param {number} at @param {number} x @param {number} y */
  const put_corner = (at, x, y) => setCorners(corners.map((corner, each) => (each === at ? [Math.min(1, Math.max(0, x)), Math.min(1, Math.max(0, y))] : corner)));
  /** @param {PointerEvent} event */
  const move = (event) => {
    if (held.current < 0 || !box.current) return;
    const area = box.current.getBoundingClientRect();
    put_corner(held.current, (event.clientX - area.left) / area.width, (event.clientY - area.top) / area.height);
  };
  /** @param {number} at @param {KeyboardEvent} event */
  const key = (at, event) => {
    const step = event.shiftKey ? 0.02 : 0.002;
    const by = { ArrowLeft: [-step, 0], ArrowRight: [step, 0], ArrowUp: [0, -step], ArrowDown: [0, step] }[event.key];
    if (!by) return;
    event.preventDefault();
    put_corner(at, corners[at][0] + by[0], corners[at][1] + by[1]);
  };
  const keep = async () => {
    const now = await change(id, `pictures/${kind}/corners`, { corners }, "The new corners", { puts: true });
    if (now) done();
  };
  return html`<div class="corners" ref=${box} onPointerMove=${move} onPointerUp=${() => (held.current = -1)}>
      <img src=${recordApi(id, `pictures/${kind}?original=1&size=1000`)} alt=${`The photograph of the ${kind}, as it was taken`} draggable=${false} onLoad=${() => setThere(true)} />
      ${there && html`<svg viewBox="0 0 1 1" preserveAspectRatio="none" aria-hidden="true"><polygon points=${corners.map((corner) => corner.join(",")).join(" ")} /></svg>`}
      ${there && corners.map((corner, at) => html`<button key=${at} class="corner" style=${{ left: `${corner[0] * 100}%`, top: `${corner[1] * 100}%` }}
        aria-label=${`${CORNERS[at]} corner: ${(corner[0] * 100).toFixed(1)} % across, ${(corner[1] * 100).toFixed(1)} % down. Arrow keys move it.`}
        onPointerDown=${(/** @type {PointerEvent} */ event) => { held.current = at; /** @type {Element} */ (event.target).setPointerCapture(event.pointerId); }} onKeyDown=${(/** @type {KeyboardEvent} */ event) => key(at, event)}></button>`)}
    </div>
    <figcaption class="buttons"><button class="main" onClick=${keep}>Make it square</button><button class="quiet" onClick=${() => setCorners(whole)}>The whole picture</button><button class="quiet" onClick=${done}>Leave it</button></figcaption>`;
}
