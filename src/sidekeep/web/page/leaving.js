/** What is left behind when a page is reloaded, closed or gone from: what was done and not sent yet is sent then. */
import { useLayoutEffect, useRef } from "./html.js";

let leaving = false;
addEventListener("pagehide", () => void (leaving = true));
addEventListener("pageshow", () => void (leaving = false));

/** The page is going: a request must outlive it, and nothing that comes back is heard any more. */
export const isLeaving = () => leaving;

/** Keep what is not kept yet when this part of the page, or the page, goes. @param {() => void} keep */
export function useLeaving(keep) {
  const newest = useRef(keep);
  newest.current = keep;
  useLayoutEffect(() => {
    const leave = () => newest.current();
    addEventListener("pagehide", leave);
    return () => {
      removeEventListener("pagehide", leave);
      leave();
    };
  }, []);
}
