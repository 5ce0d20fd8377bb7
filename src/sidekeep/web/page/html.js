/** One way to write what is shown: tagged templates (htm) making preact nodes. */
import htm from "./vendor/htm.js";
import { h } from "./vendor/preact.js";

export const html = htm.bind(/** @type {(type: never, props: never, ...children: never[]) => import("./vendor/preact.js").VNode} */ (h));
export { render } from "./vendor/preact.js";
export { useCallback, useEffect, useId, useLayoutEffect, useMemo, useRef, useState } from "./vendor/hooks.js";

/** @typedef {import("./vendor/preact.js").VNode} VNode */
