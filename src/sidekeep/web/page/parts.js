/** Small parts that many places share: a list, a box to tick, how far a job is, undo, and a question to the server. */
import { stepBack } from "./changes.js";
import { html, useEffect, useLayoutEffect, useRef, useState } from "./html.js";
import { get } from "./server.js";
import { knownNow } from "./store.js";

/** One of a list. @param {{label?: string, value: any, options: [any, any][], disabled?: boolean, set: (value: string) => void}} props */
export const Select = ({ label, value, options, disabled, set }) => html`<select aria-label=${label} value=${value} disabled=${disabled} onChange=${(/** @type {any} */ event) => set(event.target.value)}>
  ${options.map(([name, text]) => html`<option key=${name} value=${name} selected=${name === value}>${text}</option>`)}</select>`;

/** @param {{on: boolean, set: (on: boolean) => void, children?: any}} props */
export const Tick = ({ on, set, children }) => html`<label class="check"><input type="checkbox" checked=${on} onChange=${(/** @type {any} */ event) => set(event.target.checked)} /><span>${children}</span></label>`;

/** @param {{share: number | null | undefined, label: string}} props */
export const Bar = ({ share, label }) => html`<progress class="bar" max="1" value=${share ?? 0} aria-label=${label}></progress>`;

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
