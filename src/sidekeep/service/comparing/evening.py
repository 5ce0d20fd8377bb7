"""What the shelf knows of the two evenings: kept comparisons of other records that were played on both, and who could still
be asked."""

from __future__ import annotations

import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from sidekeep.errors import SidekeepError
from sidekeep.files.bounded import kept_json
from sidekeep.flow.comparison.told.evening import Evening, OtherRecord
from sidekeep.service.comparing.moments import near
from sidekeep.service.comparing.takes import NamedTake
from sidekeep.shelf.index.catalogue import record_folders
from sidekeep.shelf.record_folder import RecordFolder

COMPARISONS = "comparisons"
_TREBLE_HZ = (9000.0, 11000.0)


def evening_of(shelf: Path, old: NamedTake, new: NamedTake) -> Evening:
    """Other records that were taken on both of these evenings, not more than one comparison of each side."""
    if old.take is None or new.take is None or not shelf.is_dir():
        return Evening()
    when = old.take.taken_utc, new.take.taken_utc
    try:
        if near(*when):
            return Evening()
    except (ValueError, TypeError):  # a date that a person has changed tells nothing
        return Evening()
    others, uncompared = [], []
    for folder in record_folders(shelf):
        if old.record is not None and folder.path == old.record.path:
            continue
        found = list(_compared(folder, when))
        others += found
        if not found and _taken_on_both(folder, when):
            uncompared.append(folder.path.name)
    return Evening(others=tuple(others), uncompared=tuple(uncompared))


def _compared(folder: RecordFolder, when: tuple[str, str]) -> Iterable[OtherRecord]:
    for path in sorted((folder.path / COMPARISONS).glob("*/comparison.json")):
        try:
            values: Any = kept_json(path)
            if near(values["old_taken_utc"], when[0]) and near(values["new_taken_utc"], when[1]):
                yield other_record(folder.path.name, values)
        except (ValueError, KeyError, TypeError, AttributeError):
            continue


def _taken_on_both(folder: RecordFolder, when: tuple[str, str]) -> bool:
    try:
        takes = folder.takes()
        sides = [{take.side for take in takes if near(take.taken_utc, moment)} for moment in when]
    except (SidekeepError, ValueError, TypeError):
        return False
    return bool(sides[0] & sides[1])


def other_record(name: str, values: dict[str, Any]) -> OtherRecord:
    """The changes of a kept comparison (the object of ``compare --json``)."""
    # no comparison is made here, and reading kept ones must not wait for its kernels
    from sidekeep.flow.comparison.compare import LEVEL_HZ

    def level(part: str, hz: tuple[float, float]) -> float:
        found = [
            row[side]
            for row in values["bands"]
            for side in ("left_db", "right_db")
            if row["part"] == part and hz[0] < row["hz"] < hz[1] and row[side] is not None
        ]
        return sum(found) / len(found) if found else math.nan

    def noise(kind: str) -> float:
        change = values["noise"].get(kind, {}).get("change_db")
        return math.nan if change is None else float(change)

    plain = level("all", LEVEL_HZ)
    inward = [level(part, _TREBLE_HZ) - level(part, LEVEL_HZ) for part in ("inner", "outer")]
    shares = [
        row["share"]
        for row in values.get("distortion", ())
        if row["part"] == "inner" and row["share"] is not None
    ]
    return OtherRecord(
        name=name,
        level_db=plain,
        treble_db=level("all", _TREBLE_HZ) - plain,
        inward_db=inward[0] - inward[1],
        groove_db=noise("groove") - plain,
        hum_db=noise("hum"),
        distortion=max(shares, default=math.nan),
    )
