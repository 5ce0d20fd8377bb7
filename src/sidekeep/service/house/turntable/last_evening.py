"""What came of the evening that ended last, kept beside the shelf for half a day: a restart must not lose it."""

from __future__ import annotations

import contextlib
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


def kept_evening(shelf: Path) -> Evening | None:
    """The one that was kept, however long ago; None where there is none, or no longer a readable one."""
    match kept_json(shelf / LAST_EVENING):
        case [int() | float() as ended_s, {"record": str(), "sides": list(), "phase": "done"} as view]:
            return float(ended_s), view
    return None
