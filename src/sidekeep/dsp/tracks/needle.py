"""Where the stylus is in the groove: the step from the noise of an idle input to the noise of a groove.

Conventions: everything is counted in hops of a ``FeatureTable``; spans are half-open. No level is fixed: an idle
stretch is quiet, steady, lies below the quietest groove of the same take, and is bounded by the end of
the file or by a step up into steady groove noise (usually with a thump).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.features import FLOOR_DB, LOW_COUNT, FeatureTable

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_STEP_DB = 4.0
"""An idle input lies this far below the quietest groove: groove noise itself moves by 1 to 3 dB over a side. By trial (as in
``boundaries``)."""
_CLEAR_STEP_DB = 6.0
"""The same where no thump marks the needle. By trial."""
_MOST_LEVELS = 4
"""A guard: lift, muted input, another gain, silence of a file; no take has more."""
_SILENCE_DB = FLOOR_DB + 20.0
"""Digital silence: below the last bit of 21; no input is as quiet."""
_HOLE_S = 1.0
"""No hand lifts and lowers a needle in less: what is silent for so short is sound that a computer lost (chosen here)."""


@dataclass(frozen=True)
class Play:
    """One stretch with the needle in the groove. ``saw_down`` / ``saw_up`` tell whether the take holds the moment;
    ``joined``: it follows the stretch before without a lift, as another side put after it (``joins.find_join``)."""

    down: int
    up: int
    saw_down: bool
    saw_up: bool
    joined: bool = False


def high_level(table: FeatureTable) -> NDArray[np.float64]:
    """Mean level in dB of mid and side from 1 to 8 kHz per hop, free of clicks and mains hum."""
    bands = table.bands_db[:, :, LOW_COUNT + 1 : LOW_COUNT + 7].astype(np.float64)
    used = bands.max(axis=(0, 2)) > _SILENCE_DB
    if not used.any():
        return np.full(len(bands), FLOOR_DB)
    return bands[:, used].mean(axis=(1, 2))


def running_median(x: NDArray[np.float64], size: int) -> NDArray[np.float64]:
    """Centred running median along axis 0; the ends are held."""
    from scipy.ndimage import median_filter

    size = max(1, size | 1)
    columns = np.asarray(x, dtype=np.float64).reshape(len(x), -1)
    out = np.empty_like(columns)
    for index in range(columns.shape[1]):
        out[:, index] = median_filter(np.ascontiguousarray(columns[:, index]), size=size, mode="nearest")
    return out.reshape(x.shape)


def runs(mask: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Half-open spans where the mask holds."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2])]


def without_holes(table: FeatureTable) -> FeatureTable:
    """The same where no sound was lost: digital silence shorter than ``_HOLE_S`` between sound gets the levels beside it, for it
    is neither a lifted needle nor the quietest groove."""
    silent, last = high_level(table) < _SILENCE_DB, len(table.power) - 1
    holes = [
        (max(start - 1, 1), min(stop + 1, last))
        for start, stop in runs(silent)
        if start > 0 and stop <= last and (stop - start) * table.hop_s < _HOLE_S
    ]
    if not holes:
        return table
    rows = np.arange(len(table.power))
    for start, stop in holes:
        middle = (start + stop) // 2
        rows[start:middle], rows[middle:stop] = start - 1, stop
    return replace(
        table,
        bands_db=table.bands_db[rows],
        impulse=table.impulse[rows],
        power=table.power[rows],
        chroma=table.chroma[rows],
    )


def find_plays(table: FeatureTable) -> list[Play]:
    """Stretches with the needle down, in order. A take without idle stretches is one play, its ends not seen."""
    level = high_level(table)
    count = len(level)
    hop_s = table.hop_s
    smooth = running_median(level, round(0.25 / hop_s))
    idle = _silence(smooth, hop_s)
    power = table.power.max(axis=1).astype(np.float64)
    for start, stop in runs(~idle):
        idle[start:stop] = _idle_within(smooth[start:stop], power[start:stop], hop_s, depth=0)
    plays: list[Play] = []
    for start, stop in runs(~idle):
        if (stop - start) * hop_s >= 1.0:
            down = _first_contact(table, level, start) if start > 0 else 0
            up = _last_contact(table, level, stop) if stop < count else count
            plays.append(Play(down, up, start > 0, stop < count))
    return plays


def _silence(smooth: Floats, hop_s: float) -> Mask:
    """Digital silence, a third of a second and more."""
    mask = smooth < _SILENCE_DB
    for start, stop in runs(mask):
        if (stop - start) * hop_s < 0.3:
            mask[start:stop] = False
    return mask


def _idle_within(smooth: Floats, power: Floats, hop_s: float, *, depth: int) -> Mask:
    """Hops of an idle input in one stretch; what is left is searched again, for an idle input may have several levels."""
    idle = _idle_mask(smooth, power, hop_s, thump_only=depth > 0)
    if idle.any() and not idle.all() and depth < _MOST_LEVELS:
        for start, stop in runs(~idle):
            idle[start:stop] = _idle_within(smooth[start:stop], power[start:stop], hop_s, depth=depth + 1)
    return idle


def _idle_mask(smooth: Floats, power: Floats, hop_s: float, *, thump_only: bool) -> Mask:
    """Hops near the quietest level, if that is an idle input: it lies well below all that remains, and its
    stretches border on steady noise with a step or a thump between."""
    count = len(smooth)
    none = np.zeros(count, dtype=bool)
    need = max(4, round(0.5 / hop_s))
    if count < 2 * need:
        return none
    wide = running_median(np.maximum(smooth, _SILENCE_DB), need)
    whole = np.zeros(count, dtype=bool)
    whole[need // 2 : count - need // 2] = (
        True  # beyond, the median repeats one hop, and a file may end within its last
    )
    quietest = float(np.min(wide[whole]))
    best = none
    for margin_db in (2.0, 4.0, 7.0):
        mask = wide < quietest + margin_db
        kept = np.zeros(count, dtype=bool)
        for start, stop in runs(mask):
            at_edge = start <= need or stop >= count - need
            if (stop - start) * hop_s >= (0.3 if at_edge else 1.0):
                kept[start if start > need else 0 : stop if stop < count - need else count] = True
        remaining = whole & ~_grow(kept, need)
        if not kept.any() or not remaining.any():
            continue
        rest = float(np.min(wide[remaining]))
        if rest - float(np.max(wide[kept])) < _STEP_DB:
            continue
        if _borders_on_groove(smooth, power, kept, hop_s, thump_only=thump_only):
            best = kept
    return best


def _borders_on_groove(smooth: Floats, power: Floats, idle: Mask, hop_s: float, *, thump_only: bool) -> bool:
    """True when every idle stretch borders somewhere on steady noise (groove, not music), by a thump or by a
    clear step at an end of the take; a stretch in the middle, or one of a second level, needs a thump."""
    near, far, reach = round(0.25 / hop_s), round(0.9 / hop_s), round(0.45 / hop_s)
    for start, stop in runs(idle):
        good = False
        level = float(np.median(smooth[start:stop]))
        for border, part in (
            (stop, smooth[stop + near : stop + far]),
            (start, smooth[max(0, start - far) : max(0, start - near)]),
        ):
            if len(part) < far - near:
                continue
            burst = power[max(0, border - reach) : border + reach].max(initial=0.0)
            around = (
                power[max(0, border - far) : max(0, border - reach)],
                power[border + reach : border + far],
            )
            thump = all(len(p) > 0 and burst > 8.0 * float(np.median(p)) for p in around)
            edge = (start == 0 or stop == len(smooth)) and not thump_only
            steady = float(np.ptp(part)) < 5.0
            good = (
                good
                or (thump and steady)
                or (edge and steady and float(np.median(part)) - level > _CLEAR_STEP_DB)
            )
        if not good:
            return False
    return True


def _grow(mask: NDArray[np.bool_], by: int) -> NDArray[np.bool_]:
    from scipy.ndimage import binary_dilation

    return np.asarray(binary_dilation(mask, iterations=by))


def _first_contact(table: FeatureTable, level: NDArray[np.float64], start: int) -> int:
    """The thump that begins a play: first hop of the burst within 0.4 s of the step."""
    reach = round(0.4 / table.hop_s)
    low = max(0, start - reach)
    quiet = _noise_power(table, max(0, low - 2 * reach), low)
    power = table.power[low : start + reach].max(axis=1)
    loud = np.flatnonzero(
        (power > 6.0 * quiet) | (level[low : start + reach] > level[max(0, low - reach) : low + 1].max() + 4)
    )
    return low + int(loud[0]) if len(loud) else start


def _last_contact(table: FeatureTable, level: NDArray[np.float64], stop: int) -> int:
    """The hop after which the input is idle again."""
    reach = round(0.4 / table.hop_s)
    high = min(len(level), stop + reach)
    quiet = _noise_power(table, high, min(len(level), high + 2 * reach))
    power = table.power[max(0, stop - reach) : high].max(axis=1)
    loud = np.flatnonzero(power > 6.0 * quiet)
    return max(0, stop - reach) + int(loud[-1]) + 1 if len(loud) else stop


def _noise_power(table: FeatureTable, start: int, stop: int) -> float:
    part = table.power[start:stop]
    return float(np.median(part.max(axis=1))) + 1e-14 if len(part) else np.inf
