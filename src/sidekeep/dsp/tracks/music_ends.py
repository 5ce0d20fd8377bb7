"""Where the music of a side begins and ends, and where a decay is lost in the noise of the groove.

Conventions: positions are hops from the start of the play, half-open. *By trial* and *chosen by hand* beside a constant mean what
they mean in ``boundaries``.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np

from sidekeep.dsp.tracks.groove_noise import GrooveNoise
from sidekeep.dsp.tracks.locked_groove import TURN_PERIODS_S
from sidekeep.dsp.tracks.needle import running_median, runs

_DECAY_MEDIAN_S, _DECAY_REACH_S, _DECAY_DIP_S, _DECAY_OVER = 0.5, 4.0, 0.5, 0.15
"""Medians over half a second, which clicks do not move; 0.15 is about half the excess of noise itself. By trial: stops missed
fell from 11 to 3."""
_CLICK_S = 0.1
"""Shorter sounds bound no music. Chosen by hand."""
_THUMP_S = 0.5
"""What a needle thump leaves at an end is shorter. Chosen by hand."""
_TICK_S, _BETWEEN_TICKS_S, _LEAST_TICKS = 0.6, 0.4, 4
"""Bursts no longer, no nearer to each other and no fewer may be the tick of a locked groove. Chosen by hand."""
_OFF_TURN, _MOST_TURNS = 0.05, 3.5
"""Ticks of a groove: three in four lie within this share of a turn, half are no further apart than so many turns. By hand."""
_FAINT_EXCESS, _FAINT_S, _FAINT_APART_S = 1.0, 1.5, 0.5
_SHORT_S, _SHORT_APART_S = 0.2, 2.0
"""A burst is not music where it is faint, short and a little apart from what follows, or very short and far from it. Chosen by
hand."""


def music_bounds(
    groove: GrooveNoise, hop_s: float, *, after_thump: bool = False, before_thump: bool = False
) -> tuple[int, int]:
    """First and last hop (half-open) of the music of a play; (0, 0) without any. Short bursts that stand alone before
    the music or after it (dirt in the lead-in, thumps in the run-out) do not count, nor what a needle thump leaves at
    an end where there was one."""
    busy = [span for span in runs(~groove.quiet) if (span[1] - span[0]) * hop_s > _CLICK_S]
    if len(busy) > 1 and after_thump and busy[0][0] == 0 and busy[0][1] * hop_s < _THUMP_S:
        busy.pop(0)
    if len(busy) > 1 and before_thump and busy[-1][1] == len(groove.quiet):
        if (busy[-1][1] - busy[-1][0]) * hop_s < _THUMP_S:
            busy.pop()
    first, last = _strays(groove, busy, hop_s), _strays(groove, busy[::-1], hop_s)
    first = min(first, max(0, len(busy) - 1 - last))
    return (busy[first][0], busy[len(busy) - 1 - last][1]) if busy else (0, 0)


def decay_end(groove: GrooveNoise, stop: int, limit: int, hop_s: float) -> int:
    """Where a decay that fell under the threshold at ``stop`` is no longer told from the noise: the median excess of half a
    second keeps over that of the noise, with dips of half a second at most. Never past ``limit``."""
    size, reach = max(1, round(_DECAY_MEDIAN_S / hop_s)), round(_DECAY_REACH_S / hop_s)
    excess = groove.excess[stop : min(limit, stop + reach)]
    if len(excess) < size or not groove.quiet.any():
        return stop
    end = 0
    usual = float(np.median(groove.excess[groove.quiet]))
    for first, after in runs(running_median(excess, size) > usual + _DECAY_OVER):
        if (first - end) * hop_s > _DECAY_DIP_S:
            break
        end = after
    return stop + end


def _strays(groove: GrooveNoise, spans: Sequence[tuple[int, int]], hop_s: float) -> int:
    """How many bursts, from the outside inwards, are not music: faint ones, very short ones that stand alone, and
    four or more that come back once per turn as the locked groove does."""
    gaps_s = [(max(a[0], b[0]) - min(a[1], b[1])) * hop_s for a, b in itertools.pairwise(spans)]
    lengths_s = [(stop - start) * hop_s for start, stop in spans]
    ticks = 0
    while ticks < len(gaps_s) and lengths_s[ticks] < _TICK_S and gaps_s[ticks] > _BETWEEN_TICKS_S:
        ticks += 1
    if ticks >= _LEAST_TICKS and _once_per_turn([span[0] * hop_s for span in spans[:ticks]]):
        return ticks
    count = 0
    while count < len(gaps_s):
        excess = float(groove.excess[slice(*spans[count])].mean())
        faint = excess < _FAINT_EXCESS and lengths_s[count] < _FAINT_S and gaps_s[count] > _FAINT_APART_S
        if not faint and not (lengths_s[count] < _SHORT_S and gaps_s[count] > _SHORT_APART_S):
            break
        count += 1
    return count


def _once_per_turn(places_s: Sequence[float]) -> bool:
    """True when most distances are whole numbers of turns of one record speed."""
    steps = np.abs(np.diff(places_s))
    for period_s in TURN_PERIODS_S:
        turns = steps / period_s
        if np.quantile(np.abs(turns - np.round(turns)), 0.75) < _OFF_TURN and np.median(turns) < _MOST_TURNS:
            return True
    return False
