"""Where the shelf is when nobody says so: asked by verbs that need nothing else of it."""

from __future__ import annotations

import os
from pathlib import Path

SHELF_VARIABLE = "SIDEKEEP_SHELF"


def default_shelf() -> Path:
    """``$SIDEKEEP_SHELF``, or ``sidekeep`` in the person's home."""
    named = os.environ.get(SHELF_VARIABLE)
    return Path(named).expanduser() if named else Path.home() / "sidekeep"
