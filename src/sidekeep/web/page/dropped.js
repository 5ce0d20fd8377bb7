/** Files dropped anywhere on the page: each part of a place takes what is its own. A browser would leave the page for them. */
import { useLayoutEffect, useRef } from "./html.js";
import { tell } from "./store.js";

/** @typedef {import("./shapes.js").Dropped} Part */

/** @type {Set<{current: Part}>} */
const parts = new Set();
/** What waits for a record's place, by its id; empty before it is made. @type {Map<string, File[]>} */
const held = new Map();
/** The id of the new record once it is made, until its place has gone. */
let made = "";

const SOUND = /\.(wav|bwf|flac|aiff?|w64|rf64|mp3|m4a|ogg|opus)$/i;
const TEXT = /\.txt$/i;
/** @param {File} file */
export const isRecording = (file) => file.type.startsWith("audio/") || SOUND.test(file.name);
/** @param {File} file */
export const isPicture = (file) => file.type.startsWith("image/");
/** @param {File} file */
export const isText = (file) => file.type === "text/plain" || TEXT.test(file.name);

/** Take what is dropped, and what is held for the record. @param {Part} part @param {string} [owner] its id */
export function useDropped(part, owner = "") {
  const newest = useRef(part);
  newest.current = part;
  useLayoutEffect(() => {
    parts.add(newest);
    if (!owner) made = "";
    const waiting = held.get(owner) ?? [];
    const mine = waiting.filter(newest.current.takes);
    held.set(owner, waiting.filter((file) => !mine.includes(file)));
    if (mine.length) newest.current.take(mine);
    return () => void parts.delete(newest);
  }, []);
}

/** Keep files for the new record. @param {File[]} files */
export const holdForNew = (files) => void held.set(made, [...(held.get(made) ?? []), ...files]);
/** The new record is made. @param {string} id */
export function giveHeldTo(id) {
  made = id;
  held.set(id, held.get("") ?? []);
  held.delete("");
}

/** @param {DragEvent} event */
const holdsFiles = (event) => event.dataTransfer?.types.includes("Files");

/** @param {DragEvent} event */
function drop(event) {
  if (!holdsFiles(event) || event.defaultPrevented) return;
  event.preventDefault();
  let files = [...(event.dataTransfer?.files ?? [])];
  if (!parts.size) return tell("Recordings and pictures are dropped on the sleeve of their record.", { severity: "look" });
  for (const { current } of parts) {
    const mine = files.filter(current.takes);
    files = files.filter((file) => !mine.includes(file));
    if (mine.length) current.take(mine);
  }
  if (files.length) tell(`Left out, as neither recordings nor pictures nor a track list: ${files.map(({ name }) => name).join(", ")}.`, { severity: "look" });
}

export function watchDrops() {
  document.addEventListener("dragover", (event) => holdsFiles(event) && event.preventDefault());
  document.addEventListener("drop", drop);
}
