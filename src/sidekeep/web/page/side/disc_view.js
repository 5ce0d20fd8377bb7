/** The disc on the desk: click to lower the needle, wheel or pinch to come closer. */
import { html, useEffect, useMemo, useRef } from "../html.js";
import { sleeveColour, writingOn } from "../colours.js";
import { DiscPicture, SETTLE_MS } from "../pictures/disc.js";
import { fit, styled } from "../pictures/light.js";
import { count } from "../words.js";
import { pointers } from "./pointers.js";

/** A frame that comes later than this after the disc was drawn was held up by it. */
const LATE_MS = 24;
const MOST_SLOWER = 4;

/** @param {import("../shapes.js").OnSide} props */
export function Disc({ desk, record, side }) {
  const canvas = useRef(/** @type {HTMLCanvasElement | null} */ (null));
  const colour = sleeveColour(record);
  const picture = useMemo(
    () => new DiscPicture(desk.take, desk.whole(), { colour, writing: writingOn(colour), letter: side.side, title: record.title, artist: record.artist, paper: styled("--paper") }, { rpm: record.sleeve?.rpm, size_inch: record.sleeve?.size_inch }),
    [desk.take, colour, record.title, record.artist, desk.cuts?.needle_down_frame, desk.cuts?.needle_up_frame],
  );
  useEffect(() => {
    const area = canvas.current;
    if (!area) return;
    let waiting = 0;
    let drawn = 0;
    let slower = 1;
    /** @type {ReturnType<typeof setTimeout> | undefined} */
    let settling;
    /** @param {number} now */
    const draw = (now) => {
      // The strip is what is looked at while it moves: the disc follows a little slower, and slower still on a machine
      // where drawing it makes a frame late.
      if (!picture.hasMoved(area) && now - drawn < slower * (desk.sound.playing ? 30 : 110)) {
        waiting = requestAnimationFrame(draw);
        return;
      }
      waiting = 0;
      drawn = now;
      requestAnimationFrame((next) => (slower = next - now > LATE_MS ? Math.min(MOST_SLOWER, slower * 2) : Math.max(1, slower * 0.9)));
      fit(area);
      const span = desk.choice && desk.choice.kind !== "mark" ? desk.choiceSpan() : null;
      picture.draw(area, { tracks: desk.cuts?.tracks ?? [], needle: desk.now(), playing: desk.sound.playing, start: desk.start, stop: desk.stop, choice: span });
      clearTimeout(settling);
      if (picture.isRough) settling = setTimeout(soon, SETTLE_MS + 5);
    };
    const soon = () => {
      if (!waiting) waiting = requestAnimationFrame(draw);
    };
    const tiles = () => {
      picture.stillKey = "";
      soon();
    };
    soon();
    desk.movers.add(soon);
    desk.take.waiting.add(tiles);
    const resized = new ResizeObserver(soon);
    resized.observe(area);
    void document.fonts?.ready.then(tiles);
    const undo = gestures(area, desk, picture, soon);
    return () => {
      desk.movers.delete(soon);
      desk.take.waiting.delete(tiles);
      resized.disconnect();
      cancelAnimationFrame(waiting);
      clearTimeout(settling);
      undo();
    };
  }, [desk, picture]);
  /** @param {number} factor */
  const zoom = (factor) => {
    const area = canvas.current;
    if (!area) return;
    if (factor === 0) picture.whole();
    else {
      picture.zoom(area, factor, ...(picture.seenAt(area, desk.now()) ?? []));
      if (factor > 1) picture.follow(desk.now());
    }
    desk.moved();
  };
  return html`<figure class="disc-view" aria-label="The disc">
    <canvas ref=${canvas} role="img" aria-label=${`Side ${side.side} as a disc under a lamp: ${count((desk.cuts?.tracks ?? []).length, "track")}, ${count(desk.take.repairs.length, "damaged place")}. The table of tracks tells the same.`}></canvas>
    <figcaption class="buttons"><button class="quiet" onClick=${() => zoom(1.8)}>Closer<span class="unseen"> to the disc</span></button><button class="quiet" onClick=${() => zoom(1 / 1.8)}>Farther<span class="unseen"> from the disc</span></button><button class="quiet" onClick=${() => zoom(0)}>The whole disc</button></figcaption>
  </figure>`;
}

/** @param {HTMLCanvasElement} area @param {import("./desk.js").Desk} desk @param {DiscPicture} picture @param {() => void} draw @returns {() => void} */
function gestures(area, desk, picture, draw) {
  let ratio = 1;
  const measured = new ResizeObserver(() => (ratio = area.width / Math.max(1, area.clientWidth)));
  measured.observe(area);
  const end = pointers(area, {
    drag(from, to) {
      if (picture.closer <= 1.02) return;
      picture.pan(area, (to.x - from.x) * ratio, (to.y - from.y) * ratio);
      draw();
    },
    pinch(factor, middle) {
      picture.zoom(area, factor, middle.x * ratio, middle.y * ratio);
      draw();
    },
    tap(at) {
      const frame = picture.frameAt(area, at.x * ratio, at.y * ratio);
      if (frame === null) return;
      desk.lower(frame);
      desk.reveal(frame);
    },
    wheel(event, at) {
      if (!event.ctrlKey && picture.closer <= 1.02 && event.deltaY > 0) return;
      event.preventDefault();
      picture.zoom(area, Math.exp(-event.deltaY * 0.0022), at.x * ratio, at.y * ratio);
      draw();
    },
  });
  return () => {
    measured.disconnect();
    end();
  };
}
