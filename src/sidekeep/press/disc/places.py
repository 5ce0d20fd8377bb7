"""Where on a disc something lies, and how large: dust, new ticks, scratches, pops, thumps, the locked groove.

Every event has a place (turn, angle) and a size along the groove in metres. Heights are absolute (peak in the take), so loud
music hides what a quiet passage shows. Rates, angles, tilts and spreads are chosen here.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.press.disc.groove import Groove
from sidekeep.press.disc.truth import LOCKED_GROOVE, POP, THUMP, TICK

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

EDGE_S = 0.3
"""Nothing random this near to needle down or up."""


@dataclass
class Places:
    """Events before they have a shape: parallel arrays. ``width_m`` is the size along the groove."""

    turn: Floats
    width_m: Floats
    height: Floats
    kind: Ints
    group: Ints


def dust(groove: Groove, rng: np.random.Generator, share: float) -> Places:
    count = int(rng.poisson(share * groove.settings.dust_per_min * groove.planned_s / 60.0))
    turn = _anywhere(groove, rng, count)
    # a fifth lies in clusters: beside another particle, within some 30 ms
    clustered = np.flatnonzero(rng.uniform(size=count) < 0.2)
    if clustered.size:
        beside = rng.normal(0.0, 0.03 * groove.turns_per_s, clustered.size)
        turn[clustered] = turn[rng.integers(0, count, clustered.size)] + beside
    return Places(
        turn=turn,
        width_m=between(rng, 5e-6, 50e-6, count),
        height=_heights(groove, rng, count, 0.0),
        kind=np.full(count, TICK),
        group=np.full(count, -1),
    )


def new_ticks(groove: Groove, rng: np.random.Generator) -> Places:
    """What has come onto the disc since: single ticks, a little louder than dust, within the music."""
    count = groove.settings.new_ticks
    s = groove.settings
    level_db = s.click_dbfs + 4.0 + 0.5 * s.click_spread_db * rng.standard_normal(count)
    return Places(
        turn=groove.turn_at(rng.uniform(0.05, 0.95, count) * groove.played_s),
        width_m=between(rng, 10e-6, 60e-6, count),
        height=capped(groove, level_db),
        kind=np.full(count, TICK),
        group=np.full(count, -1),
    )


def scratches(groove: Groove, rng: np.random.Generator) -> Places:
    """One click a turn; the angle steps by pitch tan(psi) / (2 pi r), psi the tilt from the radius, with
    0.05-0.2 ms of jitter, and one in ten missing."""
    s = groove.settings
    turns = float(groove.turn_at(groove.programme_frames / groove.rate_hz))
    parts = []
    for number in range(s.scratches):
        crossed = int(rng.integers(s.scratch_turns[0], s.scratch_turns[1] + 1))
        step = np.arange(crossed, dtype=np.float64)
        turn = rng.uniform(0.0, max(0.1, turns - 0.5 * crossed)) + step
        tilt = np.tan(np.radians(rng.uniform(-60.0, 60.0)))
        radius_mm = groove.radius_at(groove.time_of_turn(turn))
        drift = np.cumsum(groove.pitch_mm * tilt / (2.0 * np.pi * radius_mm))
        jitter = rng.normal(0.0, rng.uniform(0.05e-3, 0.2e-3), crossed) * groove.turns_per_s
        along = np.linspace(-1.0, 1.0, crossed)
        level_db = s.click_dbfs + 4.0 + 5.0 * rng.standard_normal() + rng.uniform(-6.0, 6.0) * along
        level_db = level_db - 6.0 * np.abs(along) + 3.0 * rng.standard_normal(crossed)
        width_m = between(rng, 20e-6, 200e-6, 1) * np.exp(0.2 * rng.standard_normal(crossed))
        keep = (rng.uniform(size=crossed) > 0.1) & (turn < turns)
        count = int(keep.sum())
        parts.append(
            Places(
                turn=(turn + drift + jitter)[keep],
                width_m=width_m[keep],
                height=capped(groove, level_db)[keep],
                kind=np.full(count, TICK),
                group=np.full(count, number),
            )
        )
    return _join(parts)


def pops(groove: Groove, rng: np.random.Generator) -> Places:
    count = int(rng.poisson(groove.settings.pops_per_min * groove.planned_s / 60.0))
    return _single(groove, rng, count, POP, widest_m=200e-6, least_m=40e-6, over_db=8.0)


def thumps(groove: Groove, rng: np.random.Generator) -> Places:
    return _single(groove, rng, groove.settings.thumps, THUMP, widest_m=300e-6, least_m=80e-6, over_db=10.0)


def _single(
    groove: Groove,
    rng: np.random.Generator,
    count: int,
    kind: int,
    *,
    least_m: float,
    widest_m: float,
    over_db: float,
) -> Places:
    """So many places anywhere on the side, none of which belongs to another."""
    return Places(
        turn=_anywhere(groove, rng, count),
        width_m=between(rng, least_m, widest_m, count),
        height=_heights(groove, rng, count, over_db),
        kind=np.full(count, kind),
        group=np.full(count, -1),
    )


def locked_groove(groove: Groove, rng: np.random.Generator) -> Places:
    """The needle crosses its own groove once a turn: the last thing on the side."""
    count = groove.settings.run_out_turns
    level_db = groove.settings.click_dbfs + 6.0 + rng.normal(0.0, 1.0, count)
    return Places(
        turn=groove.turn_at(groove.length_s) - np.arange(count, 0, -1) + 0.5,
        width_m=np.full(count, 120e-6),
        height=capped(groove, level_db),
        kind=np.full(count, TICK),
        group=np.full(count, LOCKED_GROOVE),
    )


def _heights(groove: Groove, rng: np.random.Generator, count: int, above_db: float) -> Floats:
    """Lognormal about ``click_dbfs`` + ``above_db``."""
    s = groove.settings
    return capped(groove, s.click_dbfs + above_db + s.click_spread_db * rng.standard_normal(count))


def capped(groove: Groove, level_db: Floats) -> Floats:
    """Peaks, at most 6 dB over the music's."""
    return 10.0 ** (np.minimum(level_db, groove.settings.peak_dbfs + 6.0) / 20.0)


def between(rng: np.random.Generator, low: float, high: float, count: int) -> Floats:
    """Log-uniform."""
    return np.exp(rng.uniform(np.log(low), np.log(high), count))


def _anywhere(groove: Groove, rng: np.random.Generator, count: int, uneven: float = 0.5) -> Floats:
    """Turns spread over the side, denser on one half of the disc."""
    turn = groove.turn_at(rng.uniform(EDGE_S, groove.planned_s - 2.0 * EDGE_S, count))
    return lean(turn, rng.uniform(), uneven)


def lean(turn: Floats, favoured: float, uneven: float) -> Floats:
    """Move angles within their turn so that their density becomes 1 + uneven cos(angle - favoured)."""
    grid = np.linspace(0.0, 1.0, 512)
    share = grid + uneven * np.sin(2.0 * np.pi * grid) / (2.0 * np.pi)
    whole = np.floor(turn - favoured)
    return favoured + whole + np.interp(turn - favoured - whole, share, grid)


def _join(parts: list[Places]) -> Places:
    if not parts:
        empty, no_ints = np.empty(0), np.empty(0, dtype=np.int64)
        return Places(turn=empty, width_m=empty, height=empty, kind=no_ints, group=no_ints)
    names = [field.name for field in dataclasses.fields(Places)]
    return Places(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in names})
