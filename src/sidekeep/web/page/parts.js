/** Small parts that many places share: a list, a box to tick, how far a job is, undo, a question to the server, a record that is missing, a bin. */
import { stepBack } from "./changes.js";
import { html, useEffect, useLayoutEffect, useRef, useState } from "./html.js";
import { get } from "./server.js";
import { knownNow } from "./store.js";
import { capital } from "./words.js";

/** One of a list. @param {{label?: string, value: any, options: [any, any][], disabled?: boolean, set: (value: string) => void}} props */
export const Select = ({ label, value, options, disabled, set }) => html`<select aria-label=${label} value=${value} disabled=${disabled} onChange=${(/** @type {any} */ event) => set(event.target.value)}>
  ${options.map(([name, text]) => html`<option key=${name} value=${name} selected=${name === value}>${text}</option>`)}</select>`;

/** @param {{on: boolean, set: (on: boolean) => void, children?: any}} props */
export const Tick = ({ on, set, children }) => html`<label class="check"><input type="checkbox" checked=${on} onChange=${(/** @type {any} */ event) => set(event.target.checked)} /><span>${children}</span></label>`;

/** @param {{share: number | null | undefined, label: string}} props */
export const Bar = ({ share, label }) => html`<progress class="bar" max="1" value=${share ?? 0} aria-label=${label}></progress>`;

/** A record that cannot be shown, and why: it may have been moved, or the disk of its shelf unplugged. @param {{record: any}} props */
export const Missing = ({ record }) => html`<h1>${record.code === "shelf-gone" ? "The shelf is not there." : "This record is not on the shelf."}</h1>
  ${record.text && record.code !== "shelf-gone" && html`<p class="soft">${capital(record.text)}.</p>`}<p class="by-itself"><a href="/">To the shelf</a></p>`;

/** Emptying a bin: what cannot be undone is asked twice. @param {{what: string, empty: () => Promise<void>}} props what is in it, in words */
export function Empty({ what, empty }) {
  const [sure, setSure] = useState(false);
  if (!sure) return html`<p class="buttons"><button class="quiet" onClick=${() => setSure(true)}>Empty the bin</button></p>`;
  return html`<p class="finding look">What is in the bin, ${what}, is deleted for good.
    <span class="buttons"><button onClick=${() => { setSure(false); void empty(); }}>Delete for good</button><button class="quiet" onClick=${() => setSure(false)}>Leave it</button></span></p>`;
}

/** @param {any} job */
export const isAtWork = (job) => job?.state === "running" || job?.state === "waiting";
/** The newest job of that kind. @param {(job: any) => boolean} is_it @returns {any} */
export const newestJob = (is_it) => [...knownNow().jobs.values()].findLast(is_it);
/** The newest job of a record that is not done yet. @param {any} record */
export const jobAtWork = (record) => newestJob((job) => job.record === record.id && isAtWork(job));

/** @param {{record: any, keys?: boolean}} props */
export function UndoRedo({ record, keys }) {
  const pressed = useRef(/** @type {any} */ (null));
  // What can be pressed no more would lose the focus: the button beside it takes it.
  useLayoutEffect(() => {
    const button = pressed.current;
    if (button?.disabled && [button, document.body].includes(document.activeElement)) (button.nextElementSibling ?? button.previousElementSibling).focus();
  }, [record]);
  const press = (/** @type {"undo" | "redo"} */ way) => (/** @type {any} */ event) => {
    pressed.current = event.currentTarget;
    void stepBack(record.id, way);
  };
  return html`<p class="buttons undo">
    <button class="quiet" disabled=${!record.can_undo} onClick=${press("undo")}>Undo${keys && html` <kbd>Ctrl Z</kbd>`}</button>
    <button class="quiet" disabled=${!record.can_redo} onClick=${press("redo")}>Redo</button></p>`;
}

/** What the server answers; asked anew when the question, or `again`, changes. @param {string} path empty: nothing is asked @param {unknown} [again] @returns {any} null until there is an answer to this question */
export function useAnswer(path, again) {
  const [found, setFound] = useState(/** @type {any} */ (null));
  const asked = useRef(path);
  useEffect(() => {
    let stale = false;
    if (path !== asked.current) setFound(null);
    asked.current = path;
    if (path) void get(path).then((answer) => !stale && setFound(answer), () => undefined);
    return () => {
      stale = true;
    };
  }, [path, again]);
  return found;
}
