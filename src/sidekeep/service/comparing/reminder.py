"""When a person wants to play a record again: a date kept with it in ``again.toml``, which may be edited by hand.

A date is due from that day on until a take is made on or after it. One that cannot be read is told, never obeyed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path

from sidekeep.errors import ParameterError, ShelfError, SidekeepError
from sidekeep.files.atomic import write_text
from sidekeep.files.bounded import read_text_bounded
from sidekeep.service.comparing.moments import moment_of
from sidekeep.shelf.index.catalogue import record_folders
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.toml_text import new_toml, read_toml

FILE = "again.toml"


@dataclass(frozen=True, kw_only=True)
class Reminder:
    """A record that is to be played again after a day."""

    record: str
    after: date


def day_of(text: str) -> date:
    """A day as a person writes it, ``2030-01-31``. Raises ``ParameterError``."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ParameterError("no-day", text=text) from None


def play_again_after(record: RecordFolder) -> date | None:
    """The day a person set, or None. Raises ``ShelfError`` for a file that says something else."""
    path = record.path / FILE
    if not path.exists():
        return None
    after = read_toml(read_text_bounded(path, "reminder", error=ShelfError), str(path)).get("after")
    if isinstance(after, datetime):
        return after.date()
    if not isinstance(after, date):
        raise ShelfError("reminder-without-day", path=path)
    return after


def remind(record: RecordFolder, after: date | None) -> None:
    """Set the day, over an earlier one; None takes it away."""
    path = record.path / FILE
    if after is None:
        path.unlink(missing_ok=True)
        return
    text = new_toml(
        {"after": after}, comment="Play this record again after this day, to hear what has changed."
    )
    write_text(path, text, replace=True)


def reminders_due(shelf: Path, today: date | None = None) -> list[Reminder]:
    """Records whose day has come and that were not taken since, the longest due first."""
    today = today or datetime.now(UTC).date()
    return sorted(
        (one for one in _reminders(shelf) if one.after <= today), key=lambda one: (one.after, one.record)
    )


def standing_reminder(record: RecordFolder) -> str | None:
    """For the page: the day, as 2030-01-31; None without a reminder, once it was taken since, or if it cannot be read. Whether
    the day has come is not said here: lines of the shelf are kept for longer than a day."""
    after = _standing(record)
    return None if after is None else after.isoformat()


def _reminders(shelf: Path) -> Iterator[Reminder]:
    for folder in record_folders(shelf):
        after = _standing(folder)
        if after is not None:
            yield Reminder(record=folder.path.name, after=after)


def _standing(record: RecordFolder) -> date | None:
    """The day of a record that was not taken since; None also for a file that cannot be read: it reminds of nothing, and
    ``shelf again RECORD`` says what is wrong with it."""
    try:
        after = play_again_after(record)
        if after is None:
            return None
        taken = [moment_of(take.taken_utc).date() for take in record.takes() if take.how != "combined"]
    except (SidekeepError, ValueError, TypeError):
        return None
    return None if any(day >= after for day in taken) else after
