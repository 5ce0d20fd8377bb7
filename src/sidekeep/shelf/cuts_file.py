"""``cuts.toml``: where the sides and tracks of a take are, for people to read and change.

Conventions: every place stands twice, as a time (``start = "3:45.123456"``, to the microsecond, so to the frame) and as
a frame number (``start_frame``). Either may be left out; **when they disagree the time wins**. To set an exact
frame, change the number and delete the time. ``as_found`` is a checksum of what the survey proposed: a track whose
values no longer fit it counts as edited, and a side with an edit survives every new survey (``keep_edits``).
"""

from __future__ import annotations

import tomllib
import zlib
from dataclasses import dataclass, replace
from typing import Any

from sidekeep.errors import ShelfError
from sidekeep.model.cuts import Cuts, SideCuts, Track
from sidekeep.shelf.toml_text import toml_string
from sidekeep.units import clock_text, frames_to_seconds, seconds_to_frames

_HEAD = """\
# Where the sides and tracks of this take are. Change what you like; a new survey keeps your changes.
# Times are minutes:seconds. When a time and its frame number disagree, the time wins:
# to set an exact frame, change the number and delete the line with the time.
"""
_PLACES = ("needle_down", "music_start", "music_stop", "needle_up")
_BOUNDARIES = ("gap", "segue", "edge")


@dataclass(frozen=True, kw_only=True)
class Difference:
    """One thing two cuts disagree in. ``track`` is 0 for the side itself; ``text`` is for people."""

    side: str
    track: int
    what: str
    mine: str
    proposal: str
    text: str


def write_cuts(cuts: Cuts) -> str:
    """Text of ``cuts.toml``."""
    lines = [_HEAD, f"rate_hz = {cuts.rate_hz}"]
    for side in cuts.sides:
        lines += ["", "[[side]]", f"name = {toml_string(side.side)}"]
        for place in _PLACES:
            lines += _place(place, getattr(side, f"{place}_frame"), cuts.rate_hz)
        if not any(track.edited for track in side.tracks):
            lines.append(f"as_found = {toml_string(_side_sum(side))}")
        for track in side.tracks:
            lines += ["", "[[side.track]]", f"number = {track.number}", f"title = {toml_string(track.title)}"]
            lines += [
                f"{name} = {toml_string(value)}"
                for name, value in (("artist", track.artist), ("composer", track.composer))
                if value
            ]
            lines += _place("start", track.start_frame, cuts.rate_hz)
            lines += _place("stop", track.stop_frame, cuts.rate_hz)
            lines += [
                f"boundary = {toml_string(track.boundary)}",
                f"confidence = {float(track.confidence)!r}",
            ]
            lines.append("edited = true" if track.edited else f"as_found = {toml_string(_track_sum(track))}")
    return "\n".join(lines) + "\n"


def read_cuts(text: str) -> tuple[Cuts, list[str]]:
    """Cuts, and a line for each place whose time and frame number disagreed. Raises ShelfError in one line when
    the text is not TOML or misses something."""
    try:
        data = tomllib.loads(text.removeprefix("\ufeff"))
    except tomllib.TOMLDecodeError as error:
        raise ShelfError(f"cuts.toml cannot be read: {error}") from error
    rate_hz = data.get("rate_hz")
    if not isinstance(rate_hz, int) or rate_hz <= 0:
        raise ShelfError(f"cuts.toml: rate_hz={rate_hz!r} must be a whole number of frames per second")
    notes: list[str] = []
    sides = tuple(_read_side(entry, rate_hz, notes) for entry in _tables(data, "side", "cuts.toml"))
    return Cuts(rate_hz=rate_hz, sides=sides), notes


def keep_edits(mine: Cuts, proposal: Cuts) -> Cuts:
    """The new survey's proposal, but every side with an edit stays as the person left it. ``mine`` at another rate is
    converted."""
    kept = {side.side: _at_rate(side, mine.rate_hz, proposal.rate_hz) for side in mine.sides if _edited(side)}
    sides = [kept.pop(side.side, side) for side in proposal.sides]
    sides += list(kept.values())
    return Cuts(rate_hz=proposal.rate_hz, sides=tuple(sorted(sides, key=lambda side: side.needle_down_frame)))


def differences(mine: Cuts, proposal: Cuts, *, tolerance_frames: int = 0) -> list[Difference]:
    """Where two cuts of one take disagree, side by side and track by track."""
    found: list[Difference] = []
    theirs = {side.side: _at_rate(side, proposal.rate_hz, mine.rate_hz) for side in proposal.sides}
    for side in mine.sides:
        other = theirs.pop(side.side, None)
        if other is None:
            found.append(
                _difference(side.side, 0, "side", "kept", "not found", f"Side {side.side} is not proposed.")
            )
            continue
        for place in _PLACES:
            pair = getattr(side, f"{place}_frame"), getattr(other, f"{place}_frame")
            found += _moved(side.side, 0, place.replace("_", " "), pair, mine.rate_hz, tolerance_frames)
        found += _track_differences(side, other, mine.rate_hz, tolerance_frames)
    for name in theirs:
        found.append(
            _difference(name, 0, "side", "absent", "found", f"Side {name} is proposed but not in your cuts.")
        )
    return found


def _place(name: str, frame: int, rate_hz: int) -> list[str]:
    return [f'{name} = "{clock_text(frames_to_seconds(frame, rate_hz), 6)}"', f"{name}_frame = {frame}"]


def _track_sum(track: Track) -> str:
    words = "\n".join((track.title, track.artist, track.composer, track.boundary))
    facts = f"{track.number} {track.start_frame} {track.stop_frame}\n{words}"
    return f"{zlib.crc32(facts.encode('utf-8', 'surrogatepass')):08x}"


def _side_sum(side: SideCuts) -> str:
    frames = [getattr(side, f"{place}_frame") for place in _PLACES]
    facts = f"{side.side} {frames} {[_track_sum(track) for track in side.tracks]}"
    return f"{zlib.crc32(facts.encode('utf-8', 'surrogatepass')):08x}"


def _edited(side: SideCuts) -> bool:
    return any(track.edited for track in side.tracks)


def _tables(data: dict[str, Any], name: str, where: str) -> list[dict[str, Any]]:
    tables = data.get(name, [])
    if not isinstance(tables, list) or not all(isinstance(table, dict) for table in tables):
        raise ShelfError(f"{where}: {name} must be written as [[{name}]] tables")
    return tables


def _read_side(entry: dict[str, Any], rate_hz: int, notes: list[str]) -> SideCuts:
    name = entry.get("name")
    if not isinstance(name, str) or not name:
        raise ShelfError("cuts.toml: a [[side]] without a name")
    where = f"side {name}"
    found = _tables(entry, "track", where)
    tracks = tuple(_read_track(track, index, where, rate_hz, notes) for index, track in enumerate(found, 1))
    down, start, stop, up = (_read_place(entry, place, where, rate_hz, notes) for place in _PLACES)
    side = SideCuts(
        side=name,
        tracks=tracks,
        needle_down_frame=down,
        music_start_frame=start,
        music_stop_frame=stop,
        needle_up_frame=up,
    )
    if "as_found" in entry and entry["as_found"] != _side_sum(side) and not _edited(side):
        tracks = tuple(replace(track, edited=True) for track in tracks)
        side = replace(side, tracks=tracks)
    return side


def _read_track(entry: dict[str, Any], index: int, where: str, rate_hz: int, notes: list[str]) -> Track:
    number = entry.get("number", index)
    if not isinstance(number, int):
        raise ShelfError(f"cuts.toml: {where}: number={number!r} must be a whole number")
    where = f"{where} track {number}"
    boundary = entry.get("boundary", "gap")
    if boundary not in _BOUNDARIES:
        raise ShelfError(f"cuts.toml: {where}: boundary={boundary!r} must be gap, segue or edge")
    words = {name: entry.get(name, "") for name in ("title", "artist", "composer")}
    for name, value in words.items():
        if not isinstance(value, str):
            raise ShelfError(f"cuts.toml: {where}: {name}={value!r} must be text in quotes")
    confidence = entry.get("confidence", 1.0)
    start = _read_place(entry, "start", where, rate_hz, notes)
    stop = _read_place(entry, "stop", where, rate_hz, notes)
    if stop <= start:
        raise ShelfError(f"cuts.toml: {where} stops (frame {stop}) before it starts (frame {start})")
    track = Track(
        number=number,
        start_frame=start,
        stop_frame=stop,
        confidence=float(confidence) if isinstance(confidence, int | float) else 1.0,
        boundary=boundary,
        **words,
    )
    edited = bool(entry.get("edited", False)) or entry.get("as_found") != _track_sum(track)
    return replace(track, edited=edited)


def _read_place(entry: dict[str, Any], name: str, where: str, rate_hz: int, notes: list[str]) -> int:
    """Frame of a place given as time, as frame, or both."""
    time, frame = entry.get(name), entry.get(f"{name}_frame")
    if time is None and frame is None:
        raise ShelfError(f"cuts.toml: {where}: neither {name} nor {name}_frame is given")
    if frame is not None and (isinstance(frame, bool) or not isinstance(frame, int)):
        raise ShelfError(f"cuts.toml: {where}: {name}_frame={frame!r} must be a whole number")
    if time is None and frame is not None:
        return frame
    from_time = seconds_to_frames(_seconds(time, f"{where}: {name}"), rate_hz)
    if frame is not None and from_time != frame:
        notes.append(f"{where}: {name} says {time}, {name}_frame says {frame}; the time was taken")
    return from_time


def _seconds(time: Any, where: str) -> float:
    """Seconds of ``"3:45.5"``, ``"1:02:03"`` or a plain number of seconds."""
    if isinstance(time, int | float) and not isinstance(time, bool):
        return float(time)
    parts = str(time).strip().split(":")
    try:
        values = [float(part) for part in parts]
    except ValueError:
        values = []
    if not values or len(values) > 3 or any(value < 0 for value in values):
        raise ShelfError(f'cuts.toml: {where}={time!r} must be a time such as "3:45.5"')
    total = 0.0
    for value in values:
        total = total * 60.0 + value
    return total


def _at_rate(side: SideCuts, from_hz: int, to_hz: int) -> SideCuts:
    if from_hz == to_hz:
        return side

    def convert(frame: int) -> int:
        return seconds_to_frames(frames_to_seconds(frame, from_hz), to_hz)

    tracks = tuple(
        replace(track, start_frame=convert(track.start_frame), stop_frame=convert(track.stop_frame))
        for track in side.tracks
    )
    return SideCuts(
        side=side.side,
        needle_down_frame=convert(side.needle_down_frame),
        needle_up_frame=convert(side.needle_up_frame),
        music_start_frame=convert(side.music_start_frame),
        music_stop_frame=convert(side.music_stop_frame),
        tracks=tracks,
    )


def _difference(side: str, track: int, what: str, mine: str, proposal: str, text: str) -> Difference:
    return Difference(side=side, track=track, what=what, mine=mine, proposal=proposal, text=text)


def _moved(
    side: str, track: int, what: str, pair: tuple[int, int], rate_hz: int, tolerance_frames: int
) -> list[Difference]:
    mine, proposal = pair
    if abs(mine - proposal) <= tolerance_frames:
        return []
    times = [clock_text(frames_to_seconds(frame, rate_hz), 3) for frame in pair]
    apart = abs(frames_to_seconds(mine - proposal, rate_hz))
    name = f"{side}{track}" if track else f"Side {side}"
    text = f"{name} {what}: yours {times[0]}, proposed {times[1]} ({apart:.3f} s {'later' if mine < proposal else 'earlier'})"
    return [_difference(side, track, what, times[0], times[1], text)]


def _track_differences(
    mine: SideCuts, other: SideCuts, rate_hz: int, tolerance_frames: int
) -> list[Difference]:
    found: list[Difference] = []
    theirs = {track.number: track for track in other.tracks}
    for track in mine.tracks:
        name = f"{mine.side}{track.number}"
        partner = theirs.pop(track.number, None)
        if partner is None:
            text = f"{name} {track.title!r} is not proposed"
            found.append(_difference(mine.side, track.number, "track", track.title, "not found", text))
            continue
        for what in ("title", "artist", "composer"):
            pair = getattr(track, what), getattr(partner, what)
            if pair[0] != pair[1]:
                text = f"{name} {what}: yours {pair[0]!r}, proposed {pair[1]!r}"
                found.append(_difference(mine.side, track.number, what, *pair, text))
        for what in ("start", "stop"):
            frames = getattr(track, f"{what}_frame"), getattr(partner, f"{what}_frame")
            found += _moved(mine.side, track.number, what, frames, rate_hz, tolerance_frames)
    for number, track in theirs.items():
        text = f"{mine.side}{number} {track.title!r} is proposed but not in your cuts"
        found.append(_difference(mine.side, number, "track", "absent", track.title, text))
    return found
