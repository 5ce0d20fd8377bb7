"""What a page is shown of the copies that are there: one folder for every manifest."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import Any

from sidekeep.copies.kept.manifest import MANIFEST_NAME, read_manifest
from sidekeep.copies.plan.layout import copies_folder_name
from sidekeep.copies.run.successors import REPORT_NAME
from sidekeep.copies.tracks.naming import clash_key
from sidekeep.errors import CopyError
from sidekeep.shelf.record_folder import RecordFolder


def copies_view(folder: RecordFolder) -> list[dict[str, Any]]:
    """The folders of finished copies: one for every manifest. ``is_named_now``: as the sleeve is read by now."""
    named = copies_folder_name(folder.record())
    found = []
    for manifest in sorted((folder.path / "copies").rglob(MANIFEST_NAME)):
        try:
            listed = list(read_manifest(manifest.parent))
        except CopyError:
            listed = []
        kinds: dict[str, int] = {}
        for path in listed:
            first, slash, _ = path.partition("/")
            if slash:
                kinds[first] = kinds.get(first, 0) + 1
        found.append(
            {
                "name": manifest.parent.name,
                "is_named_now": clash_key(manifest.parent.name) == clash_key(named),
                "kinds": [{"kind": kind, "files": count} for kind, count in kinds.items()],
                "files": len(listed),
                "size_bytes": _total_bytes(manifest.parent / path for path in listed),
                "written_utc": int(manifest.stat().st_mtime),
                "has_report": REPORT_NAME in listed,
            }
        )
    return found


def _total_bytes(paths: Iterable[Path]) -> int:
    total = 0
    for path in paths:
        try:
            total += path.stat().st_size
        except OSError:
            continue
    return total
