/** A year later: two takes of one side, side by side. The comparison itself is made by the server. */
import { recordPath } from "../address.js";
import { html, useEffect, useState } from "../html.js";
import { get, post } from "../server.js";
import { told, useKnown, useRecord } from "../store.js";
import { clock, day } from "../words.js";

/** @param {{address: import("../address.js").Address}} props */
export function Place({ address }) {
  const record = useRecord(address.record);
  const known = useKnown();
  const [found, setFound] = useState(/** @type {any} */ (null));
  const pairs = (record?.sides ?? []).filter((/** @type {any} */ side) => (record.takes ?? []).filter((/** @type {any} */ take) => take.side.includes(side.side)).length > 1);
  const side = address.at.side ?? pairs[0]?.side ?? "";
  const takes = (record?.takes ?? []).filter((/** @type {any} */ take) => side && take.side.includes(side));
  const [old, young] = [takes[0], takes[takes.length - 1]];
  const job = [...known.jobs.values()].reverse().find((each) => each.kind === "compare" && each.record === record?.id);
  const path = old && young && old !== young ? `/api/takes/${encodeURIComponent(young.id)}/compare` : "";
  const between = old ? `?with=${encodeURIComponent(old.id)}` : "";
  useEffect(() => {
    if (path) get(path + between).then(setFound, () => setFound(null));
  }, [path, between, job?.state]);
  if (!record) return html`<p class="soft waiting">One moment …</p>`;
  if (!pairs.length) return html`<h1>A year later</h1><p>When a side has been taken twice, this place tells what has changed in between: new damage, lost treble, more noise.</p><p><a class="button" href=${recordPath(record.id, "turntable")}>Take a side again</a></p>`;
  const working = job && (job.state === "running" || job.state === "waiting");
  return html`<h1>A year later: side ${side}</h1>
    <table><caption class="unseen">The two takes</caption><tbody>${[old, young].map((take) => html`<tr key=${take.id}><th scope="row">Take ${take.number}</th><td>${day(take.taken_utc)}</td><td class="number">${clock(take.length_s)}</td></tr>`)}</tbody></table>
    ${working ? html`<p role="status">Laying one over the other …</p><progress class="bar" max="1" value=${job.share ?? 0} aria-label="comparing"></progress>`
      : html`<p class="buttons"><button onClick=${() => void told(post(path, { old: old.id }))}>${found ? "Compare again" : "Say what has changed"}</button>
        ${found && html`<a class="button quiet" href=${`${path}/report${between}`} target="_blank">The discs over each other, and what to listen to</a>`}</p>`}
    ${job?.state === "failed" && html`<p class="finding">${job.error?.text ?? "It could not be done."}</p>`}
    ${found && !working && html`<ul>${(found.findings ?? []).map((/** @type {any} */ finding) => html`<li class=${`finding ${finding.severity ?? "note"}`}>${finding.text}</li>`)}</ul>`}`;
}
