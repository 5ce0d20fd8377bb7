/** Recordings that exist already: sent to the server one after another, each as a take of a side. */
import { holdForNew, isRecording, useDropped } from "../dropped.js";
import { html, useEffect, useLayoutEffect, useRef, useState } from "../html.js";
import { go, recordPath } from "../address.js";
import { isAtWork, Select } from "../parts.js";
import { AWAY, post, recordApi } from "../server.js";
import { loadRecord, once, tell, told, useKnown } from "../store.js";
import { capital, count, sentence, size } from "../words.js";

/** Send a file with progress; fetch cannot tell how much has gone. @param {string} path @param {File} file @param {(share: number) => void} progress @returns {Promise<any>} */
function send(path, file, progress) {
  return new Promise((resolve, reject) => {
    const request = new XMLHttpRequest();
    request.open("POST", path);
    request.setRequestHeader("X-Sidekeep", "page");
    request.setRequestHeader("Content-Type", "application/octet-stream");
    request.upload.onprogress = (event) => event.lengthComputable && progress(event.loaded / event.total);
    request.onload = () => {
      const answer = JSON.parse(request.responseText || "null");
      if (request.status < 300) resolve(answer);
      else reject(new Error(answer?.error?.text ?? `The server said ${request.status}.`));
    };
    request.onerror = () => reject(new Error(AWAY));
    request.send(file);
  });
}

/** More recordings than any record has sides: a folder of everything was chosen. */
const MOST_FILES = 60;

/** Which side a person said a file is. @type {WeakMap<File, string>} */
const said = new WeakMap();
/** To be brought in as soon as the record is made. @type {{stylus: string} | null} */
let when_made = null;

/** @param {string} letters one side, several, or none @param {string[]} all */
const sidesText = (letters, all) => (!letters ? "left out" : letters.length === 1 ? `side ${letters}` : letters === all.join("") ? "the whole record" : `sides ${letters}`);

/** @param {{record: any, sides: string[], make: () => Promise<any>, show: (now: import("../shapes.js").Bringing) => void, hand: {current: () => void}}} props  `show` says at the head of the place what waits here, `hand` brings it in from there */
export function BringIn({ record, sides, make, show, hand }) {
  const [files, setFiles] = useState(/** @type {{file: File, side: string}[]} */ ([]));
  const [stylus, setStylus] = useState("");
  const [now, setNow] = useState(/** @type {{at: number, share: number} | null} */ (null));
  const [sent, setSent] = useState(/** @type {{record: string, jobs: string[], first: string} | null} */ (null));
  const known = useKnown();
  const coming = sent ? [] : [...known.jobs.values()].filter((job) => record && job.kind === "adopt" && job.record === record.id && isAtWork(job));
  const jobs = (sent?.jobs ?? []).map((id) => known.jobs.get(id)).filter(Boolean);
  const letters = sides.length ? sides : ["A", "B"];
  const missing = letters.filter((letter) => !record?.sides.some((/** @type {any} */ side) => side.side === letter && side.chosen_take));
  /** @param {FileList | File[] | null} chosen */
  const choose = async (chosen) => {
    const sorted = [...(chosen ?? [])].sort((a, b) => a.name.localeCompare(b.name, undefined, { numeric: true }));
    if (sorted.length > MOST_FILES) return tell(`${capital(count(sorted.length, "recording"))} for one record: choose those of its sides.`, { severity: "look" });
    const told_sides = sorted.length ? (await told(post("/api/sleeve/sides", { names: sorted.map((file) => file.name), sides: letters, missing })))?.sides : [];
    const found = sorted.map((file, at) => ({ file, side: said.get(file) ?? told_sides?.[at] ?? "" }));
    setFiles(found);
    return found;
  };
  /** @param {File[]} dropped */
  const add = async (dropped) => {
    if (now) return tell("Recordings are being sent: drop others when those are there.", { severity: "look" });
    const found = await choose([...files.map(({ file }) => file), ...dropped]);
    if (!record || !when_made || !found) return;
    const how = when_made;
    when_made = null;
    setStylus(how.stylus);
    void bring(found, how.stylus);
  };
  useDropped({ takes: isRecording, take: (dropped) => void add(dropped) }, record?.id);
  const chosen = useRef(files);
  chosen.current = files;
  useLayoutEffect(() => () => record || holdForNew(chosen.current.map(({ file }) => file)), []);
  // What is being sent is lost when the page goes: ask first.
  useEffect(() => {
    if (!now) return;
    const stay = (/** @type {BeforeUnloadEvent} */ event) => event.preventDefault();
    addEventListener("beforeunload", stay);
    return () => removeEventListener("beforeunload", stay);
  }, [now === null]);
  // The files have arrived; what is left is the server's work: copying, checksums. Then the tracks are looked for.
  useEffect(() => {
    if (!sent || jobs.length < sent.jobs.length || jobs.some(isAtWork)) return;
    const { record: id, first } = sent;
    const failed = jobs.find((job) => job.state !== "done");
    setSent(null);
    if (failed) return tell(sentence(failed.error?.text ?? "A recording was not brought in"), { severity: "act" });
    tell("The recordings are on the shelf, read-only and with their checksums. Their tracks are being looked for.");
    void told(post(recordApi(id, "survey"))).then(async () => {
      await loadRecord(id);
      go(recordPath(id, "side", first));
    });
  });
  /** @param {{file: File, side: string}[]} wanted @param {string} played_with */
  const bring = (wanted, played_with) => once("bring in", async () => {
    if (!record) {
      when_made = { stylus: played_with }; // the next place goes on
      if (!(await make())) when_made = null;
      return;
    }
    const asked = [];
    for (const [at, { file, side }] of wanted.entries()) {
      if (!side) continue;
      setNow({ at, share: 0 });
      try {
        const words = new URLSearchParams({ record: record.id, side, name: file.name, stylus: played_with });
        const answer = await send(`/api/adopt?${words}`, file, (share) => setNow({ at, share }));
        if (answer?.id) asked.push(answer.id);
      } catch (error) {
        tell(sentence(`${file.name} was not brought in: ${/** @type {Error} */ (error).message}`), { severity: "act" });
        setNow(null);
        return;
      }
    }
    setNow(null);
    setFiles([]);
    setSent({ record: record.id, jobs: asked, first: wanted.find(({ side }) => side)?.side.charAt(0) ?? "" });
  });
  const several = [...new Set([letters.join(""), missing.join(""), ...files.map(({ side }) => side)])].filter((side) => side.length > 1);
  const choices = [...letters, ...several, ""];
  const wanted = files.map(({ side }) => side).filter(Boolean);
  const twice = [...new Set(wanted.filter((side, at) => wanted.indexOf(side) !== at))];
  const work = sent ? jobs : coming;
  const doing = now ? `Sending ${files[now.at].file.name}` : sent ? jobs.find((job) => job.state === "running")?.doing || "Waiting for its turn" : coming.length ? `${capital(count(coming.length, "recording is", "recordings are"))} being brought in` : "";
  const share = now?.share ?? work.reduce((sum, job) => sum + (job.share ?? 0), 0) / Math.max(1, sent?.jobs.length ?? work.length);
  hand.current = () => void bring(files, stylus);
  useEffect(() => show({ here: files.length, wanted: wanted.length, doing, share }), [files.length, wanted.length, doing, share]);
  return html`<section class="bring" aria-labelledby="bring">
    <h2 id="bring">Recorded already?</h2>
    <p class="soft">Drop the files anywhere on this page, or choose them: one per side, or one with the whole record. They are copied; your files stay where they are.</p>
    ${files.length > 0 && html`<ul>${files.map(({ file, side }, at) => html`<li key=${at}>
      <span>${file.name} <span class="soft">${size(file.size)}</span></span>
      <label>is <${Select} value=${side} disabled=${now !== null} options=${choices.map((letter) => [letter, sidesText(letter, letters)])} set=${(/** @type {string} */ letter) => { said.set(file, letter); setFiles(files.map((each, place) => (place === at ? { ...each, side: letter } : each))); }} /></label>
    </li>`)}</ul>`}
    ${wanted.length < files.length && html`<p class="finding look">Nothing tells which side ${files.length - wanted.length > 1 ? "some of them are" : "one of them is"}: say it, or leave it out. A side has to be one recording, not one for each track.</p>`}
    ${twice.length > 0 && html`<p class="finding look">${capital(sidesText(twice[0] ?? "", letters))} is there twice: each recording becomes a take of its own, and the last one counts.</p>`}
    ${files.length > 0 && html`<label class="with-stylus">Played with the stylus <input type="text" maxlength="200" value=${stylus} placeholder="not known" onInput=${(/** @type {any} */ event) => setStylus(event.target.value)} /></label>`}
    <p class="buttons">
      ${files.length > 0 && html`<button class="main" disabled=${now !== null || !wanted.length} onClick=${() => void bring(files, stylus)}>Bring them in</button>`}
      <label class="button">Choose the recordings<input class="unseen" type="file" accept="audio/*,.wav,.flac,.aiff,.aif,.w64,.rf64" multiple onChange=${(/** @type {any} */ event) => void choose(event.target.files)} /></label>
    </p>
  </section>`;
}
