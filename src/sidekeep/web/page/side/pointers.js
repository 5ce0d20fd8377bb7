/** Mouse, fingers and wheel on a picture: tap, drag, pinch and wheel told as such, in pixels of the page. */

const STILL = 4;

/** @typedef {import("../shapes.js").Spot} Spot */

/** A box whose place is read again only when it may have changed: reading it at every move would lay the page out anew. @param {HTMLElement} area */
function boxOf(area) {
  /** @type {DOMRect | null} */
  let kept = null;
  const forget = () => (kept = null);
  const sized = new ResizeObserver(forget);
  sized.observe(area);
  addEventListener("scroll", forget, { capture: true, passive: true });
  addEventListener("resize", forget);
  area.addEventListener("pointerenter", forget);
  return {
    /** @param {MouseEvent} event @returns {Spot} */
    spot(event) {
      kept ??= area.getBoundingClientRect();
      return { x: event.clientX - kept.left, y: event.clientY - kept.top };
    },
    end() {
      sized.disconnect();
      removeEventListener("scroll", forget, { capture: true });
      removeEventListener("resize", forget);
      area.removeEventListener("pointerenter", forget);
    },
  };
}

/** @param {HTMLElement} area @param {import("../shapes.js").Wishes} wishes @returns {() => void} ends it */
export function pointers(area, wishes) {
  const box = boxOf(area);
  /** @type {Map<number, Spot>} */
  const fingers = new Map();
  let travelled = 0;
  /** @param {PointerEvent} event */
  const down = (event) => {
    const at = box.spot(event);
    fingers.set(event.pointerId, at);
    travelled = fingers.size > 1 ? STILL + 1 : 0;
    area.setPointerCapture(event.pointerId);
    wishes.down?.(event, at);
  };
  /** @param {PointerEvent} event */
  const move = (event) => {
    const before = fingers.get(event.pointerId);
    if (!before) return;
    const now = box.spot(event);
    fingers.set(event.pointerId, now);
    travelled += Math.hypot(now.x - before.x, now.y - before.y);
    const other = [...fingers].find(([id]) => id !== event.pointerId)?.[1];
    if (other) {
      /** @param {Spot} at */
      const apart = (at) => Math.max(8, Math.hypot(at.x - other.x, at.y - other.y));
      wishes.pinch(apart(now) / apart(before), { x: (now.x + other.x) / 2, y: (now.y + other.y) / 2 });
    } else if (travelled > STILL) wishes.drag(before, now);
  };
  /** @param {PointerEvent} event */
  const up = (event) => {
    const at = fingers.get(event.pointerId);
    fingers.delete(event.pointerId);
    if (!at || fingers.size > 0) return;
    if (travelled > STILL) wishes.dropped?.();
    else if (event.type === "pointerup") wishes.tap(at);
  };
  /** @param {WheelEvent} event */
  const wheel = (event) => wishes.wheel(event, box.spot(event));
  /** @type {[string, any, AddEventListenerOptions?][]} */
  const heard = [["pointerdown", down], ["pointermove", move], ["pointerup", up], ["pointercancel", up], ["wheel", wheel, { passive: false }]];
  for (const [name, hear, how] of heard) area.addEventListener(name, hear, how);
  return () => {
    for (const [name, hear] of heard) area.removeEventListener(name, hear);
    box.end();
  };
}
