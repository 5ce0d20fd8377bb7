"""Groove noise: what the groove alone sounds like at each place of a side, and how far the take stands above it.

Conventions: levels are dB per band (``FeatureTable.bands_db``), time is in hops from the start of the part looked
at. The noise of a groove changes slowly with radius and breathes once per turn, so the floor of a band is a straight
line over the side, fitted to quiet stretches only, plus one offset common to all bands that may move quickly but not
far. What stands above that is ``excess``, in standard deviations of the noise: nothing here knows a level in dBFS.

*By trial* beside a constant: as in ``boundaries``. *Chosen by hand*: its neighbours were not tried, no figure is kept.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.features import FLOOR_DB, HIGH_COUNT, LOW_COUNT
from sidekeep.dsp.tracks.needle import running_median, runs

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_SKIP_LOW_BANDS = 2
"""Under 63 Hz rumble, warp and hum go up and down by themselves."""
_HIGH_SMOOTH_S, _LOW_SMOOTH_S = 0.21, 0.35
"""Medians over nine hops and fifteen: a pop spoils two or three, a thump in the low bands half a dozen. By trial (as in
``boundaries``)."""
_LEAST_NOISE_S = 0.5
"""The shortest run of noise a floor is begun from: shorter than nearly every gap, longer than a rest of a quick piece."""
_OFFSET_DB = (-5.0, 2.0)
"""How far the noise may move by itself: down more than up, so that faint music in all bands is not taken for it. By trial."""
_OFFSET_SHARE = 0.4
"""A quantile under the median: music fills some bands and leaves others, noise fills all. By trial."""
_PATCH_DB = 4.0
"""The most that a crackling patch may lift the highest band. By trial."""
_CLICK_IMPULSE = 25.0
"""Largest second difference over its median within a hop: 4 to 5 for noise, a click has tens and hundreds. By
trial between the two."""
_CLICK_TILT_DB = 2.5
_BURST_S, _BURST_DB = 0.8, 4.5
_THIRD = HIGH_COUNT // 3
"""A burst of damage is sharp and white: it rises over the falling noise the more the higher the band. Amounts by trial."""
_TOLERATED_DB = 1.2
"""What may stand over the line of the floor and keep its say: about one spread of the noise."""
_SLOPE_DB = 4.0
"""How much the floor may change over a side (standard deviation): 1 to 3 dB inward is common practice, no source."""
_SLOPE_SAY = 0.02
"""What that is worth beside the spread of the hops over the side. Chosen by hand."""
_ROUNDS, _FLOOR_ROUNDS = 5, 6
"""Guards: what is quiet and its floor are found from each other in turn, mostly until nothing moves; a line is fitted, and hops
that stand over it lose their say, so often."""
_FITTED_HOPS = 4000
"""A line needs no more than so many."""
_CARRIES_DB = FLOOR_DB + 15.0
"""A band whose usual level is no higher holds nothing: it was cut off, or the side is mono. Chosen by hand."""
_ONE_DEVIATION = 0.16
"""The quantile of a normal law one standard deviation under its middle; the lower half, since music only ever adds."""
_SPREAD_DB, _SPREAD_OF_HITS_DB = (0.4, 3.0), (0.3, 3.0)
"""Bounds of the spread of noise in a band. Chosen by hand."""
_MOST_EXCESS = 12.0
"""In spreads: what is louder counts no further. Chosen by hand."""
_THRESHOLD = (0.6, 1.2)
_THRESHOLD_SPREADS, _THRESHOLD_MARGIN = 2.5, 0.25
"""Noise rarely passes its middle by two and a half times what lies between that and its lowest twentieth, and a little. Chosen
by hand."""
_BRIDGED_S = 0.2
"""Leaps over the threshold (pops, thumps) and dips under it shorter than this are none. Chosen by hand."""
_LEADS_ON_S, _PAIR_LEADS_ON_S, _TOGETHER_S = 0.7, 1.6, 0.6
"""A hit this near the music belongs to it; before the music also two and more, no further than 0.6 s apart. Chosen by hand."""
_HIT_DEVIATIONS, _HIT_EXCESS = 5.0, (1.4, 2.0)
"""So far over the usual excess, within these bounds, a moment is looked at as a hit. Chosen by hand."""
_LEAST_KNOWN_HOPS = 20
"""Of fewer quiet hops, half a second, no usual level is taken."""
_MID_OVER_SIDE_DB, _BAND_OVER_OTHERS_DB, _HELD_DB = 1.2, 4.0, 3.0
"""A hit is music where the mid signal rises by more than the side and one band by more than the others, or where either signal
rises by 3 dB for more than a hop. Chosen by hand."""
_CLICK_HOPS = 6
"""What is longer is no click."""
_WORST_BAND = 0.9
_LIKE_QUIETEST_DB, _OVER_WORST_DB = 4.0, 1.5
"""A hop sounds like the quietest half second where nine in ten bands stand less than this over it, or hardly more than they do
in its own middle. Chosen by hand."""
_UNDER_DB = 4.0
"""What lies so far under the line of the floor loses its say too. Chosen by hand."""
_PATCH_SHARE, _PATCH_RAMP = 0.3, 1.1
"""How much of a patch is in the upper half of the high bands (a low quantile: music fills some), and a ramp up to a little more
than that. Chosen by hand."""
_SLICE_HOPS = 8192
"""Tables of a whole side are worked on in slices: an hour of them would fill the memory several times over."""


@dataclass(frozen=True)
class OverFloor:
    """Levels over the floor, offsets taken out, reckoned where they are asked for: ``over[first:last]`` is (hops, columns).
    ``smooth_db`` (hops, columns): smoothed levels. ``base_db``, ``slope_db`` (columns,): the floor in the middle of the part, and
    how it rises over it."""

    smooth_db: NDArray[np.float32]
    base_db: Floats
    slope_db: Floats

    def __len__(self) -> int:
        return len(self.smooth_db)

    def __getitem__(self, part: slice) -> Floats:
        place = _place(len(self))[part, None]
        over = _without_offset(self.smooth_db[part] - (self.base_db + self.slope_db * place))
        return np.asfortranarray(over)

    def where(self, mask: Mask) -> Floats:
        """The rows of a mask (hops,)."""
        return np.concatenate([self[part][mask[part]] for part in _slices(len(self)) if mask[part].any()])


@dataclass(frozen=True)
class GrooveNoise:
    """``excess`` (hops,): about 0.3 in groove noise, grows with music. ``hits`` (hops,): moments of 20 ms and more
    that stand out of the noise though smoothing hides them (a drum in near-silence; seldom a pop). ``quiet`` (hops,):
    judged groove noise alone. ``above_db`` (hops, columns): level over the floor, offset taken out.
    ``threshold``: the excess that noise rarely passes."""

    excess: Floats
    hits: Mask
    quiet: Mask
    above_db: Floats | OverFloor
    spread_db: Floats
    threshold: float


def measure_groove(bands_db: NDArray[np.float32], impulse: NDArray[np.float32], hop_s: float) -> GrooveNoise:
    """Floor and excess of one play (between needle down and up)."""
    smooth = _smooth(bands_db, hop_s)
    quiet = _first_quiet(smooth, hop_s)
    for _ in range(_ROUNDS):
        above = OverFloor(smooth, *_fit_floor(smooth, quiet))
        spread, excess, threshold = _stand_out(above, quiet)
        before, quiet = quiet, _quiet(excess, threshold, hop_s)
        if not quiet.any():
            quiet = before
            break
        if np.array_equal(before, quiet):
            break
    clicky = _clicky(quiet, above, impulse, hop_s)
    quiet = quiet | clicky
    hits = _hits(bands_db, impulse, quiet) & ~clicky
    quiet = _trim(quiet, hits, hop_s)
    return GrooveNoise(excess, hits, quiet, above, spread, threshold)


def _clicky(quiet: Mask, above: OverFloor, impulse: NDArray[np.float32], hop_s: float) -> Mask:
    """Short bursts between groove noise, click upon click and hardly over the noise in any band: damage, not music."""
    clicky = np.zeros(len(quiet), dtype=bool)
    for start, stop in runs(~quiet):
        if start > 0 and stop < len(quiet) and (stop - start) * hop_s < _BURST_S:
            faint = float(above[start:stop].mean(axis=0).max()) < _BURST_DB
            clicky[start:stop] = faint and float(np.median(impulse[start:stop])) > _CLICK_IMPULSE
    return clicky


def _trim(quiet: Mask, hits: Mask, hop_s: float) -> Mask:
    """Take from both ends of a quiet run the hits that lead on to the music there (``_LEADS_ON_S``).
    The ends of the play itself border on no music."""
    quiet = quiet.copy()
    near, far = round(_LEADS_ON_S / hop_s), round(_PAIR_LEADS_ON_S / hop_s)
    together = round(_TOGETHER_S / hop_s)
    for start, stop in runs(quiet):
        inside = [(first + start, last + start) for first, last in runs(hits[start:stop])]
        groups: list[list[int]] = []
        for first, last in inside:
            if groups and first - groups[-1][1] <= together:
                groups[-1][1:] = [last, groups[-1][2] + 1]
            else:
                groups.append([first, last, 1])
        low, high = start, stop
        while groups and stop < len(quiet):
            first, last, count = groups[-1]
            if high - last > (far if count > 1 else near):
                break
            high = first
            groups.pop()
        while groups and start > 0 and groups[0][0] - low <= near:
            low = groups.pop(0)[1]
        quiet[start:low] = False
        quiet[max(low, high) : stop] = False
    return quiet


def _hits(bands_db: NDArray[np.float32], impulse: NDArray[np.float32], quiet: Mask) -> Mask:
    """Moments whose high bands (free of clicks by their medians) stand out of the noise as music does: in the mid
    signal more than in the side, in some bands more than in others. Crackle rises everywhere alike."""
    hits = np.zeros(len(bands_db), dtype=bool)
    if quiet.sum() < _LEAST_KNOWN_HOPS:
        return hits
    bands = bands_db[:, :, LOW_COUNT:]
    normal = np.median(bands[quiet].astype(np.float64), axis=0)
    used = normal > _CARRIES_DB
    if not used[0].any():
        return hits

    def over_normal(part: slice | Mask) -> Floats:
        above = bands[part] - normal
        common = np.quantile(above[:, used], _OFFSET_SHARE, axis=1)
        return np.asarray(above - np.clip(common, *_OFFSET_DB)[:, None, None])

    spread = np.clip(-np.quantile(over_normal(quiet)[:, used], _ONE_DEVIATION, axis=0), *_SPREAD_OF_HITS_DB)
    excess = np.concatenate([_excess(over_normal(part)[:, used], spread) for part in _slices(len(bands))])
    middle, usual = np.quantile(excess[quiet], [0.5, 1.0 - _ONE_DEVIATION])
    for start, stop in runs(excess > np.clip(middle + _HIT_DEVIATIONS * (usual - middle), *_HIT_EXCESS)):
        one = over_normal(slice(start, stop)).mean(axis=0)
        mid, side = one[0][used[0]].mean(), one[1][used[1]].mean() if used[1].any() else 0.0
        peak = one[used].max() - np.median(one[used])
        like_music = (mid - side > _MID_OVER_SIDE_DB and peak > _BAND_OVER_OTHERS_DB) or (
            max(mid, side) > _HELD_DB and stop - start > 1
        )
        low, high = one[0][:_THIRD].mean(), one[0][-_THIRD:].mean()
        sharp = impulse[max(0, start - 1) : stop + 1].max() > _CLICK_IMPULSE
        click = stop - start < _CLICK_HOPS and sharp and high - low > _CLICK_TILT_DB
        hits[start:stop] = like_music and not click
    return hits


def _columns(bands_db: NDArray[np.float32]) -> list[NDArray[np.float32]]:
    """Levels (hops,) of the mid bands and then the side bands that carry anything, without the rumble bands."""
    every = [bands_db[:, side, band] for side in (0, 1) for band in range(_SKIP_LOW_BANDS, bands_db.shape[2])]
    return [one for one in every if np.median(one) > _CARRIES_DB] or every[:1]


def _smooth(bands_db: NDArray[np.float32], hop_s: float) -> NDArray[np.float32]:
    """(hops, columns) medians over time; longer for all than a thump spoils. Of an odd number: single precision loses nothing."""
    columns = _columns(bands_db)
    per_signal = len(columns) // 2 if len(columns) > LOW_COUNT * 2 else len(columns)
    smooth = np.empty((len(columns), len(bands_db)), np.float32).T
    for index, column in enumerate(columns):
        is_low = index % per_signal < LOW_COUNT - _SKIP_LOW_BANDS
        length_s = _LOW_SMOOTH_S if is_low else _HIGH_SMOOTH_S
        smooth[:, index] = running_median(column.astype(np.float64), round(length_s / hop_s))
    return smooth


def _first_quiet(smooth: NDArray[np.float32], hop_s: float) -> Mask:
    """The hops that sound like the quietest steady half second."""
    size = max(3, round(_LEAST_NOISE_S / hop_s))
    level = smooth.mean(axis=1, dtype=np.float64)
    wide = running_median(level, size)
    inner = wide[size:-size] if len(wide) > 3 * size else wide
    place = int(np.argmin(inner)) + (len(wide) - len(inner)) // 2
    centre = np.median(smooth[max(0, place - size // 2) : place + size // 2 + 1].astype(np.float64), axis=0)
    worst = np.concatenate(
        [np.quantile(smooth[part] - centre, _WORST_BAND, axis=1) for part in _slices(len(smooth))]
    )
    mask = worst < max(_LIKE_QUIETEST_DB, float(worst[place]) + _OVER_WORST_DB)
    mask[max(0, place - size // 2) : place + size // 2 + 1] = True
    return mask


def _slices(count: int) -> Iterator[slice]:
    return (slice(start, start + _SLICE_HOPS) for start in range(0, count, _SLICE_HOPS))


def _place(count: int) -> Floats:
    """Where each hop lies on the side, -0.5 to 0.5."""
    return np.linspace(-0.5, 0.5, count)


def _fit_floor(smooth: NDArray[np.float32], quiet: Mask) -> tuple[Floats, Floats]:
    """Middle and slope of one straight line a band through the quiet hops; hops that stand above it lose their
    say."""
    time = _place(len(smooth))
    step = max(1, int(quiet.sum()) // _FITTED_HOPS)
    index = np.flatnonzero(quiet)[::step]
    x, y = time[index], smooth[index].astype(np.float64)
    weight = np.ones_like(y)
    base, slope = np.median(y, axis=0), np.zeros(y.shape[1])
    for _ in range(_FLOOR_ROUNDS):
        rest = y - (base + slope * x[:, None])
        rest -= np.quantile(rest, _OFFSET_SHARE, axis=1, keepdims=True)
        weight = np.exp(-(np.maximum(rest - _TOLERATED_DB, 0.0) ** 2) / 2.0) * np.exp(
            -(np.maximum(-rest - _UNDER_DB, 0.0) ** 2) / 2.0
        )
        total = weight.sum(axis=0) + 1e-9
        mean_x, mean_y = (weight * x[:, None]).sum(axis=0) / total, (weight * y).sum(axis=0) / total
        spread_x = (weight * (x[:, None] - mean_x) ** 2).sum(axis=0) / total
        together = (weight * (x[:, None] - mean_x) * (y - mean_y)).sum(axis=0) / total
        slope = together / (spread_x + _SLOPE_SAY / _SLOPE_DB**2)
        base = mean_y - slope * mean_x
    return base, slope


def _without_offset(above: Floats) -> Floats:
    """Take out what is common to all bands (the noise breathing) and what rises to the high end of the side signal
    (a crackling patch), as far as noise may do that."""
    above = above - np.clip(np.quantile(above, _OFFSET_SHARE, axis=1, keepdims=True), *_OFFSET_DB)
    count = above.shape[1]
    high = HIGH_COUNT if count >= 2 * HIGH_COUNT else count // 2
    if high < 2:
        # Of a tone with nothing beside it there is a band or two: none can rise against the others.
        return above
    patch = np.clip(
        np.quantile(above[:, count - high // 2 :], _PATCH_SHARE, axis=1, keepdims=True), 0.0, _PATCH_DB
    )
    ramp = np.zeros(count)
    ramp[count - high :] = np.linspace(0.0, _PATCH_RAMP, high)
    if count >= 2 * high:
        middle = count // 2
        ramp[middle - high : middle] = ramp[count - high :]
    return above - patch * ramp


def _stand_out(above: OverFloor, quiet: Mask) -> tuple[Floats, Floats, float]:
    """Spread in noise of the level over the floor, excess, and the threshold of the excess."""
    noise = above.where(quiet).T.copy()
    spread = np.array([np.median(one) - np.quantile(one, _ONE_DEVIATION) for one in noise])
    spread = np.clip(spread, *_SPREAD_DB)
    excess = np.concatenate([_excess(above[part], spread) for part in _slices(len(above))])
    inside = np.sort(excess[quiet])
    middle = float(inside[len(inside) // 2])
    lower = middle - inside[len(inside) // 20]
    threshold = float(np.clip(middle + _THRESHOLD_SPREADS * lower + _THRESHOLD_MARGIN, *_THRESHOLD))
    return spread, excess, threshold


def _excess(above: Floats, spread: Floats) -> Floats:
    return np.asarray(np.sqrt(np.mean(np.clip(above / spread - 1.0, 0.0, _MOST_EXCESS) ** 2, axis=1)))


def _quiet(excess: Floats, threshold: float, hop_s: float) -> Mask:
    """Excess under its threshold; short leaps over it (pops, thumps) bridged, short dips dropped."""
    mask = excess < threshold
    for start, stop in runs(~mask):
        if (stop - start) * hop_s < _BRIDGED_S and start > 0 and stop < len(mask):
            mask[start:stop] = True
    for start, stop in runs(mask):
        if (stop - start) * hop_s < _BRIDGED_S:
            mask[start:stop] = False
    return mask
