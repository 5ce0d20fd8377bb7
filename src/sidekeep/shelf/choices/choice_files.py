"""The files of a person's choices as one state, and back: cuts, recipe, chosen takes, notes, sleeve, corners of pictures.

A *state* maps paths such as ``cuts/<take>/A``, ``recipe/level.target`` or ``record/notes`` to plain values; the journal keeps its
changes. Reading refuses in one line what cannot be understood; writing keeps comments and order of a person.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec

from sidekeep.errors import ShelfError, SleeveError
from sidekeep.files.atomic import flush_file, whole_file, write_text
from sidekeep.files.bounded import read_bounded
from sidekeep.model.cuts import Cuts, SideCuts
from sidekeep.shelf.choices.cuts_file import read_cuts, write_cuts
from sidekeep.shelf.choices.journal import (
    State,
)
from sidekeep.shelf.choices.picture_corners import (
    PLACE,
    corner_file,
    corner_state,
    corner_text,
    corner_texts,
    is_of_a_picture,
)
from sidekeep.shelf.choices.recipe_file import flat_recipe, read_recipe, recipe_of, write_recipe
from sidekeep.shelf.sleeve.decoding import MAX_BYTES, decode_sleeve
from sidekeep.shelf.toml_text import fit_text, parse_toml, put, put_or_drop, read_toml

CUTS, RECIPE, RECORD, SLEEVE = "cuts.toml", "recipe.toml", "record.toml", "sleeve.txt"
_WANTED = {
    "use": "the number of a take",
    "plays": "the letter of a side",
    "seen": "the beginning of a take's SHA-256",
}
_FILES = {"cuts": CUTS, "recipe": RECIPE, "record": RECORD, "sleeve": SLEEVE}


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


def under(state: State, prefix: str) -> dict[str, Any]:
    return {path.removeprefix(prefix): value for path, value in state.items() if path.startswith(prefix)}


def read_texts(folder: Path) -> dict[str, str | None]:
    texts: dict[str, str | None] = {}
    texts |= corner_texts(folder)
    return texts | {name: read_text(folder, name) for name in _FILES.values()}


def read_text(folder: Path, name: str) -> str | None:
    """The text of one of the files; None where it is not there. Raises ``ShelfError`` for what is no text."""
    path = folder / name
    if not os.path.lexists(path):
        return None
    if name == SLEEVE:
        content = read_bounded(path, "sleeve-text", most_bytes=MAX_BYTES, error=ShelfError)
        try:
            return decode_sleeve(content, str(path))
        except SleeveError:
            return content.decode("utf-8", "replace")
    content = read_bounded(path, name, error=ShelfError)
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ShelfError("choices-not-text", path=path, reason=error.reason) from error


def read_state(folder: Path, texts: Mapping[str, str | None], written: State) -> State:
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
            if not text.strip():  # written to, it would look whole without the id
                raise ShelfError("record-empty", record=folder.name)
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


def new_text(name: str, state: State, text: str | None) -> str | None:
    """The text of a file for a state, made from the text that is there."""
    if name.startswith(PLACE):
        return next((corner_text(state[path]) for path in state if file_of(path) == name), None)
    if name == SLEEVE:
        return state.get("sleeve")
    if name == RECIPE:
        is_there = any(path.startswith("recipe/") for path in state)
        # An emptied one goes: left there, it would be read again.
        return write_recipe(recipe_of(state), text or "") if is_there else None
    if name == CUTS:
        return _cuts_text(sides_in(state), text)
    return None if text is None else _record_text(state, text)


def _cuts_text(sides: tuple[SideCuts, ...], text: str | None) -> str | None:
    if not sides:
        return text and write_cuts(Cuts(rate_hz=read_cuts(text).rate_hz), text)
    return write_cuts(Cuts(rate_hz=sides[0].rate_hz, sides=sides), text or "")


def _record_text(state: State, text: str) -> str:
    document = parse_toml(text, RECORD)
    put_or_drop(document, "notes", state.get("record/notes", ""), document.get("notes", "") and "")
    for table_name in ("use", "plays", "seen"):
        wanted = under(state, f"record/{table_name}.")
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


def file_of(path: str) -> str:
    return corner_file(path) if is_of_a_picture(path) else _FILES[path.partition("/")[0]]


def stage_files(waiting: contextlib.ExitStack, folder: Path, texts: Mapping[str, str | None]) -> None:
    """Write the files under other names and bring them to the disk; they get their own when ``waiting`` ends well."""
    for name, text in texts.items():
        if text is not None:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            part = waiting.enter_context(whole_file(folder / name, replace=True))
            part.write_bytes(text.encode("utf-8", "replace"))
            flush_file(part)


def write_files(folder: Path, texts: Mapping[str, str | None]) -> None:
    for name, text in texts.items():
        if text is None:
            (folder / name).unlink(missing_ok=True)
        else:
            (folder / name).parent.mkdir(parents=True, exist_ok=True)
            write_text(folder / name, text, replace=True)
