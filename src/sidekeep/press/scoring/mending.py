"""How well a side was mended, against the clean twin of the press (track marks: ``tracks``).

Events that overlap on a channel they share are judged as one; its kind is that of the event that stands out
most, except that a thump swallows what lies in its tail. An event on both walls is judged over both channels.

- *error*: energy of the difference from the twin within the event's span, tail included;
- *fall*: ``10 log10(error before / error after)``, held to +-60 dB;
- *audible*: at least 6 dB over the local slope (``size_db`` of the truth); *strong*: at least 12 dB; *loud*: at least 20 dB;
- *made worse*: the error rose by more than 0.5 dB; *mended*: it fell by at least 6 dB.

The half second after the needle comes down and the last 0.2 s before it leaves are not judged.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel
from sidekeep.errors import ParameterError
from sidekeep.press.disc.truth import AUDIBLE_DB, KINDS, THUMP, Truth
from sidekeep.units import MINIMUM_DB, power_to_db

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]

STRONG_DB = 12.0
LOUD_DB = 20.0
MENDED_DB = 6.0
WORSE_DB = 0.5
FALL_LIMIT_DB = 60.0
SIZE_EDGES_DB = (-np.inf, 6.0, 12.0, 20.0, 30.0, np.inf)
AFTER_DOWN_S, BEFORE_UP_S = 0.5, 0.2
REPAIR_MARGIN_S = 0.001
"""A repair this near to true damage on its channel is not false."""
BLOCK = 1 << 18


@dataclass(frozen=True, kw_only=True)
class EventScore:
    """One row. Shares are 0 to 1; NaN where there is nothing to judge.

    For a kind, falls and shares are over its audible events; for a range of sizes, over all events in it.
    ``low_fall_db`` is the 10th percentile; ``share_touched`` had any sample changed.
    """

    kind: str
    size_from_db: float
    size_to_db: float
    events: int
    audible: int
    median_fall_db: float
    low_fall_db: float
    share_worse: float
    share_touched: float
    strong: int
    share_strong_mended: float


@dataclass(frozen=True, kw_only=True)
class MendScore:
    """The judgement of one mended side.

    ``outside_change_db``: energy changed where there was no damage, re the energy of the twin over the same
    time. Repairs per minute are None if no list was given.
    """

    kinds: dict[str, EventScore]
    sizes: tuple[EventScore, ...]
    all: EventScore
    loud: EventScore
    side_fall_db: float
    outside_change_db: float
    damaged_share: float
    repairs_per_min: float | None
    false_repairs_per_min: float | None
    minutes: float

    def table(self, by_size: bool = True) -> str:
        """Plain text: one line a kind, the whole, one line a kind and size, then the side."""
        lines = [
            f"{'kind':<9}{'size dB':>9}{'events':>8}{'audible':>8}{'fall dB':>9}{'10 %':>7}{'worse':>8}"
            f"{'touched':>9}{'strong':>8}{'mended':>8}"
        ]
        rows = [*self.kinds.values(), self.all, self.loud, *(self.sizes if by_size else ())]
        for row in (row for row in rows if row.events):
            low = "" if row.size_from_db == -np.inf else f"{row.size_from_db:.0f}"
            high = "" if row.size_to_db == np.inf else f"{row.size_to_db:.0f}"
            lines.append(
                f"{row.kind:<9}{f'{low}..{high}' if low or high else 'all':>9}{row.events:>8}{row.audible:>8}"
                f"{row.median_fall_db:>9.1f}{row.low_fall_db:>7.1f}{100 * row.share_worse:>7.1f}%"
                f"{100 * row.share_touched:>8.1f}%{row.strong:>8}{100 * row.share_strong_mended:>7.1f}%"
            )
        lines.append(
            f"side better by {self.side_fall_db:.1f} dB; changed outside damage "
            f"{self.outside_change_db:.1f} dB re music; "
            f"{100 * self.damaged_share:.2f} % of samples damaged; {self.minutes:.1f} min"
        )
        if self.repairs_per_min is not None:
            lines.append(
                f"{self.repairs_per_min:.1f} repairs a minute, {self.false_repairs_per_min:.2f} of them false"
            )
        return "\n".join(lines)


@dataclass(frozen=True, kw_only=True)
class EventSpans:
    """Events merged for judging: parallel arrays; ``channels`` (spans, 2) says which count."""

    start: NDArray[np.int64]
    stop: NDArray[np.int64]
    channels: Flags
    kind: NDArray[np.int64]
    size_db: Floats


def score_mending(
    take: Floats, twin: Floats, mended: Floats, truth: Truth, repairs: Iterable[Any] | None = None
) -> MendScore:
    """Judge a mended side. All audio (frames, 2) of one length.

    ``repairs``: objects or mappings with ``start_frame``, ``stop_frame`` and ``channel`` (L, R, both).
    Raises ParameterError for audio of unlike shapes.
    """
    first, last = _judged_frames(truth)
    spans, fall_db, touched, real = _falls(take, twin, mended, truth)
    judged = (spans, fall_db, touched)
    mask = damage_mask(truth)
    side_before, side_after, outside, music = _side_energies(take, twin, mended, mask, first, last)
    minutes = (last - first) / truth.rate_hz / 60.0
    listed = None if repairs is None else [_place(repair) for repair in repairs]
    false = (
        0 if listed is None else _count_false(listed, mask, int(REPAIR_MARGIN_S * truth.rate_hz), first, last)
    )
    return MendScore(
        kinds={name: _row(name, real & (spans.kind == kind), *judged) for kind, name in enumerate(KINDS)},
        sizes=tuple(
            _row(name, real & (spans.kind == kind), *judged, low, high)
            for kind, name in enumerate(KINDS)
            for low, high in itertools.pairwise(SIZE_EDGES_DB)
        ),
        all=_row("all", real, *judged),
        loud=_row("loud", real, *judged, LOUD_DB, np.inf),
        side_fall_db=power_to_db(side_before) - power_to_db(side_after),
        outside_change_db=power_to_db(outside / music) if music > 0.0 else MINIMUM_DB,
        damaged_share=float(mask[first:last].mean()) if last > first else 0.0,
        repairs_per_min=None if listed is None else len(listed) / minutes,
        false_repairs_per_min=None if listed is None else false / minutes,
        minutes=minutes,
    )


def share_mended_where_possible(
    take: Floats, twin: Floats, mended: Floats, bests: Sequence[Floats], truth: Truth
) -> tuple[float, int]:
    """Of the strong events whose error fell by 6 dB or more in all ``bests``, the share that did in ``mended``; how many.

    ``bests`` are what the estimator makes of the true spans, cut here or there: an event that hangs on a frame more or
    less is not counted. Thumps are left out. The share is NaN where there are none.
    """
    spans, fall_db, _, real = _falls(take, twin, mended, truth)
    able = real & (spans.size_db >= STRONG_DB) & (spans.kind != THUMP)
    for best in bests:
        able &= _falls(take, twin, best, truth)[1] >= MENDED_DB
    count = int(able.sum())
    return (float(np.mean(fall_db[able] >= MENDED_DB)) if count else float("nan")), count


def _judged_frames(truth: Truth) -> tuple[int, int]:
    first = truth.needle_down_frame + int(AFTER_DOWN_S * truth.rate_hz)
    return first, max(first, truth.needle_up_frame - int(BEFORE_UP_S * truth.rate_hz))


def _falls(
    take: Floats, twin: Floats, mended: Floats, truth: Truth
) -> tuple[EventSpans, Floats, Flags, Flags]:
    """The events, their fall in dB, which were touched, and which hurt at all."""
    if not take.shape == twin.shape == mended.shape == (truth.length_frames, 2):
        raise ParameterError(
            "score-shapes",
            take_shape=take.shape,
            twin_shape=twin.shape,
            mended_shape=mended.shape,
            length_frames=truth.length_frames,
        )
    spans = merge_events(truth.events, *_judged_frames(truth))
    before, after = np.zeros(len(spans.start)), np.zeros(len(spans.start))
    touched = np.zeros(len(spans.start), dtype=np.bool_)
    span_errors(take, twin, mended, spans.start, spans.stop, spans.channels, before, after, touched)
    fall_db = np.zeros(len(before))
    real = before > 0.0
    fall_db[real] = 10.0 * np.log10(before[real] / np.maximum(after[real], 1e-300))
    return spans, np.clip(fall_db, -FALL_LIMIT_DB, FALL_LIMIT_DB), touched, real


def merge_events(events: NDArray[Any], first: int, last: int) -> EventSpans:
    """Join events that overlap on a channel they share; those not wholly in ``[first, last)`` are dropped."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    events = events[(events["start_frame"] >= first) & (events["stop_frame"] <= last)]
    events = events[np.argsort(events["start_frame"], kind="stable")]
    count, start, stop, channel = len(events), events["start_frame"], events["stop_frame"], events["channel"]
    links = [np.empty((2, 0), np.int64)]
    for side in (0, 1):
        rows = np.flatnonzero(channel != 1 - side)
        if rows.size > 1:
            joined = np.flatnonzero(start[rows][1:] < np.maximum.accumulate(stop[rows])[:-1])
            links.append(np.stack([rows[joined], rows[joined + 1]]))
    link = np.concatenate(links, axis=1)
    graph = coo_array((np.ones(link.shape[1]), (link[0], link[1])), shape=(count, count))
    groups, group = connected_components(graph, directed=False) if count else (0, np.empty(0, np.int64))
    merged_start, merged_stop = np.full(groups, np.iinfo(np.int64).max), np.zeros(groups, np.int64)
    np.minimum.at(merged_start, group, start)
    np.maximum.at(merged_stop, group, stop)
    channels = np.zeros((groups, 2), dtype=np.bool_)
    channels[group[channel != 1], 0] = True
    channels[group[channel != 0], 1] = True
    size_db = np.full(groups, -np.inf)
    np.maximum.at(size_db, group, events["size_db"])
    rank = np.lexsort((events["size_db"], events["kind"] == THUMP))
    kind = np.zeros(groups, np.int64)
    kind[group[rank]] = events["kind"][rank]
    return EventSpans(start=merged_start, stop=merged_stop, channels=channels, kind=kind, size_db=size_db)


def damage_mask(truth: Truth) -> Flags:
    """(frames, 2) True inside event spans of that channel."""
    mask = np.zeros((truth.length_frames, 2), dtype=np.bool_)
    events = truth.events
    for start, stop, channel in zip(
        events["start_frame"], events["stop_frame"], events["channel"], strict=True
    ):
        mask[max(0, start) : stop, slice(None) if channel < 0 else channel] = True
    return mask


@kernel
def span_errors(
    take: Floats,
    twin: Floats,
    mended: Floats,
    start: NDArray[np.int64],
    stop: NDArray[np.int64],
    channels: Flags,
    before: Floats,
    after: Floats,
    touched: Flags,
) -> None:
    """Fill error energy before and after, and whether anything was changed, for each span."""
    for i in range(start.size):
        for channel in range(2):
            if not channels[i, channel]:
                continue
            for n in range(start[i], stop[i]):
                a = take[n, channel] - twin[n, channel]
                b = mended[n, channel] - twin[n, channel]
                before[i] += a * a
                after[i] += b * b
                if take[n, channel] != mended[n, channel]:
                    touched[i] = True


def _row(
    name: str,
    of_kind: Flags,
    spans: EventSpans,
    fall_db: Floats,
    touched: Flags,
    low: float = -np.inf,
    high: float = np.inf,
) -> EventScore:
    chosen = of_kind & (spans.size_db >= low) & (spans.size_db < high)
    audible = chosen & (spans.size_db >= AUDIBLE_DB)
    strong = chosen & (spans.size_db >= STRONG_DB)
    judged = audible if np.isinf(low) and np.isinf(high) else chosen
    falls, some = fall_db[judged], bool(judged.any())
    return EventScore(
        kind=name,
        size_from_db=low,
        size_to_db=high,
        events=int(chosen.sum()),
        audible=int(audible.sum()),
        median_fall_db=float(np.median(falls)) if some else float("nan"),
        low_fall_db=float(np.percentile(falls, 10)) if some else float("nan"),
        share_worse=float(np.mean(falls < -WORSE_DB)) if some else float("nan"),
        share_touched=float(np.mean(touched[judged])) if some else float("nan"),
        strong=int(strong.sum()),
        share_strong_mended=float(np.mean(fall_db[strong] >= MENDED_DB)) if strong.any() else float("nan"),
    )


def _side_energies(
    take: Floats, twin: Floats, mended: Floats, mask: Flags, first: int, last: int
) -> tuple[float, float, float, float]:
    """Error before and after, energy changed outside damage, energy of the twin; over ``[first, last)``.

    What crosstalk carries of an event into the other channel counts as damage there.
    """
    before = after = outside = music = 0.0
    for low in range(first, last, BLOCK):
        span = slice(low, min(last, low + BLOCK))
        error = take[span] - twin[span]
        changed = np.where(mask[span] | (error != 0.0), 0.0, mended[span] - take[span])
        before += float(np.sum(np.square(error)))
        after += float(np.sum(np.square(mended[span] - twin[span])))
        outside += float(np.sum(np.square(changed)))
        music += float(np.sum(np.square(twin[span])))
    return before, after, outside, music


def _place(repair: Any) -> tuple[int, int, str]:
    if isinstance(repair, Mapping):
        return int(repair["start_frame"]), int(repair["stop_frame"]), str(repair["channel"])
    return int(repair.start_frame), int(repair.stop_frame), str(repair.channel)


def _count_false(repairs: list[tuple[int, int, str]], mask: Flags, margin: int, first: int, last: int) -> int:
    """Repairs within ``[first, last)`` that come near no true damage on their channel."""
    columns = {"L": slice(0, 1), "R": slice(1, 2), "both": slice(0, 2)}
    return sum(
        1
        for start, stop, channel in repairs
        if start < last
        and stop > first
        and not mask[max(0, start - margin) : stop + margin, columns[channel]].any()
    )
