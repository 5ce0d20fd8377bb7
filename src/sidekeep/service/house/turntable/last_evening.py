"""What came of the evening that ended last, kept beside the shelf for half a day: a restart must not lose it."""

from __future__ import annotations

import contextlib
import time
from pathlib import Path
from typing import Any

from sidekeep.errors import SidekeepError
from sidekeep.files.atomic import write_json
from sidekeep.files.bounded import kept_json

LAST_EVENING = ".last-evening.json"
KEPT_S = 12 * 3600.0

Evening = tuple[float, dict[str, Any]]
"""When it ended, in seconds by the clock on the wall (it counts across restarts), and the session as a page saw it."""


def keep_evening(shelf: Path, last: Evening | None) -> None:
    """Keep it. A disk that refuses is no reason to fail: the recordings are safe already."""
    with contextlib.suppress(SidekeepError, OSError):
        write_json(shelf / LAST_EVENING, last, replace=True)


def broken_off(view: dict[str, Any]) -> Evening:
    """The evening as it stands, kept while it goes on: what a page is told when sidekeep does not live to see its end."""
    is_open = bool(view["take"]) and view["phase"] in ("recording", "run-out", "closing", "waiting")
    facts = {"side": view["side"] if is_open else ""}
    news = {"code": "broken-off", "severity": "act", "side": view["side"], "facts": facts}
    return time.time(), {**view, "phase": "done", "news": [*view["news"], news]}


def before_copies(last: Evening) -> Evening:
    """An evening that is over, kept until the copies that were to follow by themselves are asked for, or had better wait for a
    look: what a page is told when sidekeep does not live to see that."""
    ended_s, view = last
    news = {"code": "copies-unmade", "severity": "act", "side": "", "facts": {}}
    return ended_s, {**view, "news": [*view["news"], news]}


def kept_evening(shelf: Path) -> Evening | None:
    """The one that was kept, however long ago; None where there is none, or no longer a readable one."""
    match kept_json(shelf / LAST_EVENING):
        case [int() | float() as ended_s, {"record": str(), "sides": list(), "phase": "done"} as view]:
            return float(ended_s), view
    return None
