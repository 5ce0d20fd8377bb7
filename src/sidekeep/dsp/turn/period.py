"""The rotation of the player, from damage that returns once per turn.

Conventions: times in seconds on the take, float64; periods in seconds, speeds in rpm; differences in
ppm of the period. The period is the mean over the take, of *this* player: it says nothing about the
speed the record was cut at.

Two sources: events that come back (``estimate_turn``; chains in ``turn_chains``, the fit that keeps
tilted scratches from biasing it in ``turn_fit``) and what sways once per turn
(``estimate_turn_from_sway``). ``agree_on_turn`` joins them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from sidekeep.dsp.turn.chain_fit import fit_period
from sidekeep.dsp.turn.chains import (
    NOMINAL_RPM,
    SPEED_RANGES_S,
    ClickChain,
    find_chains,
    find_recurrence,
)
from sidekeep.dsp.turn.forecast import TurnForecast
from sidekeep.dsp.turn.sway import find_sway
from sidekeep.errors import ParameterError

__all__ = [
    "NOMINAL_RPM",
    "SPEED_RANGES_S",
    "ClickChain",
    "TurnEstimate",
    "TurnForecast",
    "agree_on_turn",
    "estimate_turn",
    "estimate_turn_from_sway",
]

Floats = NDArray[np.float64]

_UNTOLD = 1.8
"""How many times farther off than its own fit says a turn told by clicks is: no fit knows of chains that are none. So on 25 of 36
pressed sides of 5 minutes, at ``./run bench turn``'s settings."""


_AGREE, _SAME_TURN_PPM, _DIFFERENCE_TOLD = 4.0, 1000.0, 0.25
"""Deviations within which clicks and sway are joined; how far off both still saw one turn; and how much of the difference the
deviation then is at least (chosen here)."""
_DISPUTED_SURE, _DISPUTED_WIDE = 0.8, 1.5
"""What is left of the confidence in clicks that sway speaks against, and how much wider their deviation is (chosen here)."""
_LOCKED_EDGE_S, _AT_ONCE_S = 0.1, 0.01
"""How exactly the locked groove's ends are known, and how near events are one (chosen here)."""
_AS_LOUD, _NEARLY_ALL, _ENDS_WITHIN_TURNS, _LONGEST_LOCKED_S = 0.5, 0.8, 1.2, 120.0
"""A chain is of the locked groove if nearly all that is so loud returns with it, up to so shortly before the end, for two minutes
at the most (chosen here)."""


@dataclass(frozen=True, kw_only=True)
class TurnEstimate:
    """``confidence`` (0 to 1) that what was found is the turn; ``sd_ppm`` of ``period_s`` given that it is.
    ``drift_ppm`` is the change of the period over the take. With ``source="none"`` the period is 0 and
    ``sd_ppm`` a million."""

    period_s: float = 0.0
    rpm: float = 0.0
    sd_ppm: float = 1e6
    confidence: float = 0.0
    source: Literal["clicks", "sway", "none"] = "none"
    drift_ppm: float = 0.0
    chains: tuple[ClickChain, ...] = ()


def estimate_turn(
    times_s: ArrayLike,
    weights: ArrayLike | None = None,
    *,
    duration_s: float,
    channels: Sequence[int] | ArrayLike | None = None,
    locked_groove_s: tuple[float, float] | None = None,
) -> TurnEstimate:
    """Estimate the turn from event times.

    Parameters
    ----------
    times_s : (n,) times of ticks, pops and thumps, any order.
    weights : (n,) how loud each is (any positive scale; only the order matters), or None.
    duration_s : length of the take; drift is centred on its middle.
    channels : (n,) bit mask of the walls hit: 1 left, 2 right, 3 both. A scratch stays on its wall.
    locked_groove_s : where the needle ran in the locked groove, if the caller knows.

    Returns
    -------
    TurnEstimate
        ``source="none"`` unless the recurrence stands out of chance at 1 in 10 000.
    """
    times = np.asarray(times_s, dtype=np.float64)
    heavy = np.ones(len(times)) if weights is None else np.asarray(weights, dtype=np.float64)
    masks = np.full(len(times), 3) if channels is None else np.asarray(channels, dtype=np.int64)
    if times.ndim != 1 or heavy.shape != times.shape or masks.shape != times.shape:
        raise ParameterError("turn-shapes")
    if not (np.all(np.isfinite(times)) and np.all(np.isfinite(heavy))) or duration_s <= 0.0:
        raise ParameterError("turn-times")
    if len(times) < 5:
        return TurnEstimate()
    order = np.argsort(times, kind="stable")
    times, heavy, masks = times[order], heavy[order], masks[order]
    found = find_recurrence(times, heavy, masks, duration_s)
    if found is None:
        return TurnEstimate()
    chains = find_chains(times, heavy, masks, found.lag_s, duration_s)
    if not chains:
        return TurnEstimate()
    chains = [_mark_locked(chain, chains, times, heavy, locked_groove_s) for chain in chains]
    fit = fit_period(chains, found.lag_s, duration_s, sure_of_locked=locked_groove_s is not None)
    return TurnEstimate(
        period_s=fit.period_s,
        rpm=60.0 / fit.period_s,
        sd_ppm=_UNTOLD * 1e6 * fit.sd_s / fit.period_s,
        confidence=float(1.0 - np.exp(min(found.log_chance, 0.0))),
        source="clicks",
        drift_ppm=1e6 * fit.drift,
        chains=fit.used,
    )


def estimate_turn_from_sway(series: Floats, rate_hz: float) -> TurnEstimate:
    """Estimate the turn from a slow series of the take.

    Parameters
    ----------
    series : (samples,) or (samples, channels); the low band of the take itself at 20 to 200 Hz (warp, an
        off-centre hole and rumble patterns are in it), or a level over time. Two channels are taken as left
        and right.
    rate_hz : rate of the series.

    Returns
    -------
    TurnEstimate
        ``source="none"`` unless the sway stands out of its surroundings at 1 in 100 000.
    """
    sway = find_sway(series, rate_hz)
    if sway.period_s <= 0.0:
        return TurnEstimate()
    return TurnEstimate(
        period_s=sway.period_s,
        rpm=60.0 / sway.period_s,
        sd_ppm=1e6 * sway.sd_s / sway.period_s,
        confidence=float(1.0 - np.exp(min(sway.log_chance, 0.0))),
        source="sway",
        drift_ppm=1e6 * sway.drift,
    )


def agree_on_turn(clicks: TurnEstimate, sway: TurnEstimate) -> TurnEstimate:
    """One estimate from both; ``source`` names the finer one.

    Joined if they agree within four standard deviations. If they are off by more, but by less than 0.1 %, both
    saw the same turn and the sway is believed (no tilt biases it), with the difference in its spread. Further
    apart, one of them saw something else: clicks are harder to fool.
    """
    if clicks.source == "none" or sway.source == "none":
        return clicks if sway.source == "none" else sway
    off_ppm = 1e6 * (sway.period_s / clicks.period_s - 1.0)
    spread_ppm = float(np.hypot(clicks.sd_ppm, sway.sd_ppm))
    if abs(off_ppm) > _AGREE * spread_ppm:
        if abs(off_ppm) < _SAME_TURN_PPM:
            return replace(
                sway, sd_ppm=max(sway.sd_ppm, _DIFFERENCE_TOLD * abs(off_ppm)), chains=clicks.chains
            )
        return replace(
            clicks,
            confidence=_DISPUTED_SURE * clicks.confidence,
            sd_ppm=_DISPUTED_WIDE * clicks.sd_ppm,
        )
    weight = clicks.sd_ppm**2 / spread_ppm**2
    period_s = clicks.period_s * (1.0 + 1e-6 * weight * off_ppm)
    return replace(
        clicks,
        period_s=period_s,
        rpm=60.0 / period_s,
        sd_ppm=clicks.sd_ppm * sway.sd_ppm / spread_ppm,
        confidence=1.0 - (1.0 - clicks.confidence) * (1.0 - sway.confidence),
        source="sway" if sway.sd_ppm < clicks.sd_ppm else "clicks",
        drift_ppm=sway.drift_ppm if sway.sd_ppm < clicks.sd_ppm else clicks.drift_ppm,
    )


def _mark_locked(
    chain: ClickChain,
    chains: list[ClickChain],
    times_s: Floats,
    weights: Floats,
    locked_groove_s: tuple[float, float] | None,
) -> ClickChain:
    """A chain of the locked groove: where the caller says, or at the very end if there *everything* returns."""
    first, last = float(chain.times_s[0]), float(chain.times_s[-1])
    if locked_groove_s is not None:
        locked = first >= locked_groove_s[0] - _LOCKED_EDGE_S and last <= locked_groove_s[1] + _LOCKED_EDGE_S
    else:
        lag_s = (last - first) / float(chain.turns[-1])
        # Faint dust is left out: what is as loud as the chain must come back with it.
        loud = times_s[weights >= _AS_LOUD * chain.size]

        def within(events_s: Floats) -> int:
            near = (events_s >= first - _AT_ONCE_S) & (events_s <= last + _AT_ONCE_S)
            return int(np.count_nonzero(near))

        chained = sum(within(each.times_s) for each in chains)
        at_end = len(loud) > 0 and float(loud[-1]) - last < _ENDS_WITHIN_TURNS * lag_s
        all_return = chained >= _NEARLY_ALL * within(loud)
        locked = bool(at_end and all_return and last - first < _LONGEST_LOCKED_S)
    return ClickChain(chain.times_s, chain.turns, chain.size, locked)
