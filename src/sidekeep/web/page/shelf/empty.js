/** Emptying a bin: what cannot be undone is asked twice. */
import { html, useState } from "../html.js";

/** @param {{what: string, empty: () => Promise<void>}} props what is in it, in words */
export function Empty({ what, empty }) {
  const [sure, setSure] = useState(false);
  if (!sure) return html`<p class="buttons"><button class="quiet" onClick=${() => setSure(true)}>Empty the bin</button></p>`;
  return html`<p class="finding look">What is in the bin, ${what}, is deleted for good.
    <span class="buttons"><button onClick=${() => { setSure(false); void empty(); }}>Delete for good</button><button class="quiet" onClick=${() => setSure(false)}>Leave it</button></span></p>`;
}
