"""Pictures of the mended sound and of what was taken out, made of those of the take as it was played.

Mending touches well under one percent of a usual side, so only the buckets and columns that a piece of a repair touches
are made anew, and when a person leaves or restores a repair, only those of that repair.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.level.band_pyramid import Bands, columns_of, hop_frames, one_channel
from sidekeep.dsp.level.peak_pyramid import Peaks, base_level
from sidekeep.flow.patches import PatchReader
from sidekeep.flow.ports import Audio, AudioSource

Picture = TypeVar("Picture", Peaks, Bands)
Read = Callable[[int, int], Audio]
Spans = Sequence[tuple[int, int]]
_MOST_FRAMES = 1 << 20


def mended_bands(finest: NDArray[np.uint8], spans: Spans, read: Read, rate_hz: int, length: int) -> None:
    """Make the columns anew, in place, whose windows meet a span; ``read`` gives the sound as it is shown."""
    hop = hop_frames(rate_hz)
    touched = (
        ((start + hop // 2 - 2 * hop) // hop + 1, (stop - 1 + hop // 2) // hop + 1) for start, stop in spans
    )
    for first, last in _runs(touched, len(finest), _MOST_FRAMES // hop):
        begin, end = first * hop - hop // 2, last * hop + hop // 2
        inside = max(0, begin), min(length, end)
        mono = np.zeros(end - begin, np.float32)
        mono[inside[0] - begin : inside[1] - begin] = one_channel(read(*inside))
        finest[first:last] = columns_of(mono, last - first, rate_hz)


def mended_peaks(
    finest: NDArray[np.float32], spans: Spans, read: Read, base_frames: int, length: int
) -> None:
    """Make the buckets anew, in place, that meet a span."""
    touched = ((start // base_frames, -(-stop // base_frames)) for start, stop in spans)
    for first, last in _runs(touched, len(finest), _MOST_FRAMES // base_frames):
        audio = read(first * base_frames, min(length, last * base_frames))
        finest[first:last] = base_level(audio, base_frames)


def _runs(touched: Iterator[tuple[int, int]], count: int, most: int) -> Iterator[tuple[int, int]]:
    """The places in order, joined where they meet, none longer than ``most``."""
    ordered = sorted((max(0, first), min(count, last)) for first, last in touched)
    begun, ended = 0, 0
    for first, last in [*ordered, (count, count)]:
        if first <= ended and last > first and ended > begun:
            ended = max(ended, last)
            continue
        for at in range(begun, ended, most):
            yield at, min(at + most, ended)
        begun, ended = first, last


class _Mended(Generic[Picture]):
    """A picture of the mended sound, or of what was taken out, brought up to date when it is asked for."""

    def __init__(self, *, is_taken_out: bool = False) -> None:
        self._is_taken_out = is_taken_out
        self._lock = threading.Lock()
        self._key = ""
        self._left: frozenset[int] = frozenset()
        self._picture: Picture | None = None

    def get(
        self, played: Picture, left: frozenset[int], key: str, reader: PatchReader, source: AudioSource
    ) -> Picture:
        """The picture for a survey, by its key, with some of its repairs left; ``reader`` lays the others on."""
        with self._lock:
            if self._picture is not None and (self._key, self._left) == (key, left):
                return self._picture
            if self._picture is not None and self._key == key:
                spans, base = reader.spans(self._left ^ left), self._picture
            else:
                spans, base = reader.spans(), self._plain(played)

            def read(start: int, stop: int) -> Audio:
                sound = source.read(start, stop)
                mended = reader.apply(start, sound)
                return sound - mended if self._is_taken_out else mended

            self._picture = self._redrawn(base, spans, read)
            self._key, self._left = key, left
            return self._picture

    def _plain(self, played: Picture) -> Picture:
        """The picture before any repair."""
        raise NotImplementedError

    def _redrawn(self, picture: Picture, spans: Spans, read: Read) -> Picture:
        """With what meets the spans made anew."""
        raise NotImplementedError


class MendedPeaks(_Mended[Peaks]):
    """Lowest and highest samples."""

    def _plain(self, played: Peaks) -> Peaks:
        return played.with_finest(np.zeros_like(played.levels[0])) if self._is_taken_out else played

    def _redrawn(self, picture: Peaks, spans: Spans, read: Read) -> Peaks:
        finest = picture.levels[0].copy()
        mended_peaks(finest, spans, read, picture.base_frames, picture.length_frames)
        return picture.with_finest(finest)


class MendedBands(_Mended[Bands]):
    """The coarse spectrum."""

    def _plain(self, played: Bands) -> Bands:
        if not self._is_taken_out:
            return played
        return Bands.of_finest(np.zeros_like(played.levels[0]), played.rate_hz, played.length_frames)

    def _redrawn(self, picture: Bands, spans: Spans, read: Read) -> Bands:
        finest = picture.levels[0].copy()
        mended_bands(finest, spans, read, picture.rate_hz, picture.length_frames)
        return Bands.of_finest(finest, picture.rate_hz, picture.length_frames)
