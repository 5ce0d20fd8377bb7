"""Whether the disk has room for copies of a record: said before the record is listened to, which takes minutes."""

from __future__ import annotations

import shutil
from collections.abc import Iterable, Sequence
from pathlib import Path

from sidekeep.copies.kinds.forms import read_forms
from sidekeep.copies.kinds.table import KINDS, Kind
from sidekeep.copies.plan.room import TakeForm, room_needed
from sidekeep.errors import ShelfError
from sidekeep.model.recipe import CopySettings
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake


def usual_bytes(takes: Sequence[ShelfTake], settings: CopySettings) -> dict[str, int]:
    """About how much room copies of each kind need."""
    forms = _forms(takes)
    return {kind.name: room_needed([kind], forms).usual_bytes for kind in _formed(KINDS, settings)}


def refuse_no_room(
    folder: RecordFolder, takes: Sequence[ShelfTake], kinds: Sequence[str], settings: CopySettings
) -> None:
    """Raise ``ShelfError`` where the disk surely has no room for the kinds that are not there yet; those that are may stay as
    they are. A disk that cannot be asked is tried."""
    wanted = [name for name in kinds if not _is_there(folder.path / "copies", name)]
    needed = room_needed(_formed(wanted, settings), _forms(takes))
    try:
        free = shutil.disk_usage(folder.path).free
    except OSError:
        return
    if free < needed.least_bytes:
        raise ShelfError(
            "no-room-for-copies",
            folder=folder.path.parent,
            free_mb=free >> 20,
            needed_mb=-(-needed.usual_bytes >> 20),
        )


def _formed(names: Iterable[str], settings: CopySettings) -> list[Kind]:
    forms = read_forms(settings.forms or ())
    return [
        KINDS[name].formed(
            bits=forms[name].bits, rate_hz=forms[name].rate_hz, kbit_per_s=forms[name].kbit_per_s
        )
        if name in forms
        else KINDS[name]
        for name in names
        if name in KINDS
    ]


def _is_there(copies: Path, kind: str) -> bool:
    return any(copies.glob(f"*/{kind}"))


def _forms(takes: Sequence[ShelfTake]) -> list[TakeForm]:
    return [
        TakeForm(
            length_s=take.length_s,
            rate_hz=take.rate_hz,
            bits=take.bits,
            channels=take.channels,
            size_bytes=sum(file.size_bytes for file in take.files),
        )
        for take in takes
    ]
