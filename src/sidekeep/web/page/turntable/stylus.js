/** The stylus in use: which one counts its hours, and a new one added. */
import { html, useEffect, useState } from "../html.js";
import { Select } from "../parts.js";
import { get, post } from "../server.js";
import { told } from "../store.js";
import { stylusInUse, useStylus } from "./session.js";

const NEW = "\u0000new";
const REMIND_AT_H = 400;
const focusOnce = (/** @type {HTMLInputElement | null} */ field) => field?.focus();

export function Stylus() {
  const [known, setKnown] = useState(/** @type {any[]} */ ([]));
  const [name, setName] = useState(stylusInUse());
  const [asked, setAsked] = useState(/** @type {"" | "new" | "known"} */ (""));
  useEffect(() => void get("/api/styluses").then((answer) => setKnown(answer.styluses), () => undefined), []);
  /** @param {string} chosen */
  const use = (chosen) => {
    if (chosen === NEW) return setAsked("new");
    setName(chosen);
    useStylus(chosen);
  };
  /** @param {SubmitEvent} event */
  const add = async (event) => {
    event.preventDefault();
    const given = new FormData(/** @type {HTMLFormElement} */ (event.currentTarget));
    const named = asked === "known" ? name : String(given.get("name") ?? "").trim();
    const answer = await told(post("/api/styluses", { name: named, hours_before: Number(given.get("hours")) || 0, remind_at_h: Number(given.get("remind")) || REMIND_AT_H }));
    if (!answer) return;
    setKnown(answer.styluses);
    setAsked("");
    use(named);
  };
  const now = known.find((stylus) => stylus.name === name);
  if (asked) return html`<form class="stylus" onSubmit=${add}>
    ${asked === "new" ? html`<label>The stylus <input type="text" name="name" required maxlength="200" placeholder="its name" ref=${focusOnce} /></label>` : html`<strong>${name}</strong>`}
    <label>had played <input type="number" name="hours" min="0" max="99999" step="any" value=${asked === "known" ? (now?.hours_before ?? 0) : 0} /> hours before its first take here;</label>
    <label>remind me at <input type="number" name="remind" min="1" max="99999" step="any" value=${asked === "known" ? (now?.remind_at_h ?? REMIND_AT_H) : REMIND_AT_H} /> hours</label>
    <span class="buttons"><button>${asked === "known" ? "Keep this" : "Add it"}</button><button type="button" class="quiet" onClick=${() => setAsked("")}>Leave it</button></span>
  </form>`;
  return html`<p class="stylus"><label>The stylus <${Select} value=${now ? name : ""} options=${[["", "not named: hours not counted"], ...known.map((stylus) => [stylus.name, stylus.name]), [NEW, "a new one …"]]} set=${use} /></label>
    ${now && html`<span class="soft">has played ${Math.round(now.hours)} hours${now.is_due ? ": have its tip looked at" : ""}</span> <button type="button" class="quiet" onClick=${() => setAsked("known")}>change its hours</button>`}</p>`;
}
