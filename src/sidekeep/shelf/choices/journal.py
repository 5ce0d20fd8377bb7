"""``history.jsonl``: every change of a record's choices, one JSON object a line, never rewritten.

A change is written and flushed here *before* the files it changes: a pulled plug in between is made good at the next
look. The choices are held as a flat map from a path (``recipe/level.target``, ``cuts/<take>/<side>``) to a plain value;
an entry holds what was and what is for every path it changes, so any of them can be undone at any time, also after
others have been changed by the survey. A line torn by a pulled plug is cut off; a file that is spoilt further up is
set aside, and a new one begins. Every line ends with a checksum of itself, so that nothing is undone to a value that rotted.
"""

from __future__ import annotations

import codecs
import contextlib
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Literal

import msgspec

from sidekeep.errors import ChangedElsewhere, ParameterError, ShelfError
from sidekeep.files.atomic import copy_error, flush_folder
from sidekeep.files.bounded import LIST_BYTES, read_bounded
from sidekeep.files.checksum import bytes_sha256
from sidekeep.files.flushing import flush_descriptor

HISTORY = "history.jsonl"
By = Literal["person", "by-hand", "survey", "upload", "undo", "redo"]
"""Only what a person or a hand in a file changed can be undone: a picture that was sent in stays until it is taken away."""
State = dict[str, Any]


class Change(msgspec.Struct, frozen=True, array_like=True):
    """What one path held and holds; None is nothing."""

    path: str
    before: Any
    after: Any


class JournalEntry(msgspec.Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One line. ``of`` is the entry an undo or redo is about; ``files`` are the SHA-256 of the files before and after."""

    seq: int
    at_utc: str
    by: By
    code: str
    facts: dict[str, Any] = {}
    changes: tuple[Change, ...] = ()
    files: dict[str, tuple[str, str]] = {}
    of: int | None = None


_ENTRY = msgspec.json.Decoder(JournalEntry)
_SUM_DIGITS = 16
_SUM = re.compile(rb',"sum":"([0-9a-f]{16})"\}\n?\Z')


@dataclass
class Journal:
    """The whole history of a record's choices, and what follows from it."""

    entries: list[JournalEntry] = field(default_factory=list)
    state: State = field(default_factory=dict)
    undoable: list[int] = field(default_factory=list)
    redoable: list[int] = field(default_factory=list)
    whole_bytes: int = 0
    set_aside: bool = False

    @property
    def revision(self) -> int:
        """Number of the newest entry; 0 before the first."""
        return self.entries[-1].seq if self.entries else 0

    def take_in(self, entry: JournalEntry) -> None:
        """Follow one more entry."""
        self.entries.append(entry)
        for change in entry.changes:
            if change.after is None:
                self.state.pop(change.path, None)
            else:
                self.state[change.path] = change.after
        if entry.by in ("person", "by-hand"):
            self.undoable.append(entry.seq)
            self.redoable.clear()
        elif entry.by == "undo" and entry.of in self.undoable:
            self.undoable.remove(entry.of)
            self.redoable.append(entry.of)
        elif entry.by == "redo" and entry.of in self.redoable:
            self.redoable.remove(entry.of)
            self.undoable.append(entry.of)

    def carried(self) -> dict[tuple[str, str], bool]:
        """Whether a person's marks of an earlier take were found again, by the new take's folder and the side."""
        return {
            (str(pair[0]), str(pair[1])): fact == "carried"
            for entry in self.entries
            for fact in ("carried", "not_carried")
            for pair in entry.facts.get(fact, ())
            if isinstance(pair, list) and len(pair) == 2
        }

    def entry(self, seq: int) -> JournalEntry:
        """The entry of that number."""
        return next(entry for entry in self.entries if entry.seq == seq)

    def reversal(self, *, redo: bool = False) -> tuple[JournalEntry, tuple[Change, ...]]:
        """The newest entry that can be undone (redone) and the changes that do it.

        Raises ``ParameterError`` when there is none, ``ChangedElsewhere`` when what it changed was changed again since.
        """
        waiting = self.redoable if redo else self.undoable
        if not waiting:
            raise ParameterError("nothing-to-redo" if redo else "nothing-to-undo")
        entry = self.entry(waiting[-1])
        changes = entry.changes if redo else tuple(Change(c.path, c.after, c.before) for c in entry.changes)
        stale = [change.path for change in changes if not self._stands(change.path, change.before)]
        if stale:
            raise ChangedElsewhere("changed-since", path=stale[0], seq=entry.seq)
        return entry, tuple(Change(c.path, self.state.get(c.path), c.after) for c in changes)

    def _stands(self, path: str, value: Any) -> bool:
        """Whether a person's value is still there. What a survey notes on cuts of theirs leaves them what they are."""
        now = self.state.get(path)
        if path.startswith("cuts/") and isinstance(now, dict) and isinstance(value, dict):
            return _cuts_of_a_person(now) == _cuts_of_a_person(value)
        return bool(now == value)


_NOTED_BY_SURVEYS = {"line", "title_confidence"}
_TITLED_BY_SURVEYS = {"title", "artist", "composer"}


def _cuts_of_a_person(side: Mapping[str, Any]) -> dict[str, Any]:
    """A side without what a survey may write into it when a person has changed it (``titles.settle_titles``)."""
    tracks = [
        {
            name: value
            for name, value in track.items()
            if name not in _NOTED_BY_SURVEYS and (track["edited"] or name not in _TITLED_BY_SURVEYS)
        }
        for track in side["tracks"]
    ]
    return {name: value for name, value in side.items() if name != "likely_side"} | {"tracks": tracks}


def differences_of(before: Mapping[str, Any], after: Mapping[str, Any]) -> tuple[Change, ...]:
    """What changes from one state to another, by path."""
    return tuple(
        Change(path, before.get(path), after.get(path))
        for path in dict.fromkeys((*before, *after))
        if before.get(path) != after.get(path)
    )


def next_entry(
    journal: Journal,
    by: By,
    code: str,
    facts: Mapping[str, Any],
    changes: Iterable[Change],
    files: Mapping[str, tuple[str, str]],
    of: int | None = None,
) -> JournalEntry:
    """The entry that would come next."""
    return JournalEntry(
        seq=journal.revision + 1,
        at_utc=datetime.now(UTC).isoformat(timespec="milliseconds"),
        by=by,
        code=code,
        facts=dict(facts),
        changes=tuple(changes),
        files=dict(files),
        of=of,
    )


def read_journal(folder: Path) -> Journal:
    """The history kept in a record's folder."""
    path = folder / HISTORY
    if not os.path.lexists(path):
        return Journal()
    content = read_bounded(path, "history", most_bytes=LIST_BYTES, error=ShelfError)
    journal = Journal()
    lines = content.splitlines(keepends=True)
    is_summed = False
    for number, line in enumerate(lines):
        try:
            body, has_sum = _summed(line.removeprefix(codecs.BOM_UTF8) if number == 0 else line)
            if is_summed and not has_sum:
                raise msgspec.ValidationError("its checksum is gone")
            is_summed = has_sum
            entry = _ENTRY.decode(body)
            if entry.seq != journal.revision + 1 or not line.endswith(b"\n"):
                raise msgspec.ValidationError("not the next line")
        except (msgspec.DecodeError, msgspec.ValidationError, UnicodeDecodeError):
            journal.set_aside = number < len(lines) - 1
            break
        journal.take_in(entry)
        journal.whole_bytes += len(line)
    return journal


def _line(entry: JournalEntry) -> bytes:
    """An entry as a line, with the checksum of all before it at its end."""
    body = msgspec.json.encode(entry)
    return body[:-1] + b',"sum":"%s"}\n' % bytes_sha256(body)[:_SUM_DIGITS].encode()


def _summed(line: bytes) -> tuple[bytes, bool]:
    """The entry in a line, and whether a checksum vouches for it: lines of earlier versions have none. Raises for a wrong one."""
    found = _SUM.search(line)
    if found is None:
        return line, False
    body = line[: found.start()] + b"}"
    if bytes_sha256(body)[:_SUM_DIGITS].encode() != found[1]:
        raise msgspec.ValidationError("not what was written")
    return body, True


def write_entry(folder: Path, journal: Journal, entry: JournalEntry) -> None:
    """Append an entry and bring it to the disk; what a torn write left behind the last whole line is cut off."""
    path = folder / HISTORY
    is_new = not path.exists()
    try:
        with path.open("r+b" if not is_new else "x+b") as file:
            file.truncate(journal.whole_bytes)
            file.seek(journal.whole_bytes)
            line = _line(entry)
            file.write(line)
            file.flush()
            flush_descriptor(file.fileno())
        if is_new:
            flush_folder(folder)
    except OSError as error:
        with contextlib.suppress(OSError):
            cut_back(folder, journal.whole_bytes)  # a line that is not safe does not count
        raise copy_error(error, path) from error
    journal.whole_bytes += len(line)
    journal.take_in(entry)


def cut_back(folder: Path, whole_bytes: int) -> None:
    """Leave so much of the history, and no file where that is nothing: an empty one looks like one that was lost."""
    path = folder / HISTORY
    if whole_bytes:
        os.truncate(path, whole_bytes)
    else:
        path.unlink(missing_ok=True)


def set_aside(folder: Path) -> str:
    """Give a spoilt history another name; the name."""
    name = f"history.spoilt-{datetime.now(UTC):%Y%m%dT%H%M%S%f}.jsonl"
    os.replace(folder / HISTORY, folder / name)
    return name
