"""``cuts.toml``: where the sides and tracks of the takes are, for people to read and change.

Conventions: every place stands twice, as a time (``start = "3:45.123456"``, to the microsecond, so to the frame) and as
a frame number (``start_frame``). Either may be left out. When they disagree, the one that differs from what was written
last is the edit and the other follows; when both were changed and disagree, the file is refused. ``take`` is the SHA-256
of the take a side was cut on: cuts never pass to another take by themselves. Comments, order and entries of a person's
own survive a rewrite.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import tomlkit
from tomlkit.items import AoT, Table

from sidekeep.errors import ShelfError
from sidekeep.model.cuts import Cuts, SideCuts, Track
from sidekeep.shelf.toml_text import parse_toml, put, put_or_drop, read_toml
from sidekeep.units import clock_text, frames_to_seconds, seconds_to_frames

_HEAD = """\
Where the sides and tracks of this record are. Change what you like; a new survey keeps your changes.
Times are minutes:seconds; beside every time stands its frame number. Change one of the two: the other follows.
"""
PLACES = ("needle_down", "music_start", "music_stop", "needle_up")
_BOUNDARIES = ("gap", "segue", "edge")


def write_cuts(cuts: Cuts, text: str = "") -> str:
    """Text of ``cuts.toml``; with the ``text`` that is there, only what is different in it is changed."""
    document = parse_toml(text, "cuts.toml") if text.strip() else tomlkit.document()
    if not text.strip():
        for line in _HEAD.splitlines():
            document.add(tomlkit.comment(line))
    put(document, "rate_hz", cuts.rate_hz)
    was = list(document.get("side", []))
    tables: list[Table] = []
    for side in cuts.sides:
        table = _take_out(was, lambda t, s=side: (t.get("take", ""), t.get("name")) == (s.take, s.side))
        tables.append(_write_side(table or tomlkit.table(), side, cuts.rate_hz))
    _replace_tables(document, "side", tables)
    return tomlkit.dumps(document)


def read_cuts(text: str, written: Cuts | None = None) -> Cuts:
    """The cuts a text holds. ``written`` is what this program wrote last: it tells which of a time and its frame number
    was changed. Raises ``ShelfError`` in one line when the text is not TOML, misses something or contradicts itself."""
    data = read_toml(text, "cuts.toml")
    rate_hz = data.get("rate_hz")
    if not isinstance(rate_hz, int) or isinstance(rate_hz, bool) or rate_hz <= 0:
        raise ShelfError("cuts-rate", rate_hz=rate_hz)
    known = {(side.take, side.side): side for side in (written.sides if written else ())}
    sides = tuple(_read_side(entry, rate_hz, known) for entry in _tables(data, "side", "cuts.toml"))
    seen: set[tuple[str, str]] = set()
    for side in sides:
        if (side.take, side.side) in seen:
            raise ShelfError("cuts-side-twice", side=side.side)
        seen.add((side.take, side.side))
    return Cuts(rate_hz=rate_hz, sides=sides)


def _write_side(table: Table, side: SideCuts, rate_hz: int) -> Table:
    own_hz = side.rate_hz or rate_hz
    put(table, "name", side.side)
    put_or_drop(table, "take", side.take, "")
    put_or_drop(table, "rate_hz", own_hz, rate_hz)
    for place in PLACES:
        _write_place(table, place, getattr(side, f"{place}_frame"), own_hz)
    put_or_drop(table, "edited", side.edited, False)
    was = list(table.get("track", []))
    tables: list[Table] = []
    for track in side.tracks:
        old = _take_out(was, lambda t, k=track: t.get("start_frame") == k.start_frame)
        if old is None:
            old = _take_out(was, lambda t, k=track: t.get("number") == k.number and not _is_kept(t, side))
        tables.append(_write_track(old or tomlkit.table(), track, own_hz))
    _replace_tables(table, "track", tables)
    return table


def _is_kept(table: Table, side: SideCuts) -> bool:
    """Whether another track of the side begins where this table's does: it is that track's."""
    return any(track.start_frame == table.get("start_frame") for track in side.tracks)


def _write_track(table: Table, track: Track, rate_hz: int) -> Table:
    put(table, "number", track.number)
    put(table, "title", track.title)
    put_or_drop(table, "artist", track.artist, "")
    put_or_drop(table, "composer", track.composer, "")
    _write_place(table, "start", track.start_frame, rate_hz)
    _write_place(table, "stop", track.stop_frame, rate_hz)
    put(table, "boundary", track.boundary)
    put(table, "confidence", float(track.confidence))
    put_or_drop(table, "edited", track.edited, False)
    return table


def _write_place(table: Table, name: str, frame: int, rate_hz: int) -> None:
    put(table, name, clock_text(frames_to_seconds(frame, rate_hz), 6))
    put(table, f"{name}_frame", frame)


def _take_out(tables: list[Any], fits: Any) -> Table | None:
    for index, table in enumerate(tables):
        if fits(table):
            return tables.pop(index)
    return None


def _replace_tables(where: Any, name: str, tables: Sequence[Table]) -> None:
    """The list of tables ``name``, in this order; left alone when it is these already."""
    there = where.get(name)
    if isinstance(there, AoT):
        if len(there) == len(tables) and all(a is b for a, b in zip(there, tables, strict=True)):
            return
        del where[name]
    if tables:
        aot = tomlkit.aot()
        for table in tables:
            aot.append(table)
        where.append(name, aot)


def _tables(data: dict[str, Any], name: str, where: str) -> list[dict[str, Any]]:
    tables = data.get(name, [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise ShelfError("cuts-tables", where=where, name=name)
    return tables


def _text(entry: dict[str, Any], name: str, where: str) -> str:
    value = entry.get(name, "")
    if not isinstance(value, str):
        raise ShelfError("cuts-text", where=where, name=name, value=value)
    return value


def _flag(entry: dict[str, Any], name: str, where: str) -> bool:
    value = entry.get(name, False)
    if not isinstance(value, bool):
        raise ShelfError("cuts-flag", where=where, name=name, value=value)
    return value


def _read_side(entry: dict[str, Any], rate_hz: int, known: dict[tuple[str, str], SideCuts]) -> SideCuts:
    name = entry.get("name")
    if not isinstance(name, str) or not name:
        raise ShelfError("cuts-no-name")
    where = f"side {name}"
    own_hz = entry.get("rate_hz", rate_hz)
    if not isinstance(own_hz, int) or isinstance(own_hz, bool) or own_hz <= 0:
        raise ShelfError("cuts-side-rate", where=where, rate_hz=own_hz)
    take = _text(entry, "take", where)
    was = known.get((take, name))
    down, start, stop, up = (
        _read_place(entry, place, where, own_hz, getattr(was, f"{place}_frame") if was else None)
        for place in PLACES
    )
    before = {track.number: track for track in was.tracks} if was else {}
    tracks = tuple(
        _read_track(track, index, where, own_hz, before)
        for index, track in enumerate(_tables(entry, "track", where), 1)
    )
    return SideCuts(
        side=name,
        take=take,
        rate_hz=0 if own_hz == rate_hz else own_hz,
        edited=_flag(entry, "edited", where),
        tracks=tracks,
        needle_down_frame=down,
        music_start_frame=start,
        music_stop_frame=stop,
        needle_up_frame=up,
    )


def _read_track(
    entry: dict[str, Any], index: int, where: str, rate_hz: int, before: dict[int, Track]
) -> Track:
    number = entry.get("number", index)
    if not isinstance(number, int) or isinstance(number, bool):
        raise ShelfError("cuts-number", where=where, number=number)
    where = f"{where} track {number}"
    boundary = entry.get("boundary", "gap")
    if boundary not in _BOUNDARIES:
        raise ShelfError("cuts-boundary", where=where, boundary=boundary)
    was = before.get(number)
    start = _read_place(entry, "start", where, rate_hz, was.start_frame if was else None)
    stop = _read_place(entry, "stop", where, rate_hz, was.stop_frame if was else None)
    if stop <= start:
        raise ShelfError("cuts-order", where=where, stop=stop, start=start)
    confidence = entry.get("confidence", 1.0)
    if (
        isinstance(confidence, bool)
        or not isinstance(confidence, int | float)
        or not 0.0 <= confidence <= 1.0
    ):
        raise ShelfError("cuts-confidence", where=where, confidence=confidence)
    return Track(
        number=number,
        start_frame=start,
        stop_frame=stop,
        confidence=float(confidence),
        boundary=boundary,
        edited=_flag(entry, "edited", where),
        title=_text(entry, "title", where),
        artist=_text(entry, "artist", where),
        composer=_text(entry, "composer", where),
    )


def _read_place(entry: dict[str, Any], name: str, where: str, rate_hz: int, written: int | None) -> int:
    """Frame of a place given as time, as frame, or both."""
    time, frame = entry.get(name), entry.get(f"{name}_frame")
    if time is None and frame is None:
        raise ShelfError("cuts-place-missing", where=where, name=name)
    if frame is not None and (isinstance(frame, bool) or not isinstance(frame, int) or frame < 0):
        raise ShelfError("cuts-frame", where=where, name=name, frame=frame)
    if time is None and frame is not None:
        return frame
    from_time = seconds_to_frames(_seconds(time, f"{where}: {name}"), rate_hz)
    if frame is None or frame == from_time:
        return from_time
    if frame == written:
        return from_time
    if from_time == written:
        return frame
    raise ShelfError("time-and-frame", side=where, place=name, time=str(time), frame=frame)


def _seconds(time: Any, where: str) -> float:
    """Seconds of ``"3:45.5"``, ``"1:02:03"`` or a plain number of seconds."""
    if isinstance(time, int | float) and not isinstance(time, bool):
        parts = [str(time)]
    else:
        parts = str(time).strip().split(":")
    try:
        values = [float(part) for part in parts]
    except ValueError:
        values = []
    if not values or len(values) > 3 or not all(0.0 <= value < 1e6 for value in values):
        raise ShelfError("cuts-time", where=where, time=time)
    total = 0.0
    for value in values:
        total = total * 60.0 + value
    return total
