"""Two aligned takes side by side: blocks of the old one and of the new one read along the curve.

Both come at one rate, the lower of the two takes' own; the new one with its polarity and channels put as the old one's.
Blocks are whole seconds of the old take; a margin on both sides lets filters settle.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from sidekeep.dsp.alignment.sinc import read_at
from sidekeep.flow.comparison.laying.alignment import Alignment
from sidekeep.flow.comparison.laying.channels import invert
from sidekeep.flow.comparison.laying.reading import read_span
from sidekeep.flow.comparison.laying.speeds import as_played
from sidekeep.flow.ports import Audio, AudioSource

T = TypeVar("T")

BLOCK_S = 10
MARGIN_S = 1
MOST_HZ = 50_000
"""Blocks of ten seconds keep memory small, a second of margin lets every filter here settle, and half of 88.2 and 96 kHz is
under 50 kHz."""
AHEAD = 3
"""Blocks in flight: enough for two cores, little memory."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Laid:
    """``old`` and ``new`` (frames, channels) from ``start_s`` of the old take; the block proper is frames ``first``
    to ``stop``, the rest is margin."""

    start_s: float
    first: int
    stop: int
    old: Audio
    new: Audio
    rate_hz: int


def common_rate(old: AudioSource, new: AudioSource) -> int:
    """The lower of the two rates (what the other holds above half of it cannot be compared), halved while it is over
    ``MOST_HZ``: nothing is measured over 20 kHz, and a tick is as clear."""
    rate_hz = min(old.format.rate_hz, new.format.rate_hz)
    while rate_hz > MOST_HZ and rate_hz % 2 == 0:
        rate_hz //= 2
    return rate_hz


def lay_block(
    old: AudioSource, new: AudioSource, alignment: Alignment, start_s: int, stop_s: int, rate_hz: int
) -> Laid:
    """One block of whole seconds of the old take and what the new one holds there."""
    assert alignment.curve is not None
    new = as_played(new, alignment.speed)
    first_s, last_s = start_s - MARGIN_S, stop_s + MARGIN_S
    ruler, _ = read_span(old, first_s, last_s, rate_hz)
    moments = first_s + np.arange(len(ruler)) / rate_hz
    # the curve between its knots is smooth: every eighth place is exact enough to go straight between
    knots = np.append(moments[::8], moments[-1])
    times = np.interp(moments, knots, alignment.curve.at(knots))
    played, played_s = read_span(new, times[0] - 0.1, times[-1] + 0.1, rate_hz)
    laid = alignment.sign * invert(read_at(played, (times - played_s) * rate_hz), alignment.inverted)
    if alignment.is_swapped:
        laid = laid[:, ::-1]
    channels = min(ruler.shape[1], laid.shape[1])
    if channels < ruler.shape[1]:
        ruler = ruler.mean(axis=1, keepdims=True)
    if channels < laid.shape[1]:
        laid = laid.mean(axis=1, keepdims=True)
    return Laid(
        start_s=float(first_s),
        first=MARGIN_S * rate_hz,
        stop=MARGIN_S * rate_hz + (stop_s - start_s) * rate_hz,
        old=np.ascontiguousarray(ruler),
        new=np.ascontiguousarray(laid),
        rate_hz=rate_hz,
    )


def each_block(
    old: AudioSource,
    new: AudioSource,
    alignment: Alignment,
    work: Callable[[Laid], T],
    *,
    span_s: tuple[float, float] | None = None,
    rate_hz: int | None = None,
) -> Iterator[T]:
    """``work`` done on every block of what both takes hold, two at a time, results in order."""
    assert alignment.curve is not None
    rate_hz = rate_hz or common_rate(old, new)
    low_s, high_s = span_s or (alignment.curve.start_s, alignment.curve.stop_s)
    edges = [*range(int(np.ceil(low_s)), int(high_s), BLOCK_S), int(high_s)]

    def do(start_s: int, stop_s: int) -> T:
        return work(lay_block(old, new, alignment, start_s, stop_s, rate_hz))

    with ThreadPoolExecutor(2, thread_name_prefix="compare") as pool:
        waiting: list[Future[T]] = []
        for start_s, stop_s in zip(edges, edges[1:]):
            if stop_s > start_s:
                waiting.append(pool.submit(do, start_s, stop_s))
            if len(waiting) > AHEAD:
                yield waiting.pop(0).result()
        for job in waiting:
            yield job.result()
