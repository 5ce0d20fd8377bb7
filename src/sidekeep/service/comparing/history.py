"""What has become of a side over many takes, from the kept comparisons: treble inside, surface noise, marks; and which sides
were last played so long ago that it is time to listen again."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sidekeep.copies.report.typeset import tight
from sidekeep.errors import SidekeepError
from sidekeep.files.bounded import kept_json
from sidekeep.service.comparing.evening import COMPARISONS, other_record
from sidekeep.service.comparing.moments import moment_of
from sidekeep.shelf.index.catalogue import record_folders
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake

MONTH = timedelta(days=365.25 / 12)


@dataclass(frozen=True, kw_only=True)
class Point:
    """A take beside the first one that was compared: treble of the inner third (around 10 kHz, against the outer one),
    surface noise against the music (dB), marks that came less those that went. None where it is not known."""

    take: str
    taken_utc: str
    inside_db: float | None
    groove_db: float | None
    marks: int | None

    def values(self) -> dict[str, Any]:
        """As plain values."""
        return asdict(self)


@dataclass(frozen=True, kw_only=True)
class DueSide:
    """A side that was last taken before a day."""

    record: str
    side: str
    taken_utc: str
    due: datetime


def side_history(record: RecordFolder, side: str) -> list[Point]:
    """The takes of a side that comparisons join to its first one, in order of time; fewer than two make no history."""
    kept = [values for values in _kept(record) if str(values["new"]).rpartition("-")[0] == side]
    kept.sort(key=lambda values: (moment_of(values["new_taken_utc"]), moment_of(values["old_taken_utc"])))
    if not kept:
        return []
    points: dict[str, Point] = {}
    for values in kept:
        old, new = str(values["old"]), str(values["new"])
        if not points:
            points[old] = Point(
                take=old, taken_utc=values["old_taken_utc"], inside_db=0.0, groove_db=0.0, marks=0
            )
        if old not in points or new in points:
            continue
        before, change = points[old], other_record("", values)
        marks = len(values["marks"]["new"]) - len(values["marks"]["gone"])
        points[new] = Point(
            take=new,
            taken_utc=values["new_taken_utc"],
            inside_db=_sum(before.inside_db, change.inward_db),
            groove_db=_sum(before.groove_db, change.groove_db),
            marks=None if before.marks is None else before.marks + marks,
        )
    return sorted(points.values(), key=lambda point: moment_of(point.taken_utc))


def _sum(before: float | None, change: float) -> float | None:
    return None if before is None or not math.isfinite(change) else round(before + change, 2)


def _kept(record: RecordFolder) -> Iterable[dict[str, Any]]:
    for path in sorted((record.path / COMPARISONS).glob("*/comparison.json")):
        values = kept_json(path)
        try:
            moments = [moment_of(values[f"{which}_taken_utc"]) for which in ("old", "new")]
            if values["same"] and moments[0] < moments[1]:
                values["marks"]["new"], values["marks"]["gone"], values["bands"], values["noise"]
                yield values
        except (KeyError, TypeError, ValueError):
            # edited by hand, or of another version: it tells nothing
            continue


def _change(value: float, unit: str) -> str:
    """A change as the page writes it: with its sign, decibels to one digit; a plain number is whole."""
    text = f"{value:+.1f} {unit}" if unit else f"{value:+.0f}"
    return tight(text) if float(text.split()[0]) else tight(text[1:])


def history_lines(points: Sequence[Point], width: float, height: float) -> list[dict[str, Any]]:
    """What a small plot needs: for each measure its name, unit, the newest value, and the points of its line in a field of
    ``width`` by ``height`` with time to the right; the middle is what the first take had."""
    if len(points) < 2:
        return []
    times = [moment_of(point.taken_utc).timestamp() for point in points]
    span = max(times[-1] - times[0], 1.0)
    lines = []
    for name, unit, field, least in (
        ("Treble of the inner third", "dB", "inside_db", 1.0),
        ("Surface noise", "dB", "groove_db", 3.0),
        ("Marks", "", "marks", 10.0),
    ):
        known = [
            (at, float(getattr(point, field)))
            for at, point in zip(times, points, strict=True)
            if getattr(point, field) is not None
        ]
        if len(known) < 2:
            continue
        most = max(least, *(abs(value) for _, value in known))
        places = [
            (
                round(4.0 + (width - 8.0) * (at - times[0]) / span, 1),
                round(height / 2 - (height / 2 - 4.0) * value / most, 1),
            )
            for at, value in known
        ]
        lines.append(
            {
                "name": name,
                "now": _change(known[-1][1], unit),
                "points": " ".join(f"{x},{y}" for x, y in places),
                "places": places,
            }
        )
    return lines


def sides_due(shelf: Path, months: float, now: datetime | None = None) -> list[DueSide]:
    """Sides whose newest take is older than so many months, the longest first."""
    now = now or datetime.now(UTC)
    found = []
    for folder in record_folders(shelf):
        newest: dict[str, tuple[datetime, str]] = {}
        for taken, take in _dated(folder):
            for letter in take.side if take.how != "combined" else ():
                newest[letter] = max(newest.get(letter, (taken, take.taken_utc)), (taken, take.taken_utc))
        for letter, (taken, text) in newest.items():
            with suppress(OverflowError):  # beyond the last year there is
                due = taken + months * MONTH
                if due <= now:
                    found.append(DueSide(record=folder.path.name, side=letter, taken_utc=text, due=due))
    return sorted(found, key=lambda one: (one.due, one.record, one.side))


def _dated(folder: RecordFolder) -> Iterable[tuple[datetime, ShelfTake]]:
    """The takes whose date can be read, with it."""
    try:
        takes = folder.takes()
    except SidekeepError:
        return
    for take in takes:
        with suppress(ValueError):
            yield moment_of(take.taken_utc), take
