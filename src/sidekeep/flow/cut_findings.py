"""What finding the tracks noticed that a person should know.

Conventions: one finding a fact, in plain words, with its place in frames. Kinds: ``unsure-start``,
``printed-time``, ``no-needle-down``, ``no-needle-up``, ``sides-joined``, ``locked-groove``, ``unused-play``, ``side-missing``.
"""

from __future__ import annotations

from collections.abc import Sequence

from sidekeep.dsp.tracks.division import Division
from sidekeep.dsp.tracks.locked_groove import find_locked_groove
from sidekeep.flow.side_features import Features, PlayedPart
from sidekeep.model.cuts import SideCuts, Track
from sidekeep.model.finding import Finding
from sidekeep.model.record import Side, SleeveTrack
from sidekeep.units import clock_text

SURE = 0.8
_WRONG_TIME_S = 4.0
_WRONG_TIME_SHARE = 0.03


def plays_finding(features: Features, unused: Sequence[PlayedPart], missing: Sequence[Side]) -> list[Finding]:
    """Plays that belong to no side, and sides that were not found."""
    found = []
    for part in unused:
        start, stop = features.frame(part.play.down), features.frame(part.play.up)
        text = (
            f"The needle was also down from {clock_text(start / features.rate_hz)} to "
            f"{clock_text(stop / features.rate_hz)}; this stretch is not used (a broken-off or repeated take?)."
        )
        found.append(
            Finding(kind="unused-play", start_frame=start, stop_frame=stop, severity="look", text=text)
        )
    for side in missing:
        text = f"Side {side.name} of the sleeve was not found in this recording."
        stop = features.table.length_frames
        found.append(Finding(kind="side-missing", start_frame=0, stop_frame=stop, severity="look", text=text))
    return found


def cut_findings(
    features: Features,
    sides: Sequence[SideCuts],
    division: Division,
    listed: Sequence[SleeveTrack],
    part: PlayedPart,
) -> list[Finding]:
    """Findings about one play that was cut into ``sides``."""
    found: list[Finding] = []
    for side in sides:
        found += [f for track in side.tracks if (f := _unsure(side, track, features.rate_hz)) is not None]
    found += _times(sides, division, listed, features.rate_hz)
    found += _needle(features, sides, part)
    return found


def _unsure(side: SideCuts, track: Track, rate_hz: int) -> Finding | None:
    if track.confidence >= SURE:
        return None
    how = "out of the track before, without a gap" if track.boundary == "segue" else "after a pause"
    place = clock_text(track.start_frame / rate_hz, 1)
    text = (
        f"{side.side}{track.number} is taken to start at {place}, {how}; "
        f"that is {round(100 * track.confidence)} % sure. Listen to it once."
    )
    return Finding(
        kind="unsure-start",
        start_frame=max(0, track.start_frame - 2 * rate_hz),
        stop_frame=track.start_frame + 2 * rate_hz,
        severity="look",
        text=text,
        evidence={"confidence": track.confidence},
    )


def _times(
    sides: Sequence[SideCuts], division: Division, listed: Sequence[SleeveTrack], rate_hz: int
) -> list[Finding]:
    """Printed times that cannot be right beside what was found."""
    found = []
    places = [(side, track) for side in sides for track in side.tracks]
    for (side, track), line in zip(places, division.listed, strict=False):
        printed = listed[line].duration_s if line >= 0 else None
        if printed is None or track.confidence < SURE:
            continue
        heard = (track.stop_frame - track.start_frame) / rate_hz * division.speed
        following = next(
            (t.start_frame for t in side.tracks if t.number == track.number + 1), track.stop_frame
        )
        with_gap = max(heard, (following - track.start_frame) / rate_hz * division.speed)
        error = max(printed - with_gap, heard - printed)
        if error > _WRONG_TIME_S + _WRONG_TIME_SHARE * printed:
            text = (
                f"{side.side}{track.number} lasts {clock_text(heard)}, the sleeve says {clock_text(printed)}. "
                "The gaps around it are clear. The sleeve may have a misprint or belong to another edition."
            )
            found.append(
                Finding(
                    kind="printed-time",
                    start_frame=track.start_frame,
                    stop_frame=track.stop_frame,
                    text=text,
                    evidence={"printed_s": printed, "heard_s": heard},
                )
            )
    return found


def _needle(features: Features, sides: Sequence[SideCuts], part: PlayedPart) -> list[Finding]:
    """Ends of the play that the take does not hold, and the locked groove."""
    found = []
    first, last = sides[0], sides[-1]
    if part.play.joined:
        text = (
            f"Side {first.side}: the groove noise changes at {clock_text(first.needle_down_frame / features.rate_hz)} "
            "though the needle was not lifted; another side is taken to begin there."
        )
        found.append(
            Finding(
                kind="sides-joined",
                start_frame=first.needle_down_frame,
                stop_frame=first.music_start_frame,
                text=text,
            )
        )
    elif not part.play.saw_down:
        text = f"Side {first.side}: the recording starts with the needle already in the groove."
        early = first.music_start_frame < 0.2 * features.rate_hz
        if early:
            text += " The music starts at once: its first moments may be missing."
        found.append(
            Finding(
                kind="no-needle-down",
                start_frame=0,
                stop_frame=first.music_start_frame,
                severity="look" if early else "note",
                text=text,
            )
        )
    if not part.play.saw_up and part.play.up == len(features.table.bands_db):
        text = f"Side {last.side}: the recording ends before the needle is lifted."
        end = features.table.length_frames
        cut_off = end - last.music_stop_frame < 0.2 * features.rate_hz
        if cut_off:
            text += " The music goes on to the end: its last moments may be missing."
        found.append(
            Finding(
                kind="no-needle-up",
                start_frame=last.music_stop_frame,
                stop_frame=end,
                severity="look" if cut_off else "note",
                text=text,
            )
        )
    stop = -(-last.music_stop_frame // features.table.hop_frames)
    locked = find_locked_groove(features.table, stop, part.last)
    if locked is not None:
        text = (
            f"Side {last.side}: the needle reached the locked groove, "
            f"which ticks once per turn ({locked.period_s:.2f} s). It is left out."
        )
        found.append(
            Finding(
                kind="locked-groove",
                start_frame=features.frame(locked.start),
                stop_frame=features.frame(part.last),
                text=text,
                evidence={"period_s": locked.period_s, "strength": locked.strength},
            )
        )
    return found
