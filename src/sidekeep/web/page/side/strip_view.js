/** The unrolled strip with its marks: each mark is a slider of its own, by pointer and by keys. */
import { html, useEffect, useMemo, useRef, useState } from "../html.js";
import { useLeaving } from "../leaving.js";
import { fit } from "../pictures/light.js";
import { StripPicture } from "../pictures/strip.js";
import { say } from "../store.js";
import { clock } from "../words.js";
import { pointers } from "./pointers.js";
import { catchGap, crossingReach, nearestCrossing, quietParts } from "./snapping.js";
import { unsureOf } from "./unsure.js";

/** Laying the figures out at every frame would cost more than the picture. */
const TELL_MS = 120;
/** Nudges by keys that follow each other this closely are one move. */
const NUDGE_MS = 450;

/** @param {import("../shapes.js").OnSide} props */
export function Strip({ desk, edit, side, unsure }) {
  const canvas = useRef(/** @type {HTMLCanvasElement | null} */ (null));
  const marks = useRef(/** @type {HTMLElement | null} */ (null));
  const span = useRef(/** @type {HTMLElement | null} */ (null));
  const picture = useMemo(() => new StripPicture(desk.take), [desk.take, desk.take.view.envelope]);
  const quiet = useMemo(() => quietParts(desk.take.view.envelope ?? { bin_frames: 1, db: [] }, desk.take.rate_hz), [desk.take]);
  const tracks = desk.cuts?.tracks ?? [];

  useEffect(() => {
    const area = canvas.current;
    if (!area) return;
    let waiting = 0;
    /** @type {ReturnType<typeof setTimeout> | undefined} */
    let told;
    let sized = true;
    const draw = () => {
      waiting = 0;
      if (sized) fit(area);
      sized = false;
      const now = desk.now();
      if (desk.sound.playing && !desk.moving && !desk.sound.run?.loop && (now > desk.stop || now < desk.start)) desk.see(now - (desk.stop - desk.start) * 0.05, now + (desk.stop - desk.start) * 0.95);
      const choice = desk.choice;
      picture.draw(area, {
        start: desk.start, stop: desk.stop, needle: now, playing: desk.sound.playing, version: desk.sound.version, choice,
        region: choice?.kind === "region" ? choice : null,
        marks: (desk.cuts?.tracks ?? []).flatMap((/** @type {any} */ track) => [{ frame: desk.markFrame({ track: track.number, edge: "start" }), segue: track.boundary === "segue" }]),
        cut: desk.cuts ? { start: desk.cuts.music_start_frame, stop: desk.cuts.music_stop_frame } : null,
      });
      place(marks.current, desk, area.width / Math.min(2, devicePixelRatio || 1));
      if (!told) told = setTimeout(tellSpan, TELL_MS);
    };
    const tellSpan = () => {
      told = undefined;
      const digits = desk.stop - desk.start < desk.take.rate_hz * 20 ? 3 : 0;
      if (span.current) span.current.textContent = `${clock(desk.start / desk.take.rate_hz, digits)} to ${clock(desk.stop / desk.take.rate_hz, digits)}`;
    };
    const soon = () => {
      if (!waiting) waiting = requestAnimationFrame(draw);
    };
    tellSpan();
    soon();
    desk.movers.add(soon);
    desk.take.waiting.add(soon);
    const resized = new ResizeObserver(() => {
      sized = true;
      soon();
    });
    resized.observe(area);
    const undo = gestures(area, desk);
    return () => {
      desk.movers.delete(soon);
      desk.take.waiting.delete(soon);
      resized.disconnect();
      cancelAnimationFrame(waiting);
      clearTimeout(told);
      undo();
    };
  }, [desk, picture]);

  return html`<section class="strip-view" aria-label="The side unrolled">
    <div class="strip-box">
      <canvas ref=${canvas} class="strip" tabindex="0" role="img" aria-label=${`Side ${side.side} unrolled: time to the right, once round the disc upward. Arrow keys move along, plus and minus come closer, zero shows the whole side.`}></canvas>
      <div class="marks" ref=${marks}>
        ${tracks.map((/** @type {any} */ track) => html`
          <${Mark} key=${`${track.number}start`} desk=${desk} edit=${edit} side=${side} track=${track} edge="start" quiet=${quiet} doubt=${unsureOf(unsure.open, track.number)} />
          <${Mark} key=${`${track.number}stop`} desk=${desk} edit=${edit} side=${side} track=${track} edge="stop" quiet=${quiet} doubt=${false} />`)}
      </div>
    </div>
    <p class="strip-under"><span class="soft number" ref=${span}></span>
      <span class="buttons"><button class="quiet" onClick=${() => desk.zoom(0.5)}>Closer <kbd>+</kbd></button><button class="quiet" onClick=${() => desk.zoom(2)}>Farther <kbd>−</kbd></button><button class="quiet" onClick=${() => desk.seeWhole()}>The whole side <kbd>0</kbd></button></span></p>
  </section>`;
}

/** Without drawing the rest anew. @param {HTMLElement | null} box @param {import("./desk.js").Desk} desk @param {number} width */
function place(box, desk, width) {
  if (!box) return;
  for (const element of /** @type {Iterable<HTMLElement>} */ (box.children)) {
    const track = Number(element.dataset.track);
    const edge = /** @type {"start" | "stop"} */ (element.dataset.edge);
    const x = ((desk.markFrame({ track, edge }) - desk.start) / (desk.stop - desk.start)) * width;
    const hidden = x < -1 || x > width + 1;
    if (element.hidden !== hidden) element.hidden = hidden;
    if (!hidden) element.style.transform = `translateX(${x.toFixed(2)}px)`;
    const chosen = desk.choice?.kind === "mark" && desk.choice.track === track && desk.choice.edge === edge;
    element.classList.toggle("chosen", chosen);
  }
}

/** @param {{desk: import("./desk.js").Desk, edit: any, side: any, track: any, edge: "start" | "stop", quiet: {start: number, stop: number}[], doubt: boolean}} props */
function Mark({ desk, edit, side, track, edge, quiet, doubt }) {
  const rate = desk.take.rate_hz;
  const [waiting, setWaiting] = useState(false);
  /** Put by keys, or let go, and not sent yet. @type {{current: {timer?: ReturnType<typeof setTimeout>, frame: number} | null}} */
  const unsent = useRef(null);
  /** Sent and not answered: what is drawn may be older. @type {{current: {frame: number} | null}} */
  const sent = useRef(null);
  const mark = { track: track.number, edge };

  /** @param {number} to */
  const keep = async (to) => {
    const move = desk.moving && desk.moving.track === mark.track && desk.moving.edge === edge ? desk.moving : null;
    clearTimeout(unsent.current?.timer);
    unsent.current = null;
    if (to !== (sent.current?.frame ?? desk.keptFrame(mark))) {
      const mine = (sent.current = { frame: to });
      setWaiting(true);
      const kept = await edit({ kind: "move-mark", side: side.side, track: track.number, edge, frame: to }, "The move of the mark");
      if (kept) say(`${edge === "start" ? "Begins" : "Ends"} at ${clock(to / rate, 3)}.`);
      if (sent.current === mine) {
        sent.current = null;
        setWaiting(false);
      }
    }
    if (move && desk.moving === move) desk.moving = null; // else it, or another, was moved on while the answer was on its way
    desk.changed();
  };
  /** A nudge waits a moment for the next one; what comes after it must find it made. */
  const keepNudge = () => {
    if (unsent.current?.timer) void keep(unsent.current.frame);
  };
  useLeaving(() => {
    if (unsent.current) void keep(unsent.current.frame);
  });

  /** @param {PointerEvent} event */
  const down = (event) => {
    if (event.button !== 0) return;
    keepNudge();
    const handle = /** @type {HTMLElement} */ (event.currentTarget);
    const box = /** @type {HTMLElement} */ (handle.parentElement).getBoundingClientRect();
    const from = event.clientX;
    const first = desk.markFrame(mark);
    const per_pixel = (desk.stop - desk.start) / box.width;
    /** Where it is let go; null until it has moved. @type {number | null} */
    let dropped = null;
    handle.setPointerCapture(event.pointerId);
    desk.choose({ kind: "mark", ...mark });
    /** @param {PointerEvent} move */
    const drag = (move) => {
      if (dropped === null && Math.abs(move.clientX - from) < 3) return;
      const wanted = Math.round(Math.min(Math.max(0, first + (move.clientX - from) * per_pixel), desk.take.length));
      const caught = move.altKey ? { frame: wanted, caught: "" } : catchGap(wanted, edge, quiet, per_pixel);
      desk.moving = { ...mark, ...caught };
      dropped = caught.frame;
      desk.moved();
    };
    const end = async () => {
      handle.removeEventListener("pointermove", drag);
      handle.removeEventListener("pointerup", end);
      handle.removeEventListener("pointercancel", end);
      if (dropped === null) return;
      const mine = (unsent.current = { frame: dropped });
      const to = await crossing(desk, dropped);
      if (unsent.current === mine) await keep(to); // else it was moved on, or the place was left
    };
    handle.addEventListener("pointermove", drag);
    handle.addEventListener("pointerup", end);
    handle.addEventListener("pointercancel", end);
  };

  /** @param {KeyboardEvent} event */
  const key = (event) => {
    if (event.ctrlKey || event.metaKey) keepNudge(); // undo means this one
    const now = desk.markFrame(mark);
    const step = event.shiftKey ? 1 : Math.round(rate * 0.01);
    const places = quiet.map((part) => (edge === "start" ? part.stop : part.start));
    const to = {
      ArrowLeft: now - step, ArrowRight: now + step, ArrowDown: now - step, ArrowUp: now + step, PageUp: now + rate, PageDown: now - rate,
      Home: Math.max(...places.filter((at) => at < now - 1), -1), End: Math.min(...places.filter((at) => at > now + 1), Infinity),
    }[event.key];
    if (to === undefined) return;
    event.preventDefault();
    event.stopPropagation();
    if (!Number.isFinite(to) || to < 0 || to > desk.take.length) return;
    desk.choice = { kind: "mark", ...mark };
    desk.moving = { ...mark, frame: Math.round(to), caught: event.key === "Home" || event.key === "End" ? (edge === "start" ? "where the music begins" : "where the music ends") : "" };
    desk.reveal(desk.moving.frame);
    desk.changed();
    clearTimeout(unsent.current?.timer);
    unsent.current = { frame: desk.moving.frame, timer: setTimeout(keepNudge, NUDGE_MS) };
  };

  const shown = desk.markFrame(mark);
  return html`<div class=${`mark ${edge} ${doubt ? "doubt" : ""} ${waiting ? "waiting-for" : ""}`} data-track=${track.number} data-edge=${edge} role="slider" tabindex="0"
    aria-label=${`Track ${track.number}, ${track.title || "no title yet"}: where it ${edge === "start" ? "begins" : "ends"}${doubt ? "; unsure" : ""}`}
    aria-valuemin="0" aria-valuemax=${Math.round(desk.take.length / rate)} aria-valuenow=${(shown / rate).toFixed(3)} aria-valuetext=${clock(shown / rate, 3)}
    onPointerDown=${down} onKeyDown=${key} onBlur=${keepNudge} onFocus=${() => { if (desk.choice?.kind !== "mark" || desk.choice.track !== track.number || desk.choice.edge !== edge) desk.choose({ kind: "mark", ...mark }); }}>
    <span aria-hidden="true">${edge === "start" ? `${track.number}${doubt ? "?" : ""}` : ""}</span></div>`;
}

/** The nearest zero crossing to where a mark was let go. @param {import("./desk.js").Desk} desk @param {number} frame */
async function crossing(desk, frame) {
  const reach = crossingReach(desk.take.rate_hz);
  try {
    return nearestCrossing(frame, await desk.take.samples(frame - reach, frame + reach), desk.take.rate_hz);
  } catch {
    return frame;
  }
}

/** @param {HTMLCanvasElement} area @param {import("./desk.js").Desk} desk @returns {() => void} */
function gestures(area, desk) {
  let wide = Math.max(1, area.clientWidth);
  const measured = new ResizeObserver(() => (wide = Math.max(1, area.clientWidth)));
  measured.observe(area);
  let from = 0;
  let marking = false;
  const per_pixel = () => (desk.stop - desk.start) / wide;
  /** @param {number} x */
  const frameAt = (x) => desk.start + x * per_pixel();
  const end = pointers(area, {
    down(event, at) {
      from = frameAt(at.x);
      marking = event.shiftKey;
    },
    drag(before, now) {
      if (!marking) return desk.pan((before.x - now.x) * per_pixel());
      const to = frameAt(now.x);
      desk.choice = { kind: "region", start: Math.max(0, Math.min(from, to)), stop: Math.min(desk.take.length, Math.max(from, to)) };
      desk.moved();
    },
    dropped: () => marking && desk.changed(),
    pinch: (factor, middle) => desk.zoom(1 / factor, frameAt(middle.x)),
    tap(at) {
      const hit = damageAt(desk, area, at.x, at.y);
      if (hit) return desk.choose({ kind: "repair", id: hit[0] });
      if (desk.choice) desk.choice = null;
      desk.lower(frameAt(at.x));
    },
    wheel(event, at) {
      const sideways = Math.abs(event.deltaX) > Math.abs(event.deltaY) || event.shiftKey;
      if (!sideways && !event.ctrlKey && document.activeElement !== area && !area.parentElement?.contains(document.activeElement)) return;
      event.preventDefault();
      if (sideways) desk.pan((event.deltaX || event.deltaY) * per_pixel());
      else desk.zoom(Math.exp(event.deltaY * 0.0022), frameAt(at.x));
    },
  });
  return () => {
    measured.disconnect();
    end();
  };
}

/** Under a point, where they can be told apart. @param {import("./desk.js").Desk} desk @param {HTMLCanvasElement} area @param {number} x @param {number} y */
function damageAt(desk, area, x, y) {
  const per_pixel = (desk.stop - desk.start) / area.clientWidth;
  const close = desk.stop - desk.start < desk.take.rate_hz * 4;
  const frame = desk.start + x * per_pixel;
  const reach = 7 * per_pixel;
  let best = null;
  let nearest = 8;
  for (const repair of desk.take.repairsIn(frame - reach, frame + reach)) {
    const away_x = frame < repair[1] ? (repair[1] - frame) / per_pixel : frame > repair[2] ? (frame - repair[2]) / per_pixel : 0;
    const away_y = close ? 0 : Math.abs(area.clientHeight - 4 - (repair[6] ?? desk.take.angle(repair[1])) * (area.clientHeight - 8) - y);
    const away = Math.hypot(away_x, away_y);
    if (away < nearest) {
      nearest = away;
      best = repair;
    }
  }
  return best;
}
