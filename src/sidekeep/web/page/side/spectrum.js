/** The spectrum of what is seen, when it is asked for: time to the right, pitch upward, brightness is level. */
import { html, useEffect, useRef, useState } from "../html.js";
import { brush, fit, shade } from "../pictures/light.js";
import { getBytes, takeApi } from "../server.js";

const HEIGHT = 240;
/** While the spectrum of a long span is still being made, the picture is of samples of it: ask again, so long and so often. */
const AGAIN_MS = 1500;
const AGAIN_MOST = 40;
const SHADES = Array.from({ length: 256 }, (_, level) => {
  const light = Math.max(0, (level - 60) / 170);
  return light > 1 ? [255, 226, 178] : shade(Math.min(1, light), true);
});

/** @param {import("../shapes.js").OnSide} props */
export function Spectrum({ desk }) {
  const [open, setOpen] = useState(false);
  const [about, setAbout] = useState(/** @type {any} */ (null));
  const canvas = useRef(/** @type {HTMLCanvasElement | null} */ (null));
  useEffect(() => {
    if (!open) return;
    let timer = /** @type {any} */ (0);
    let asked = "";
    let again = 0;
    const ask = async () => {
      const area = canvas.current;
      if (!area) return;
      fit(area);
      const start = Math.floor(desk.start);
      const stop = Math.ceil(desk.stop);
      const version = desk.sound.version;
      const key = `${start} ${stop} ${area.width} ${version}`;
      if (asked === key) return;
      if (!asked.startsWith(`${start} ${stop} `)) again = 0;
      asked = key;
      const found = await getBytes(takeApi(desk.take.id, `spectrum?start_frame=${start}&stop_frame=${stop}&width=${Math.min(1200, area.width)}&height=${HEIGHT}&as=${version}`)).catch(() => null);
      if (!found || asked !== key) return;
      setAbout(found.about);
      paint(area, new Uint8Array(found.bytes), found.about);
      if (found.about.shows !== "places" || again >= AGAIN_MOST) return;
      again += 1;
      timer = setTimeout(() => {
        asked = `${start} ${stop} `;
        ask();
      }, AGAIN_MS);
    };
    const later = () => {
      clearTimeout(timer);
      timer = setTimeout(ask, 180);
    };
    later();
    desk.movers.add(later);
    return () => {
      desk.movers.delete(later);
      clearTimeout(timer);
    };
  }, [open, desk]);
  const lowest = about?.lowest_hz ?? 20;
  const highest = about?.highest_hz ?? desk.take.rate_hz / 2;
  return html`<details class="spectrum" onToggle=${(/** @type {any} */ event) => setOpen(event.currentTarget.open)}><summary>The spectrum of what is seen</summary>
    ${open && html`<div class="spectrum-box"><canvas ref=${canvas} role="img" aria-label="Spectrum of the part that is seen: pitch upward, brightness is level"></canvas>
      ${[50, 500, 5000, 15000].filter((hz) => hz > lowest && hz < highest).map((hz) => html`<span key=${hz} class="hz number" style=${{ bottom: `${(Math.log(hz / lowest) / Math.log(highest / lowest)) * 100}%` }}>${hz >= 1000 ? `${hz / 1000} kHz` : `${hz} Hz`}</span>`)}</div>`}
  </details>`;
}

/** @param {HTMLCanvasElement} area @param {Uint8Array} levels @param {{columns: number, rows: number}} about */
function paint(area, levels, { columns, rows }) {
  const picture = new ImageData(columns, rows);
  for (let column = 0; column < columns; column += 1) {
    for (let row = 0; row < rows; row += 1) picture.data.set([...SHADES[levels[column * rows + row]], 255], ((rows - 1 - row) * columns + column) * 4);
  }
  const small = document.createElement("canvas");
  small.width = columns;
  small.height = rows;
  brush(small).putImageData(picture, 0, 0);
  const context = brush(area);
  context.imageSmoothingEnabled = true;
  context.drawImage(small, 0, 0, area.width, area.height);
}
