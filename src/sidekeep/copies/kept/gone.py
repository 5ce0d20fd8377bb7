"""Kinds of copies whose whole folder a person took away."""

from __future__ import annotations

from pathlib import Path

import sidekeep
from sidekeep.copies.kept.history import HISTORY_NAME, read_history, write_history
from sidekeep.copies.kept.manifest import add_to_manifest, read_manifest, write_manifest
from sidekeep.errors import CopyError


def kinds_gone(folder: Path) -> list[str]:
    """Folders below a folder of copies that files were written into and that are not there any more."""
    try:
        made = read_history(folder).files
    except CopyError:
        return []
    return sorted(
        kind
        for kind in {path.partition("/")[0] for path in made if "/" in path}
        if not (folder / kind).exists()
    )


def forget_kinds_gone(folder: Path) -> None:
    """Take them out of history and manifest: what is there now is what there should be. Raises ``CopyError``."""
    gone = kinds_gone(folder)
    if not gone:
        return
    sums = read_manifest(folder)
    history = read_history(folder)
    history.files = {
        path: entry for path, entry in history.files.items() if path.partition("/")[0] not in gone
    }
    write_history(folder, history, f"sidekeep {sidekeep.__version__}")
    write_manifest(
        folder, {path: digest for path, digest in sums.items() if path.partition("/")[0] not in gone}
    )
    add_to_manifest(folder, [HISTORY_NAME])
