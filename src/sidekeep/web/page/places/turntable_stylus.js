/** The stylus in use: which one counts its hours, and a new one added. */
import { html, useEffect, useState } from "../html.js";
import { get, post } from "../server.js";
import { told } from "../store.js";
import { stylusInUse, useStylus } from "./turntable_session.js";

const NEW = "\u0000new";

export function Stylus() {
  const [known, setKnown] = useState(/** @type {any[]} */ ([]));
  const [name, setName] = useState(stylusInUse());
  const [adding, setAdding] = useState(false);
  useEffect(() => void get("/api/styluses").then((answer) => setKnown(answer.styluses), () => undefined), []);
  /** @param {string} chosen */
  const use = (chosen) => {
    if (chosen === NEW) return setAdding(true);
    setName(chosen);
    useStylus(chosen);
  };
  /** @param {SubmitEvent} event */
  const add = async (event) => {
    event.preventDefault();
    const given = new FormData(/** @type {HTMLFormElement} */ (event.currentTarget));
    const named = String(given.get("name") ?? "").trim();
    const answer = await told(post("/api/styluses", { name: named, hours_before: Number(given.get("hours")) || 0 }));
    if (!answer) return;
    setKnown(answer.styluses);
    setAdding(false);
    use(named);
  };
  const now = known.find((stylus) => stylus.name === name);
  if (adding) return html`<form class="stylus" onSubmit=${add}>
    <label>The stylus <input type="text" name="name" required maxlength="200" placeholder="its name" ref=${(/** @type {HTMLInputElement | null} */ field) => field?.focus()} /></label>
    <label>has played <input type="number" name="hours" min="0" max="99999" step="0.5" value="0" /> hours so far</label>
    <span class="buttons"><button>Add it</button><button type="button" class="quiet" onClick=${() => setAdding(false)}>Leave it</button></span>
  </form>`;
  return html`<p class="stylus"><label>The stylus <select value=${name} onChange=${(/** @type {any} */ event) => use(event.target.value)}>
      <option value="" selected=${!now}>is not named: its hours are not counted</option>
      ${known.map((stylus) => html`<option value=${stylus.name} selected=${stylus.name === name}>${stylus.name}</option>`)}
      <option value=${NEW}>a new one …</option>
    </select></label>
    ${now && html`<span class="soft">has played ${Math.round(now.hours)} hours${now.is_due ? ": have its tip looked at" : ""}</span>`}</p>`;
}
