/** What the live survey says of the needle of the side that is being taken. */
import { useEffect, useState } from "../html.js";
import { knownNow, onEvent } from "../store.js";

const NOTHING = { text: "", is_stuck: false };

/** What was said of another side, or of another take of this one, is not told. @param {any} session */
export function useNeedle(session) {
  const [needle, setNeedle] = useState(NOTHING);
  const recording = session.phase === "recording" || session.phase === "run-out";
  useEffect(() => {
    /** @param {any} event */
    const hear = (event) => {
      if (event.side && event.side !== session.side) return;
      if (event.code === "live-begun") setNeedle(NOTHING);
      if (event.code === "live-needle") setNeedle({ text: event.facts?.text ?? "", is_stuck: Boolean(event.facts?.goes_on) });
    };
    const hearAll = () => knownNow().live.forEach(hear);
    setNeedle(NOTHING);
    hearAll();
    const live = onEvent("live", (event) => {
      for (const each of event.events ?? [event]) hear(each);
    });
    // The line was lost and is back: what the survey told meanwhile comes with the greeting.
    const again = onEvent("hello", hearAll);
    return () => {
      live();
      again();
    };
  }, [session.record, session.side, recording]);
  return needle;
}
