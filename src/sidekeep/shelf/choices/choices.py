"""What a person has decided about a record, as one thing: cuts, recipe, chosen takes, notes and sleeve.

The files (``cuts.toml``, ``recipe.toml``, ``record.toml``, ``sleeve.txt``) are what a person reads and changes by hand; the
journal (``history.jsonl``) is what was decided when. Every look compares the two: what differs was changed by hand, gets an
entry of its own, and the places in ``cuts.toml`` that go with it are brought in line; a change that a pulled plug kept from the
files is written now. A file that cannot be understood is refused in one line and nothing is changed.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec

from sidekeep.errors import ChangedElsewhere, CopyError, ParameterError, ShelfError, SidekeepError
from sidekeep.files.checksum import text_sha256
from sidekeep.model.cuts import SideCuts
from sidekeep.model.recipe import Recipe
from sidekeep.shelf.choices.choice_files import (
    SLEEVE,
    file_of,
    new_text,
    read_state,
    read_texts,
    sides_in,
    stage_files,
    under,
    write_files,
)
from sidekeep.shelf.choices.journal import (
    HISTORY,
    By,
    Change,
    Journal,
    JournalEntry,
    State,
    cut_back,
    differences_of,
    next_entry,
    read_journal,
    set_aside,
    write_entry,
)
from sidekeep.shelf.choices.picture_corners import (
    is_of_a_picture,
)
from sidekeep.shelf.choices.recipe_file import recipe_of
from sidekeep.shelf.choices.sleeve_titles import follow_sleeve
from sidekeep.shelf.choices.spoilt import put_back, spoilt_files
from sidekeep.shelf.record_lock import choices_lock
from sidekeep.shelf.toml_text import LONGEST_TEXT


@dataclass(frozen=True, kw_only=True)
class Choices:
    """What stands now. ``sides`` are the cuts of all takes; ``use`` the number of the take chosen for a side, where one
    was; ``plays`` the side a take really holds, by the take's folder, where it is another than its name; ``seen`` the take (the
    beginning of its SHA-256) that a finding was looked at on, by the finding; ``carried`` whether a person's marks of an earlier
    take were found again, by the name of the new take's folder and the side."""

    revision: int
    sides: tuple[SideCuts, ...]
    recipe: Recipe
    use: Mapping[str, int]
    plays: Mapping[str, str]
    seen: Mapping[str, str]
    carried: Mapping[tuple[str, str], bool]
    notes: str
    can_undo: bool
    can_redo: bool

    def cuts_of(self, take: str) -> tuple[SideCuts, ...]:
        """The sides cut on the take of that SHA-256, in playing order."""
        return tuple(side for side in self.sides if side.take == take)


def read_choices(folder: Path, *, begin: bool = True) -> Choices:
    """The choices of the record in ``folder`` as they stand, changes by hand taken in. On a shelf that cannot be
    written the files count as they are. Without ``begin`` a history that has not begun yet is left so: the choices, and the
    revision, are those it would begin with."""
    plain = _as_they_lie(folder, begin=begin)
    if plain is not None:
        return plain
    try:
        with choices_lock(folder):
            return _choices(_settled(folder))
    except CopyError:
        journal = _sound_journal(folder)
        journal.state = read_state(folder, read_texts(folder), journal.state)
        return _choices(journal)


def _as_they_lie(folder: Path, *, begin: bool) -> Choices | None:
    """The choices where journal and files say the same, read without a lock and without writing: somebody who writes meanwhile
    makes them differ. None where there is something to settle."""
    journal = _sound_journal(folder)
    if journal.set_aside or (begin and journal.revision == 0):
        return None
    now = read_state(folder, read_texts(folder), journal.state)
    if journal.revision == 0:
        journal.state = now
        return replace(_choices(journal), revision=1)
    return _choices(journal) if now == journal.state else None


def read_history(folder: Path) -> list[JournalEntry]:
    """Every change so far, oldest first."""
    with contextlib.suppress(CopyError), choices_lock(folder):
        return _settled(folder).entries
    return _sound_journal(folder).entries


def change_choices(
    folder: Path,
    code: str,
    facts: Mapping[str, Any],
    change: Callable[[State], State],
    *,
    by: By = "person",
    expected_revision: int | None = None,
) -> tuple[Choices, JournalEntry | None]:
    """Let ``change`` make a new state of the one that stands, and keep it; no entry when nothing is different.

    Raises ``ChangedElsewhere`` when the record is not at the revision that was expected any more.
    """
    with choices_lock(folder):
        journal = _settled(folder)
        _expect(journal, expected_revision)
        changes = differences_of(journal.state, change(dict(journal.state)))
        entry = _commit(folder, journal, by, code, facts, changes) if changes else None
        return _choices(journal), entry


def take_back(
    folder: Path, *, redo: bool = False, expected_revision: int | None = None
) -> tuple[Choices, JournalEntry]:
    """Undo the newest change of the person's that stands, or redo the one undone last. A file of marks or settings that was
    broken by hand is such a change: undone, it is as it was before, and the broken one is kept beside it."""
    with choices_lock(folder):
        if not redo and (broken := spoilt_files(folder, (journal := _sound_journal(folder)).state)):
            _expect(journal, expected_revision)
            return _unbroken(folder, journal, broken)
        journal = _settled(folder)
        _expect(journal, expected_revision)
        meant, changes = journal.reversal(redo=redo)
        entry = _commit(
            folder, journal, "redo" if redo else "undo", meant.code, meant.facts, changes, meant.seq
        )
        return _choices(journal), entry


def _unbroken(folder: Path, journal: Journal, broken: Sequence[str]) -> tuple[Choices, JournalEntry]:
    """Files that cannot be understood as the journal has them. Raises ``ParameterError`` where it has nothing of them."""
    if journal.set_aside or not journal.revision:
        raise ParameterError("nothing-to-undo")
    facts = {"files": list(broken), "kept": [put_back(folder, name, journal.state) for name in broken]}
    entry = next_entry(journal, "undo", "put-back", facts, (), {})
    write_entry(folder, journal, entry)
    return _choices(_settled(folder)), entry


def _choices(journal: Journal) -> Choices:
    state = journal.state
    return Choices(
        revision=journal.revision,
        sides=sides_in(state),
        recipe=recipe_of(state),
        use=under(state, "record/use."),
        plays=under(state, "record/plays."),
        seen=under(state, "record/seen."),
        carried=journal.carried(),
        notes=str(state.get("record/notes", "")),
        can_undo=bool(journal.undoable),
        can_redo=bool(journal.redoable),
    )


def _expect(journal: Journal, revision: int | None) -> None:
    if revision is not None and revision != journal.revision:
        raise ChangedElsewhere("changed-elsewhere", revision=journal.revision, expected_revision=revision)


def _sound_journal(folder: Path) -> Journal:
    """The journal; one whose lines can be read and mean nothing is spoilt like any other."""
    journal = read_journal(folder)
    try:
        sides_in(journal.state)
        recipe_of(journal.state)
        for entry in journal.entries:
            for change in entry.changes:
                file_of(change.path)
    except (KeyError, TypeError, ValueError, msgspec.MsgspecError, SidekeepError):
        return Journal(set_aside=True)
    return journal


def _settled(folder: Path) -> Journal:
    """The journal, brought in line with the files."""
    journal = _sound_journal(folder)
    facts = {}
    if journal.set_aside:
        facts = {"set_aside": set_aside(folder)}
        journal = Journal()
    texts = read_texts(folder)
    if _roll_forward(folder, journal, texts):
        texts = read_texts(folder)
    now = read_state(folder, texts, journal.state)
    is_first = journal.revision == 0
    if not is_first and now == journal.state:
        return journal
    for path, value in now.items():
        if path.startswith("cuts/") and value != journal.state.get(path):
            # With no journal nobody knows what a survey proposed and what a person moved: all of it is theirs.
            now[path] = _marked(_with_music_moved(value, journal.state.get(path)), journal.state.get(path))
    follow_sleeve(now, journal.state.get("sleeve"))
    changes = differences_of(journal.state, now)
    is_picture = not is_first and all(is_of_a_picture(each.path) and each.before is None for each in changes)
    by: By = "survey" if is_first else "upload" if is_picture else "by-hand"
    _commit(
        folder, journal, by, "begun" if is_first else "picture" if is_picture else "by-hand", facts, changes
    )
    return journal


def _with_music_moved(value: dict[str, Any], before: dict[str, Any] | None) -> dict[str, Any]:
    """Where only the music's start or stop was changed by hand, the first or last track begins or ends there too, and the
    other way round: the two are one place. Raises ``ShelfError`` when both were changed and disagree."""
    if not before or not value["tracks"] or not before["tracks"]:
        return value
    tracks = [dict(track) for track in value["tracks"]]
    moved = dict(value)
    for place, index, edge in (
        ("music_start_frame", 0, "start_frame"),
        ("music_stop_frame", -1, "stop_frame"),
    ):
        was_one = before[place] == before["tracks"][index][edge]
        if not was_one or value[place] == tracks[index][edge]:
            continue
        if value[place] == before[place]:
            moved[place] = tracks[index][edge]
        elif tracks[index][edge] == before["tracks"][index][edge]:
            tracks[index][edge] = value[place]
        else:
            which = "first" if index == 0 else "last"
            raise ShelfError(
                "place-said-twice",
                side=value["side"],
                place=place,
                value=value[place],
                edge=edge,
                which=which,
                track_value=tracks[index][edge],
            )
        if tracks[index]["stop_frame"] <= tracks[index]["start_frame"]:
            raise ShelfError(
                "place-past-track",
                side=value["side"],
                place=place,
                value=value[place],
                track=tracks[index]["number"],
            )
    return {**moved, "tracks": tracks}


def _marked(value: dict[str, Any], before: dict[str, Any] | None) -> dict[str, Any]:
    """A side changed by hand, with what differs marked as edited."""
    known = {track["number"]: track for track in (before or {}).get("tracks", [])}
    tracks = [
        track if track == known.get(track["number"]) else {**track, "edited": True}
        for track in value["tracks"]
    ]
    places = [name for name in value if name.endswith("_frame")]
    is_moved = before is None or any(value[name] != before[name] for name in places)
    is_recounted = before is None or len(tracks) != len(before["tracks"])
    return {**value, "tracks": tracks, "edited": value["edited"] or is_moved or is_recounted}


def _sum(text: str | None) -> str:
    return text_sha256(text) if text is not None else ""


def _commit(
    folder: Path,
    journal: Journal,
    by: By,
    code: str,
    facts: Mapping[str, Any],
    changes: tuple[Change, ...],
    of: int | None = None,
) -> JournalEntry:
    """Into the journal first, then into the files. All that needs room on the disk is done before the change counts; what is
    left then are names. Ended in between, the change is there whole: the next look gives the names that are missing."""
    after = dict(journal.state)
    for change in changes:
        after.pop(change.path, None)
        if change.after is not None:
            after[change.path] = change.after
    old = read_texts(folder)
    names = {file_of(change.path) for change in changes}
    new = {name: new_text(name, after, old.get(name)) for name in names}
    for name, text in new.items():
        if name != SLEEVE and text is not None and len(text) > LONGEST_TEXT:
            raise ShelfError("file-would-outgrow", name=name, most=LONGEST_TEXT)
    new = {name: text for name, text in new.items() if text != old.get(name)}
    files = {name: (_sum(old.get(name)), _sum(text)) for name, text in new.items()}
    whole = journal.whole_bytes
    entry = next_entry(journal, by, code, facts, changes, files, of)
    try:
        with contextlib.ExitStack() as waiting:
            stage_files(waiting, folder, new)
            write_entry(folder, journal, entry)
        for name in (name for name, text in new.items() if text is None):
            (folder / name).unlink(missing_ok=True)
    except BaseException:
        with contextlib.suppress(OSError, SidekeepError):
            if journal.whole_bytes > whole and all(
                _sum(now) == files[name][0] for name, now in read_texts(folder).items() if name in files
            ):
                cut_back(folder, whole)
        raise
    return entry


def _roll_forward(folder: Path, journal: Journal, texts: Mapping[str, str | None]) -> bool:
    """Write what a pulled plug kept the newest change from writing: a file that still is what it was before, and older
    than the journal (a newer one was put back by hand)."""
    if not journal.entries:
        return False
    written_ns = (folder / HISTORY).stat().st_mtime_ns
    late = {
        name: new_text(name, journal.state, texts.get(name))
        for name, (before, after) in journal.entries[-1].files.items()
        if before != after
        and _sum(texts.get(name)) == before
        and (texts.get(name) is None or (folder / name).stat().st_mtime_ns <= written_ns)
    }
    write_files(folder, late)
    return bool(late)
