"""Whether what one take lacks is whole turns of the disc: then it was the needle, which jumps from a groove to another beside it.

A cut, or sound that a computer lost, is as long as it happens to be; a needle that jumps lands where it would have been, some
turns on or back, so what it loses or plays again is whole turns to some hundredths of a second.
"""

from __future__ import annotations

from sidekeep.dsp.turn.period import TurnEstimate
from sidekeep.units import LP_RPM, SINGLE_RPM

MOST_TURNS = 20
"""More, and any length is near to whole turns of some speed."""
WITHIN_S, WITHIN_SHARE = 0.012, 0.003
"""How far from whole turns: takes are laid on each other to some milliseconds on either side, and a player is as exact as this
where its turn is not measured (chosen here)."""


def turns_skipped(length_s: float, turn: TurnEstimate) -> int:
    """How many turns a stretch is, 0 where it is none. Without a measured turn LPs and singles are thought of."""
    length_s = abs(length_s)
    periods = (turn.period_s,) if turn.source != "none" else (60.0 / LP_RPM, 60.0 / SINGLE_RPM)
    for period_s in periods:
        turns = round(length_s / period_s)
        within_s = WITHIN_S + WITHIN_SHARE * length_s
        if 1 <= turns <= MOST_TURNS and abs(length_s - turns * period_s) < within_s:
            return turns
    return 0
