"""What a person has decided about a record, as one thing: cuts, recipe, chosen takes, notes and sleeve.

The files (``cuts.toml``, ``recipe.toml``, ``record.toml``, ``sleeve.txt``) are what a person reads and changes by hand; the
journal (``history.jsonl``) is what was decided when. Every look compares the two: what differs was changed by hand, gets an
entry of its own, and the places in ``cuts.toml`` that go with it are brought in line; a change that a pulled plug kept from the
files is written now. A file that cannot be understood is refused in one line and nothing is changed.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import msgspec

from sidekeep.errors import ChangedElsewhere, CopyError, ShelfError, SidekeepError, SleeveError
from sidekeep.files.atomic import flush_file, whole_file, write_text
from sidekeep.files.bounded import read_bounded
from sidekeep.files.checksum import text_sha256
from sidekeep.model.cuts import Cuts, SideCuts
from sidekeep.model.recipe import Recipe
from sidekeep.shelf.cuts_file import read_cuts, write_cuts
from sidekeep.shelf.journal import (
    HISTORY,
    By,
    Change,
    Entry,
    Journal,
    State,
    differences_of,
    next_entry,
    read_journal,
    set_aside,
    write_entry,
)
from sidekeep.shelf.picture_corners import (
    PLACE,
    corner_file,
    corner_state,
    corner_text,
    corner_texts,
    is_of_a_picture,
)
from sidekeep.shelf.recipe_file import flat_recipe, read_recipe, recipe_of, write_recipe
from sidekeep.shelf.record_lock import choices_lock
from sidekeep.shelf.sleeve.decoding import MAX_BYTES, decode_sleeve
from sidekeep.shelf.toml_text import LONGEST_TEXT, fit_text, parse_toml, put, put_or_drop, read_toml

CUTS, RECIPE, RECORD, SLEEVE = "cuts.toml", "recipe.toml", "record.toml", "sleeve.txt"
_WANTED = {
    "use": "the number of a take",
    "plays": "the letter of a side",
    "seen": "the beginning of a take's SHA-256",
}
_FILES = {"cuts": CUTS, "recipe": RECIPE, "record": RECORD, "sleeve": SLEEVE}


@dataclass(frozen=True, kw_only=True)
class Choices:
    """What stands now. ``sides`` are the cuts of all takes; ``use`` the number of the take chosen for a side, where one
    was; ``plays`` the side a take really holds, by the take's folder, where it is another than its name; ``seen`` the take (the
    beginning of its SHA-256) that a finding was looked at on, by the finding."""

    revision: int
    sides: tuple[SideCuts, ...]
    recipe: Recipe
    use: Mapping[str, int]
    plays: Mapping[str, str]
    seen: Mapping[str, str]
    notes: str
    can_undo: bool
    can_redo: bool

    def cuts_of(self, take: str) -> tuple[SideCuts, ...]:
        """The sides cut on the take of that SHA-256, in playing order."""
        return tuple(side for side in self.sides if side.take == take)


def read_choices(folder: Path) -> Choices:
    """The choices of the record in ``folder`` as they stand, changes by hand taken in. On a shelf that cannot be
    written the files count as they are."""
    try:
        with choices_lock(folder):
            return _choices(_settled(folder))
    except CopyError:
        journal = read_journal(folder)
        journal.state = _read_state(folder, _texts(folder), journal.state)
        return _choices(journal)


def read_history(folder: Path) -> list[Entry]:
    """Every change so far, oldest first."""
    with contextlib.suppress(CopyError), choices_lock(folder):
        return _settled(folder).entries
    return read_journal(folder).entries


def change_choices(
    folder: Path,
    code: str,
    facts: Mapping[str, Any],
    change: Callable[[State], State],
    *,
    by: By = "person",
    expected_revision: int | None = None,
) -> tuple[Choices, Entry | None]:
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
) -> tuple[Choices, Entry]:
    """Undo the newest change of the person's that stands, or redo the one undone last."""
    with choices_lock(folder):
        journal = _settled(folder)
        _expect(journal, expected_revision)
        meant, changes = journal.reversal(redo=redo)
        entry = _commit(
            folder, journal, "redo" if redo else "undo", meant.code, meant.facts, changes, meant.seq
        )
        return _choices(journal), entry


def side_path(take: str, side: str) -> str:
    """Where a side's cuts stand in the state."""
    return f"cuts/{take}/{side}"


def put_side(state: State, side: SideCuts) -> None:
    """Keep a side's cuts in a state; ``side.rate_hz`` must say its rate."""
    state[side_path(side.take, side.side)] = fit_text(msgspec.to_builtins(side))


def sides_in(state: State) -> tuple[SideCuts, ...]:
    """All cuts of a state, by side and place, each with its rate."""
    sides = [msgspec.convert(value, SideCuts) for path, value in state.items() if path.startswith("cuts/")]
    return tuple(sorted(sides, key=lambda side: (side.side, side.take)))


def _choices(journal: Journal) -> Choices:
    state = journal.state
    return Choices(
        revision=journal.revision,
        sides=sides_in(state),
        recipe=recipe_of(state),
        use=_under(state, "record/use."),
        plays=_under(state, "record/plays."),
        seen=_under(state, "record/seen."),
        notes=str(state.get("record/notes", "")),
        can_undo=bool(journal.undoable),
        can_redo=bool(journal.redoable),
    )


def _under(state: State, prefix: str) -> dict[str, Any]:
    return {path.removeprefix(prefix): value for path, value in state.items() if path.startswith(prefix)}


def _expect(journal: Journal, revision: int | None) -> None:
    if revision is not None and revision != journal.revision:
        raise ChangedElsewhere("changed-elsewhere", revision=journal.revision, expected_revision=revision)


def _settled(folder: Path) -> Journal:
    """The journal, brought in line with the files."""
    journal = read_journal(folder)
    facts = {}
    if journal.set_aside:
        facts = {"set_aside": set_aside(folder)}
        journal = Journal()
    texts = _texts(folder)
    if _roll_forward(folder, journal, texts):
        texts = _texts(folder)
    now = _read_state(folder, texts, journal.state)
    is_first = journal.revision == 0
    if not is_first and now == journal.state:
        return journal
    for path, value in now.items():
        if path.startswith("cuts/") and value != journal.state.get(path):
            # With no journal nobody knows what a survey proposed and what a person moved: all of it is theirs.
            now[path] = _marked(_with_music_moved(value, journal.state.get(path)), journal.state.get(path))
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


def _texts(folder: Path) -> dict[str, str | None]:
    texts: dict[str, str | None] = {}
    texts |= corner_texts(folder)
    for name in _FILES.values():
        path = folder / name
        if not os.path.lexists(path):
            texts[name] = None
            continue
        if name == SLEEVE:
            content = read_bounded(path, "sleeve-text", most_bytes=MAX_BYTES, error=ShelfError)
            try:
                texts[name] = decode_sleeve(content, str(path))
            except SleeveError:
                texts[name] = content.decode("utf-8", "replace")
            continue
        content = read_bounded(path, name, error=ShelfError)
        try:
            texts[name] = content.decode("utf-8-sig")
        except UnicodeDecodeError as error:
            raise ShelfError("choices-not-text", path=path, reason=error.reason) from error
    return texts


def _read_state(folder: Path, texts: Mapping[str, str | None], written: State) -> State:
    """What the files say. Raises ``ShelfError`` for what cannot be understood."""
    state: State = {}
    try:
        if (text := texts[CUTS]) is not None and text.strip():
            cuts = read_cuts(text, Cuts(rate_hz=1, sides=sides_in(written)))
            for side in cuts.sides:
                known = written.get(side_path(side.take, side.side))
                put_side(state, _with_unwritten(replace(side, rate_hz=side.rate_hz or cuts.rate_hz), known))
        if (text := texts[RECIPE]) is not None:
            state |= flat_recipe(read_recipe(text))
        if (text := texts[RECORD]) is not None:
            state |= _record_state(text)
    except ShelfError as error:
        raise type(error)(error.code, **{**error.facts, "record": folder.name}) from error
    if (text := texts[SLEEVE]) is not None:
        state["sleeve"] = text
    return state | corner_state(dict(texts))


def _with_unwritten(side: SideCuts, known: Mapping[str, Any] | None) -> SideCuts:
    """With what is kept of a side but does not stand in its file."""
    if known is None:
        return side
    before = {track["number"]: track for track in known["tracks"]}
    tracks = tuple(
        replace(
            track,
            line=before[track.number]["line"],
            title_confidence=before[track.number]["title_confidence"],
        )
        if track.number in before
        else track
        for track in side.tracks
    )
    return replace(side, tracks=tracks, likely_side=known["likely_side"])


def _record_state(text: str) -> State:
    values = read_toml(text, RECORD)
    state: State = {}
    if isinstance(values.get("notes"), str) and values["notes"]:
        state["record/notes"] = values["notes"]
    for name, kind in (("use", int), ("plays", str), ("seen", str)):
        table = values.get(name, {})
        if not isinstance(table, dict):
            raise ShelfError("not-a-table", file=RECORD, name=name)
        for key, value in table.items():
            if not isinstance(value, kind) or isinstance(value, bool):
                wanted = _WANTED[name]
                raise ShelfError("facts-value", file=RECORD, name=name, key=key, value=value, wanted=wanted)
            state[f"record/{name}.{key}"] = value
    return state


def _new_text(name: str, state: State, text: str | None) -> str | None:
    """The text of a file for a state, made from the text that is there."""
    if name.startswith(PLACE):
        return next((corner_text(state[path]) for path in state if _file_of(path) == name), None)
    if name == SLEEVE:
        return state.get("sleeve")
    if name == RECIPE:
        is_there = any(path.startswith("recipe/") for path in state)
        return write_recipe(recipe_of(state), text or "") if is_there else text
    if name == CUTS:
        sides = sides_in(state)
        if not sides:
            return text and write_cuts(Cuts(rate_hz=read_cuts(text).rate_hz), text)
        rate_hz = sides[0].rate_hz
        return write_cuts(Cuts(rate_hz=rate_hz, sides=sides), text or "")
    if text is None:
        return None
    document = parse_toml(text, RECORD)
    put_or_drop(document, "notes", state.get("record/notes", ""), document.get("notes", "") and "")
    for table_name in ("use", "plays", "seen"):
        wanted = _under(state, f"record/{table_name}.")
        if table_name not in document and wanted:
            document[table_name] = {}
        table = document.get(table_name)
        if table is None:
            continue
        for key in [key for key in table if key not in wanted]:
            del table[key]
        for key, value in wanted.items():
            put(table, key, value)
    return document.as_string()


def _file_of(path: str) -> str:
    return corner_file(path) if is_of_a_picture(path) else _FILES[path.partition("/")[0]]


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
) -> Entry:
    """Into the journal first, then into the files. All that needs room on the disk is done before the change counts; what is
    left then are names. Ended in between, the change is there whole: the next look gives the names that are missing."""
    after = dict(journal.state)
    for change in changes:
        after.pop(change.path, None)
        if change.after is not None:
            after[change.path] = change.after
    old = _texts(folder)
    names = {_file_of(change.path) for change in changes}
    new = {name: _new_text(name, after, old.get(name)) for name in names}
    for name, text in new.items():
        if name != SLEEVE and text is not None and len(text) > LONGEST_TEXT:
            raise ShelfError("file-would-outgrow", name=name, most=LONGEST_TEXT)
    new = {name: text for name, text in new.items() if text != old.get(name)}
    files = {name: (_sum(old.get(name)), _sum(text)) for name, text in new.items()}
    whole = journal.whole_bytes
    entry = next_entry(journal, by, code, facts, changes, files, of)
    try:
        with contextlib.ExitStack() as waiting:
            _stage(waiting, folder, new)
            write_entry(folder, journal, entry)
        for name in (name for name, text in new.items() if text is None):
            (folder / name).unlink(missing_ok=True)
    except BaseException:
        with contextlib.suppress(OSError, SidekeepError):
            if journal.whole_bytes > whole and all(
                _sum(now) == files[name][0] for name, now in _texts(folder).items() if name in files
            ):
                os.truncate(folder / HISTORY, whole)
        raise
    return entry


def _stage(waiting: contextlib.ExitStack, folder: Path, texts: Mapping[str, str | None]) -> None:
    """Write the files under other names and bring them to the disk; they get their own when ``waiting`` ends well."""
    for name, text in texts.items():
        if text is not None:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            part = waiting.enter_context(whole_file(folder / name, replace=True))
            part.write_bytes(text.encode("utf-8", "replace"))
            flush_file(part)


def _write_files(folder: Path, texts: Mapping[str, str | None]) -> None:
    for name, text in texts.items():
        if text is None:
            (folder / name).unlink(missing_ok=True)
        else:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            write_text(folder / name, text, replace=True)


def _roll_forward(folder: Path, journal: Journal, texts: Mapping[str, str | None]) -> bool:
    """Write what a pulled plug kept the newest change from writing: a file that still is what it was before, and older
    than the journal (a newer one was put back by hand)."""
    if not journal.entries:
        return False
    written_ns = (folder / HISTORY).stat().st_mtime_ns
    late = {
        name: _new_text(name, journal.state, texts.get(name))
        for name, (before, after) in journal.entries[-1].files.items()
        if before != after
        and _sum(texts.get(name)) == before
        and (texts.get(name) is None or (folder / name).stat().st_mtime_ns <= written_ns)
    }
    _write_files(folder, late)
    return bool(late)
