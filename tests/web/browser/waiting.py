"""Waiting for a state of the page, never for a time: what is true on a quick machine is true on a slow one, only later."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any
from weakref import WeakKeyDictionary

PATIENCE_S = 60.0
"""What a loaded machine may need for a step; nothing is measured with it."""
_open: WeakKeyDictionary[Any, set[Any]] = WeakKeyDictionary()


def watch_requests(page: Any) -> None:
    """Count what this page asks from now on; ``answered`` needs it."""
    asked = _open.setdefault(page, set())
    page.on("request", lambda request: asked.add(request))
    page.on("requestfinished", lambda request: asked.discard(request))
    page.on("requestfailed", lambda request: asked.discard(request))


def until(page: Any, true: Callable[[], Any], what: str = "") -> None:
    """Wait until it is true, the page going on meanwhile."""
    end = time.monotonic() + PATIENCE_S
    while not true():
        assert time.monotonic() < end, what or "it did not happen"
        page.wait_for_timeout(50)


def drawn(page: Any) -> None:
    """What the page knows by now is on the screen: two frames, and what follows them, have passed."""
    page.evaluate(
        "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => setTimeout(done))))"
    )


def answered(page: Any) -> None:
    """No request is open, and none follows from what the last ones brought."""
    asked = _open[page]
    quiet = 0
    end = time.monotonic() + PATIENCE_S
    while quiet < 2:
        assert time.monotonic() < end, f"still open: {[request.url for request in asked]}"
        drawn(page)
        quiet = 0 if asked else quiet + 1


def settled_box(locator: Any) -> Any:
    """Where it is once it no longer moves: in sight, letters and pictures are there, and two frames give the same box."""
    answered(locator.page)
    locator.scroll_into_view_if_needed()
    return locator.evaluate(
        """async (element) => {
          const frame = () => new Promise(requestAnimationFrame);
          await document.fonts.ready;
          await Promise.all([...document.images].map((image) => image.decode().catch(() => undefined)));
          for (let before = ""; ; await frame()) {
            const { x, y, width, height } = element.getBoundingClientRect();
            const now = [x, y, width, height].join(" ");
            if (now === before) return { x, y, width, height };
            before = now;
          }
        }"""
    )


def side_is_ready(page: Any) -> None:
    """The Side place stands, its keys are heard (they are bound together with the figures under the strip), and all it asked for has come."""
    page.wait_for_function("() => document.querySelector('.strip-under .number')?.textContent")
    answered(page)
