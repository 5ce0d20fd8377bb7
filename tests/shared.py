"""What every worker of a run needs is made by the first that asks: kept in the folder that ``SIDEKEEP_SHARED_BY_TESTS`` names, as
``./run test`` does it. Without it every process makes its own. What is there is read or copied, never changed."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from filelock import FileLock


def made_once(name: str, make: Callable[[Path], None], own: Path) -> Path:
    """The file or folder of this name: ``make`` writes it to the path it is given, the first time; ``own`` is the folder for it
    where nothing is shared."""
    shared = os.environ.get("SIDEKEEP_SHARED_BY_TESTS")
    place = Path(shared) if shared else own
    path = place / name
    with FileLock(place / f"{name}.lock"):
        if not path.exists():
            part = place / f"{name}.part"
            make(part)
            part.replace(path)
    return path
