/** Fields whose value is kept elsewhere: no answer overwrites what is being typed. */
import { useEffect, useRef, useState } from "./html.js";
import { isLeaving, useLeaving } from "./leaving.js";
import { tell } from "./store.js";

/** @param {string} now @param {string} typed @param {() => void} keep */
export function overtaken(now, typed, keep) {
  if (!isLeaving()) tell(`This was changed on another page meanwhile: it is “${now}” now. What you typed, “${typed}”, is not kept.`, { severity: "look", action: { text: "Keep mine", run: keep } });
}

/**
 * What an input needs. The value is sent once: when field or page are left, or at Enter.
 * @template T
 * @param {T} value as it is kept
 * @param {(text: string) => T | null} read null: what was typed is no value, and the kept one comes back
 * @param {(value: T) => void} set
 */
export function useField(value, read, set) {
  const [text, setText] = useState(String(value));
  const typing = useRef(false);
  const began = useRef(value); // as it was kept when the typing began
  const mine = useRef(value); // as this field asked for it last
  useEffect(() => {
    if (!typing.current) setText(String(value));
  }, [value]);
  const keep = () => {
    if (!typing.current) return; // left without a change, or after Enter: nothing is asked again
    typing.current = false;
    const now = read(text);
    if (now === null) return setText(String(value));
    if (now === value) return;
    const ask = () => set((mine.current = now));
    if (value === began.current || value === mine.current) return ask();
    setText(String(value));
    overtaken(String(value), text, ask);
  };
  useLeaving(keep);
  return {
    value: text,
    onInput: (/** @type {any} */ event) => {
      if (!typing.current) began.current = value;
      typing.current = true;
      setText(event.target.value);
    },
    onBlur: keep,
    onKeyDown: (/** @type {KeyboardEvent} */ event) => {
      if (event.key === "Enter") keep();
    },
  };
}

/**
 * A box or a list: it shows what was chosen while the answer is on its way; a refusal brings the kept value back.
 * @template T
 * @param {T} value as it is kept
 * @param {(value: T) => Promise<unknown>} set
 * @returns {[T, (value: T) => Promise<void>]} what to show, and what to do when another is chosen
 */
export function useChoice(value, set) {
  const [chosen, setChosen] = useState(/** @type {{value: T} | null} */ (null));
  const newest = useRef(chosen);
  const choose = async (/** @type {T} */ next) => {
    const mine = (newest.current = { value: next });
    setChosen(mine);
    await set(next);
    if (newest.current === mine) setChosen((newest.current = null));
  };
  return [chosen ? chosen.value : value, choose];
}

/** A number within bounds, a decimal comma and a typographic minus understood. @param {string} text @param {number} min @param {number} max */
export function readNumber(text, min, max) {
  const now = text.trim() === "" ? NaN : Number(text.replace(",", ".").replace("−", "-"));
  return Number.isFinite(now) && now >= min && now <= max ? now : null;
}
