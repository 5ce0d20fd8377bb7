/** Let my phone in: a code to scan, good once and for a short time, and who has been let in. */
import { html, useEffect, useState } from "../html.js";
import { newestOnly, post, remove } from "../server.js";
import { onEvent, once, say, told } from "../store.js";
import { day, roughly } from "../words.js";

export function Place() {
  const [code, setCode] = useState(/** @type {any} */ (null));
  const [guests, setGuests] = useState(/** @type {any[]} */ ([]));
  const [left, setLeft] = useState(0);
  const [ask] = useState(newestOnly);
  const load = () => ask("/api/guests").then((answer) => answer && setGuests(answer.guests), () => undefined);
  useEffect(() => {
    document.title = "Let my phone in – sidekeep";
    void load();
    return onEvent("guest", () => {
      setCode(null);
      say("A device was let in or left.");
      void load();
    });
  }, []);
  useEffect(() => {
    if (!code) return;
    const until = performance.now() + (code.expires_s ?? 120) * 1000;
    const tick = () => {
      const rest = Math.max(0, (until - performance.now()) / 1000);
      setLeft(rest);
      if (rest === 0) setCode(null);
    };
    tick();
    const timer = setInterval(tick, 1000);
    return () => clearInterval(timer);
  }, [code]);
  const picture = code?.svg ? URL.createObjectURL(new Blob([code.svg], { type: "image/svg+xml" })) : "";
  useEffect(() => () => { if (picture) URL.revokeObjectURL(picture); }, [picture]);
  return html`<div class="phone-place">
    <h1>Let my phone in</h1>
    <p>A phone beside the turntable can photograph the sleeve, read the advice and end a side. Both must be on the same network; nothing goes beyond it.</p>
    ${code
      ? html`<figure class="code"><img src=${picture} alt="Code to scan with the phone's camera" width="280" height="280" /><figcaption><p>Scan it with the phone's camera. It lets in one device and is good for ${roughly(left)}.</p><p class="soft">${code.url}</p></figcaption></figure>`
      : html`<p class="buttons"><button class="main" onClick=${() => void once("code", async () => setCode(await told(post("/api/guests"))))}>Show a code to scan</button></p>`}
    <h2>Who is let in</h2>
    ${guests.length === 0 ? html`<p class="soft">Nobody but this machine.</p>` : html`<ul class="takes">${guests.map((guest) => html`<li key=${guest.id}><span>${guest.name} <span class="soft">since ${day(guest.since_utc)}</span></span><button onClick=${async () => { await told(remove(`/api/guests/${encodeURIComponent(guest.id)}`)); await load(); }}>Shut it out<span class="unseen">: ${guest.name}</span></button></li>`)}</ul>`}
  </div>`;
}
