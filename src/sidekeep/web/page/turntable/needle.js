/** What the live survey says of the needle of the side that is being taken. */
import { useEffect, useState } from "../html.js";
import { hearLive } from "../store.js";

const NOTHING = { text: "", is_stuck: false };

/** What was said of another side, or of another take of this one, is not told. @param {any} session */
export function useNeedle(session) {
  const [needle, setNeedle] = useState(NOTHING);
  const recording = session.phase === "recording" || session.phase === "run-out";
  useEffect(() => {
    setNeedle(NOTHING);
    return hearLive(session, (event) => {
      if (event.code === "live-begun") setNeedle(NOTHING);
      if (event.code === "live-needle") setNeedle({ text: event.facts?.text ?? "", is_stuck: Boolean(event.facts?.goes_on) });
    });
  }, [session.record, session.side, recording]);
  return needle;
}
