/** A record that cannot be shown, and why: it may have been moved, or the disk of its shelf unplugged. */
import { html } from "./html.js";
import { capital } from "./words.js";

/** @param {{record: any}} props */
export const Missing = ({ record }) => html`<h1>${record.code === "shelf-gone" ? "The shelf is not there." : "This record is not on the shelf."}</h1>
  ${record.text && record.code !== "shelf-gone" && html`<p class="soft">${capital(record.text)}.</p>`}<p><a href="/">To the shelf</a></p>`;
