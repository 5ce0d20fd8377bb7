/** Keys of the Side place. Letters can be switched off; fields and marks keep their own. */
import { useLayoutEffect } from "../html.js";
import { stepBack } from "../changes.js";
import { singleKeys } from "../remembered.js";
import { VERSIONS } from "../sound/take_sound.js";

/** @type {[string[], string][]} */
export const KEYS = [
  [["Space"], "listen from the needle, or stop"],
  [["1", "2", "3"], "hear it as played, mended, what was taken out"],
  [["L"], "listen around what is chosen, again and again"],
  [["Enter"], "this is right; on to the next unsure thing"],
  [["N"], "the next unsure thing without deciding"],
  [["←", "→"], "on a mark: 10 ms; elsewhere: move along the strip"],
  [["Shift", "← →"], "on a mark: one frame"],
  [["Page up", "Page down"], "on a mark: one second"],
  [["Home", "End"], "on a mark: to where the music begins or ends before or after it"],
  [["+", "−", "0"], "closer, farther, the whole side"],
  [["S"], "split the track at the needle; between tracks, begin one"],
  [["X"], "leave or mend the chosen repair"],
  [["[", "]"], "a region from here, to here"],
  [["Ctrl", "Z"], "undo; with Shift: redo"],
];

/** @param {import("./desk.js").Desk} desk @param {{record: any, side: any, unsure: any, edit: (edit: any, what?: string) => Promise<any>}} with_ */
export function useKeys(desk, with_) {
  useLayoutEffect(() => {
    /** @param {KeyboardEvent} event */
    const press = (event) => {
      const target = /** @type {HTMLElement} */ (event.target);
      if (target.closest("input:not([type=checkbox]):not([type=radio]), textarea, select")) return;
      if ((event.ctrlKey || event.metaKey) && event.key.toLowerCase() === "z") {
        event.preventDefault();
        void stepBack(with_.record.id, event.shiftKey ? "redo" : "undo");
        return;
      }
      if (event.ctrlKey || event.metaKey || event.altKey) return;
      if (!singleKeys() && !target.closest(".strip-view, .disc-view")) return;
      const on_control = target.closest("button, a, summary, label, input");
      const act = action(event, desk, with_, Boolean(on_control), Boolean(target.closest("[role=slider]")));
      if (act) {
        event.preventDefault();
        act();
      }
    };
    document.addEventListener("keydown", press);
    return () => document.removeEventListener("keydown", press);
  });
}

/** @param {KeyboardEvent} event @param {import("./desk.js").Desk} desk @param {any} with_ @param {boolean} on_control @param {boolean} on_mark @returns {(() => void) | null} */
function action(event, desk, with_, on_control, on_mark) {
  const span = desk.stop - desk.start;
  switch (event.key) {
    case " ": return on_control && !on_mark ? null : () => desk.listen();
    case "Enter": return on_control && !on_mark ? null : () => void with_.unsure.right();
    case "1": case "2": case "3": return () => desk.sound.choose(VERSIONS[Number(event.key) - 1]);
    case "l": case "L": return () => desk.listenAround();
    case "n": case "N": return () => with_.unsure.next();
    case "+": case "=": return () => desk.zoom(0.6);
    case "-": case "−": return () => desk.zoom(1 / 0.6);
    case "0": return () => desk.seeWhole();
    case "s": case "S": return () => void with_.edit({ kind: "split", side: with_.side.side, frame: Math.round(desk.now()) }, "The split");
    case "x": case "X": {
      const choice = desk.choice;
      const repair = choice?.kind === "repair" ? desk.repair(choice.id) : null;
      return repair ? () => void with_.edit({ kind: repair[7] ? "mend" : "leave", take: desk.take.view.take?.sha16 ?? "", repair: repair[0] }) : null;
    }
    case "[": return () => desk.choose({ kind: "region", start: desk.now(), stop: desk.choice?.kind === "region" && desk.choice.stop > desk.now() ? desk.choice.stop : Math.min(desk.take.length, desk.now() + desk.take.rate_hz) });
    case "]": return desk.choice?.kind === "region" && desk.now() > desk.choice.start ? () => desk.choose({ kind: "region", start: /** @type {any} */ (desk.choice).start, stop: desk.now() }) : null;
    case "ArrowLeft": return on_mark || on_control ? null : () => desk.pan(-span / 10);
    case "ArrowRight": return on_mark || on_control ? null : () => desk.pan(span / 10);
    default: return null;
  }
}
