"""What the damage on a take adds up to: counts, and the turn of the disc; and whether it turned at its speed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sidekeep.dsp.turn.chains import SPEED_REACH
from sidekeep.dsp.turn.period import TurnEstimate, agree_on_turn, estimate_turn
from sidekeep.model.audio import AudioFormat
from sidekeep.model.cuts import Cuts
from sidekeep.model.finding import Fact, Finding
from sidekeep.model.measures import Clicks, Turn
from sidekeep.model.repair import Repair
from sidekeep.units import LP_RPM, SINGLE_RPM

_SPEEDS_RPM = (LP_RPM, SINGLE_RPM)
"""Those at which a turn off by little is told; 78s were cut at many speeds (common practice, no source)."""
MOST_OFF = 0.015
"""DIN 45500 let a player for the home run 1.5 % fast (from memory); a quarter of a semitone."""
_WALLS = {"L": 1, "R": 2, "both": 3}


def click_statistics(repairs: Sequence[Repair], down: Sequence[tuple[int, int]], form: AudioFormat) -> Clicks:
    """Counts over the spans with the needle down (the whole take when none was found)."""
    spans = list(down) or [(0, form.length_frames)]
    inside = [
        repair for repair in repairs if any(start <= repair.start_frame < stop for start, stop in spans)
    ]
    frames = sum(stop - start for start, stop in spans)
    samples = sum(
        (repair.stop_frame - repair.start_frame) * (form.channels if repair.channel == "both" else 1)
        for repair in inside
    )
    return Clicks(
        count=len(inside),
        per_min=60.0 * len(inside) * form.rate_hz / max(1, frames),
        share_of_samples=samples / max(1, frames * form.channels),
    )


def turn_of(repairs: Sequence[Repair], form: AudioFormat, cuts: Cuts, sway: TurnEstimate) -> Turn:
    """The turn period: from the damage that comes back once per turn and from the sway of the bass."""
    times = np.array([repair.start_frame / form.rate_hz for repair in repairs])
    sizes = np.array([max(repair.size_db, 0.0) for repair in repairs])
    channels = np.array([_WALLS[repair.channel] for repair in repairs])
    clicks = estimate_turn(
        times, sizes, duration_s=form.length_s, channels=channels, locked_groove_s=_after_music(cuts)
    )
    found = agree_on_turn(clicks, sway)
    return Turn(rpm=found.rpm, period_s=found.period_s, sd_ppm=found.sd_ppm, source=found.source)


def speed_findings(turn: Turn, length_frames: int) -> list[Finding]:
    """A player that ran off its speed, as its turns tell: no printed time is needed. Shellac had no one speed, so only the two of
    IEC 60098 are held against it."""
    if turn.source == "none":
        return []
    nominal_rpm = min(_SPEEDS_RPM, key=lambda rpm: abs(turn.rpm / rpm - 1.0))
    off = turn.rpm / nominal_rpm - 1.0
    if not MOST_OFF < abs(off) < SPEED_REACH or 3e-6 * turn.sd_ppm > abs(off) - MOST_OFF:
        return []
    facts: dict[str, Fact] = {"rpm": turn.rpm, "nominal_rpm": nominal_rpm, "off_percent": 100.0 * off}
    return [Finding(kind="speed-off", start_frame=0, stop_frame=length_frames, severity="look", facts=facts)]


def _after_music(cuts: Cuts) -> tuple[float, float] | None:
    """From a turn after the music to the lift of the needle: there the locked groove ticks."""
    if len(cuts.sides) != 1:
        return None
    side = cuts.sides[0]
    start_s, stop_s = side.music_stop_frame / cuts.rate_hz + 1.8, side.needle_up_frame / cuts.rate_hz
    return (start_s, stop_s) if stop_s > start_s else None
