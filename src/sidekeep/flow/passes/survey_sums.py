"""What the damage on a take adds up to: counts, and the turn of the disc."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sidekeep.dsp.turn.period import TurnEstimate, agree_on_turn, estimate_turn
from sidekeep.model.audio import AudioFormat
from sidekeep.model.cuts import Cuts
from sidekeep.model.measures import Clicks, Turn
from sidekeep.model.repair import Repair

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


def _after_music(cuts: Cuts) -> tuple[float, float] | None:
    """From a turn after the music to the lift of the needle: there the locked groove ticks."""
    if len(cuts.sides) != 1:
        return None
    side = cuts.sides[0]
    start_s, stop_s = side.music_stop_frame / cuts.rate_hz + 1.8, side.needle_up_frame / cuts.rate_hz
    return (start_s, stop_s) if stop_s > start_s else None
