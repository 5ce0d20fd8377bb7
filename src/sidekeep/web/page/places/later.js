/** A year later: two takes of one side, side by side. The comparison itself is made by the server. */
import { recordPath } from "../address.js";
import { html, useEffect, useState } from "../html.js";
import { get } from "../server.js";
import { useRecord } from "../store.js";
import { clock, day } from "../words.js";

/** @param {{address: import("../address.js").Address}} props */
export function Place({ address }) {
  const record = useRecord(address.record);
  const [found, setFound] = useState(/** @type {any} */ (null));
  const pairs = (record?.sides ?? []).filter((/** @type {any} */ side) => (record.takes ?? []).filter((/** @type {any} */ take) => take.side.includes(side.side)).length > 1);
  const side = address.at.side ?? pairs[0]?.side ?? "";
  const takes = (record?.takes ?? []).filter((/** @type {any} */ take) => side && take.side.includes(side));
  const [old, young] = [takes[0], takes[takes.length - 1]];
  useEffect(() => {
    if (!old || !young || old === young) return;
    get(`/api/takes/${encodeURIComponent(young.id)}/compare?with=${encodeURIComponent(old.id)}`).then(setFound, (error) => setFound({ refused: error.message }));
  }, [old?.id, young?.id]);
  if (!record) return html`<p class="soft waiting">One moment …</p>`;
  if (!pairs.length) return html`<h1>A year later</h1><p>When a side has been taken twice, this place tells what has changed in between: new damage, lost treble, more noise.</p><p><a class="button" href=${recordPath(record.id, "turntable")}>Take a side again</a></p>`;
  return html`<h1>A year later: side ${side}</h1>
    <table><caption class="unseen">The two takes</caption><tbody>${[old, young].map((take) => html`<tr key=${take.id}><th scope="row">Take ${take.number}</th><td>${day(take.taken_utc)}</td><td class="number">${clock(take.length_s)}</td></tr>`)}</tbody></table>
    ${found === null ? html`<p class="soft waiting">Laying one over the other …</p>` : found.refused ? html`<p class="finding">${found.refused}</p>` : html`<ul>${(found.findings ?? []).map((/** @type {any} */ finding) => html`<li class=${`finding ${finding.severity ?? "note"}`}>${finding.text}</li>`)}</ul>`}`;
}
