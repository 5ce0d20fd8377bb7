/** What the turntable says: one sentence for the room, and the news in words. */
import { clock, decibels, roughly, sidesInWords } from "../words.js";

/** @param {any} session @param {boolean} is_stuck  the needle plays one place again and again @returns {{main: string, more: string}} */
export function sentenceOf(session, is_stuck) {
  const side = session.side;
  if (session.phase === "recording" && is_stuck) return { main: `The needle is stuck on side ${side}.`, more: "Volume down. Then lift it and lower it a little further in, or clean the record and take the side again." };
  const by_press = session.by_needle === false;
  const turn = session.turned === false ? "The next disc." : "Flip the record.";
  if (by_press) {
    const kept = "Volume down first. Nothing begins by itself: press, then lower the needle. The four seconds before your press are kept.";
    if (session.phase === "armed") return { main: `Press Begin now, then lower the needle on side ${side}.`, more: kept };
    if (session.phase === "flip") return { main: `${turn} Press Begin now, then lower the needle on side ${side}.`, more: kept };
    if (session.phase === "recording") return { main: `Side ${side} is being recorded.`, more: "Stay near: it does not end by itself. Press End this side when the music is over." };
  }
  switch (session.phase) {
    case "opening": return { main: "One moment: the input is being opened.", more: "" };
    case "armed": return { main: `Lower the needle on side ${side}.`, more: "Volume down first. Recording begins by itself; the seconds before are kept." };
    case "recording": return { main: `Side ${side} is being recorded.`, more: "You can walk away. It ends by itself." };
    case "run-out": return { main: `Side ${side} has run out.`, more: "Volume down, then lift the needle. If music comes back, the side goes on." };
    case "closing": return { main: `Side ${side} is being closed.`, more: "Its checksum is taken." };
    case "flip": return { main: `${turn} Lower the needle on side ${side}.`, more: "Volume down first. Lift the needle if it is still down, and clean the record." };
    case "waiting": return { main: "Waiting.", more: "It goes on by itself as soon as the input or the room on the disk is back." };
    default: return { main: endOf(session), more: "" };
  }
}

/** The page hears nothing any more: what was so when it last did. @param {any} session */
export function lostOf({ phase, side }) {
  const was = phase === "recording" || phase === "run-out";
  return { main: `The connection is lost${was ? `: side ${side} was being recorded` : ""}.`, more: "A lost connection ends no recording. If it does not come back, look at the machine that records." };
}

/** How an evening ended; one that was stopped before its last side is not done. @param {any} session */
function endOf(session) {
  if (session.taken?.length === 0) return "Stopped.";
  const was_stopped = (session.news ?? []).some((/** @type {any} */ news) => news.code === "stopped" || news.code === "broken-off");
  const left = was_stopped ? (session.sides ?? []).filter((/** @type {string} */ side) => !session.taken.includes(side)) : [];
  return left.length ? `Stopped. ${sidesInWords(left)} ${left.length > 1 ? "are" : "is"} not taken yet.` : "Done. Volume down, then lift the needle.";
}

/** @param {Record<string, any>} facts */
const length = (facts) => clock(facts.length_s ?? 0);
/** @type {Record<string, (facts: Record<string, any>) => string>} */
const WORDS = {
  begun: ({ side, joined }) => (joined ? `Side ${side}: the needle was down already; recording since then.` : `The needle is down: side ${side} is being recorded.`),
  "run-out": () => "The run-out: the side ends here unless music comes back.",
  "music-again": () => "Music again: the side goes on.",
  still: () => "No music for half a minute, but the needle is down: still recording.",
  taken: (facts) => `Side ${facts.side} is taken: ${length(facts)}.`,
  fits: ({ side }) => `Side ${side} is as long as the sleeve says.`,
  short: (facts) => `Side ${facts.side} is ${length(facts)} long; the sleeve prints ${clock(facts.printed_s)}. Did the needle skip?`,
  long: (facts) => `Side ${facts.side} is ${length(facts)} long; the sleeve prints only ${clock(facts.printed_s)}.`,
  "looks-like": ({ side, other }) => `This looks like side ${other}, not side ${side}. If so, press “It was side ${other}”.`,
  "beginning-aside": (facts) => `Only ${length(facts)} of side ${facts.side}: the ${clock(facts.aside_s)} before that were put aside when the needle was lifted. Take side ${facts.side} again, in one go; or put the two together on its page.`,
  "same-as": ({ side, other }) => `Side ${side} sounds the same as side ${other}: was the record flipped?`,
  "side-is": ({ side, was }) => `Taken for side ${side} now, not side ${was}.`,
  "false-start": ({ side, reason }) => (reason === "again" ? `That try of side ${side} is in the bin; it is armed again.` : reason === "discard" ? `Side ${side} is in the bin.` : `A false start of side ${side}: put in the bin, and armed again.`),
  "asked-twice": ({ side }) => `A take was put aside just now. Say it once more if side ${side} is to go too.`,
  "not-meant": ({ side }) => (side ? `Side ${side} has begun in the meantime and is still being recorded. Nothing was done to it: ask again if you mean it.` : "That take has ended already. Nothing was done."),
  "not-done": ({ reason }) => `That did not work: ${reason}.`,
  answer: ({ minutes, doubt }) => (doubt === "run-out" ? `Waiting up to ${minutes} minutes for the lift, in case music comes back.` : `Was it the other side? It waits ${minutes} minutes for the answer.`),
  kept: (facts) => `What there is of side ${facts.side} is kept: ${length(facts)}.`,
  "unexpected-end": ({ side }) => `The recording of side ${side} broke off. What was written is kept: take the side again.`,
  stopped: () => "Stopped. What was recorded is kept.",
  "broken-off": ({ side }) => `sidekeep was ended${side ? ` while side ${side} was recorded: what there is of it is kept` : ""}.`,
  "copies-unmade": () => "sidekeep was ended before the copies were begun: make them under Copies.",
  loss: ({ lost_s }) => `${Number(lost_s).toFixed(2)} s of sound was lost. Take this side again.`,
  "steady-loss": () => "Sound is being lost all the time: close other programs and take this side again.",
  overflow: () => "The input ran over: something may be missing there.",
  stall: () => "No sound arrives from the input at the moment.",
  resumed: ({ silent_s }) => `Sound arrives again after ${Number(silent_s).toFixed(1)} s; whether any is missing will show in a moment.`,
  "input-gone": ({ name }) => `The input ${name ?? ""} is gone. Volume down, then plug it in again; everything so far is kept.`,
  "input-back": () => "The input is back.",
  "input-moved": ({ other }) => `The system switched to another input: ${other}.`,
  "lowered-again": ({ side, lifted_s }) => `The needle was up for ${Math.round(lifted_s)} s, and side ${side} goes on in the same take. Take it again if that was not meant.`,
  "goes-on": ({ side }) => `Side ${side} goes on as a new take.`,
  "input-missing": ({ name }) => `The input ${name ?? ""} is not there. Volume down, then plug it in.`,
  "input-muted": () => "The input is muted in the system's sound settings.",
  "input-volume": ({ percent }) => `The input's volume in the system's sound settings is ${percent} %: set it to 100 % and use the gain of the interface.`,
  "input-mono": () => "The input has one channel only: a stereo record needs two.",
  "input-channels": ({ channels }) => `The input has ${channels} channels: the first two are recorded, so plug the turntable in there.`,
  "input-mixed": () => "The system may mix the channels of this input, or give silence: choose a plain stereo profile in its sound settings.",
  "input-bits": ({ bits }) => `The input has ${bits} bits: 24 leave more headroom.`,
  "input-rate": ({ rate_hz }) => `The input runs at ${rate_hz / 1000} kHz.`,
  loopback: () => "This input is what the machine plays itself, not the turntable.",
  clipped: () => "It clipped: turn the input down and take this side again.",
  "no-room": ({ free_min }) => `Room for only ${Math.floor(free_min)} minutes on the disk: make room, it goes on by itself.`,
  room: () => "There is room again.",
  "disk-low": ({ free_min }) => `Room for ${Math.floor(free_min)} more minutes on the disk.`,
  "not-written": () => "The disk refuses to be written to.",
  "next-place": () => "The disk failed: recording goes on in another place.",
  "brought-home": () => "What was recorded elsewhere is back on the shelf.",
  "left-at": ({ place }) => `What was recorded elsewhere is still at ${place}. Make room: the next start of sidekeep brings it home.`,
  "disk-slow": () => "The disk is slow; nothing is lost so far.",
  cap: ({ hours }) => `Recording ended after ${hours} hours.`,
  repaired: ({ side }) => `An interrupted take of side ${side} was found and kept.`,
  "side-not-on-sleeve": ({ side }) => `The sleeve has no side ${side}.`,
  "stylus-due": ({ name, hours }) => `The stylus ${name} has played ${Math.round(hours)} hours: have its tip looked at.`,
};
const QUIET = new Set(["armed", "flip", "done", "live-begun"]);

/** @param {any} news @returns {{text: string, severity: string} | null} */
export function newsText(news) {
  if (QUIET.has(news.code)) return null;
  const facts = { side: news.side, ...(news.facts ?? {}) };
  const say = WORDS[news.code];
  const text = say ? say(facts) : (news.text ?? "");
  return text ? { text, severity: news.severity ?? "note" } : null;
}

/** What has happened, the oldest first; sound that was lost at several places of a take is told once, where it was lost last.
 * @param {any[]} all @returns {{text: string, severity: string}[]} */
export function newsLines(all) {
  const lost = all.filter((news) => news.code === "loss");
  return all.flatMap((news) => {
    const alike = news.code === "loss" ? lost.filter((each) => each.take === news.take) : [news];
    if (alike.at(-1) !== news) return [];
    const line = newsText(news);
    if (!line || alike.length === 1) return line ?? [];
    const lost_s = alike.reduce((sum, each) => sum + Number(each.facts?.lost_s ?? 0), 0);
    return { ...line, text: `Sound was lost at ${alike.length} places, ${Number(lost_s.toFixed(2))} s in all. Take this side again.` };
  });
}

/** Advice of the gauge: what to do. @param {any} reading */
export function adviceText(reading) {
  const { code, facts } = reading?.advice ?? {};
  const by = facts?.turn_down_db ?? facts?.turn_up_db;
  const much = `about ${decibels(by, "dB", 0)}`;
  switch (code) {
    case "hum": return `Hum at ${decibels(reading.hum_dbfs, "dBFS", 0)}: fasten the turntable's thin earth wire to the phono stage, keep cables away from power supplies. Never defeat the mains safety earth.`;
    case "lower-needle": return "Volume down, then lower the needle on the loudest passage you know.";
    case "clipped": return "It clipped: turn the input down. Volume down, then lower the needle again.";
    case "channel-dead": return `Nothing comes from the ${facts.channel === "L" ? "left" : "right"} channel: look at the plugs, volume down first.`;
    case "out-of-phase": return "The channels are out of phase: one is wired the wrong way round at the cartridge. Volume down before you touch it.";
    case "turn-down": return `Turn the input down by ${much}.`;
    case "turn-up": return `Turn the input up by ${much}.`;
    case "listening": return "Listening. Let it play for ten seconds or more.";
    case "may-be-hot": return "Right for this passage, but a louder one may come too near the top: turn down a little.";
    case "level-right": return "The level is right.";
    default: return "";
  }
}

/** What the live survey says of the music; the sleeve may have been put right since the side began. @param {any} live @param {any[]} printed the side's lines of the sleeve @returns {string} */
export function trackText(live, printed) {
  const facts = live?.facts;
  if (!facts || facts.track === undefined) return "";
  const title = printed.find((line) => line.number === facts.track)?.title ?? facts.title;
  const name = title ? `“${title}”` : `track ${facts.track}`;
  const left = facts.side_left_s === null || facts.side_left_s === undefined ? "" : `; about ${roughly(Math.max(0, facts.side_left_s))} left on this side`;
  return `This should be ${name}${left}.`;
}
