"""Where tracks begin and end at another sample rate, and the step that cuts there.

Conventions: a side is the row of its track spans, in frames at the take's rate. Spans that adjoin
(``stop_frame`` of one is ``start_frame`` of the next) are one *run*: the rate is changed over the whole run
and the cut comes after, so that the tracks put end to end are the run again, to the sample. Cut positions
are rounded once, in the new rate. On a CD they fall on frames of 588 samples (1/75 s, IEC 60908), never
after the place asked for, and the side is filled up with silence to a whole CD frame.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.output.resample import Resampler, resampled_frames
from sidekeep.errors import ParameterError

CD_FRAMES_PER_S = 75
CD_FRAME = 588
"""Samples of a channel in a CD frame at 44.1 kHz: 44100 / 75 (IEC 60908)."""


def address_text(frames: int) -> str:
    """CD frames as ``mm:ss:ff``; minutes may pass 99."""
    seconds, part = divmod(frames, CD_FRAMES_PER_S)
    minutes, seconds = divmod(seconds, 60)
    return f"{minutes:02d}:{seconds:02d}:{part:02d}"


@dataclass(frozen=True, kw_only=True)
class SideAudio:
    """One side as the render feeds it: a span per track, in playing order.

    ``source_key`` names everything that decides the samples besides the spans (take, repairs, fades, gain,
    version): equal keys promise equal samples. ``is_exact`` promises that samples nobody touched arrive as
    they were recorded (no gain): those are then not dithered.
    """

    side: str
    rate_hz: int
    channels: int
    spans: tuple[tuple[int, int], ...]
    source_key: str
    is_exact: bool = False
    bits: int = 24
    """Word length of the take; 24 for one of floats."""

    def __post_init__(self) -> None:
        if not self.spans:
            raise ParameterError("side-without-tracks", side=self.side)
        if self.channels not in (1, 2):
            raise ParameterError("side-channels", side=self.side, channels=self.channels)
        before = 0
        for start_frame, stop_frame in self.spans:
            if not before <= start_frame < stop_frame:
                raise ParameterError(
                    "track-span-empty", start_frame=start_frame, stop_frame=stop_frame, side=self.side
                )
            if (stop_frame - start_frame) * 10 < self.rate_hz:
                raise ParameterError(
                    "track-span-short", start_frame=start_frame, stop_frame=stop_frame, side=self.side
                )
            before = stop_frame


def runs(spans: tuple[tuple[int, int], ...]) -> list[list[int]]:
    """Indexes of tracks that adjoin, run by run."""
    found: list[list[int]] = []
    for index, (start_frame, _) in enumerate(spans):
        if found and spans[index - 1][1] == start_frame:
            found[-1].append(index)
        else:
            found.append([index])
    return found


def side_cuts(side: SideAudio, rate_hz: int, *, for_cd: bool = False) -> tuple[tuple[int, int], ...]:
    """Start and stop of every track from the side's start, at the new rate; tracks adjoin."""
    starts: list[int] = []
    base = 0
    for run in runs(side.spans):
        origin = side.spans[run[0]][0]
        starts += [
            base + resampled_frames(side.spans[index][0] - origin, side.rate_hz, rate_hz) for index in run
        ]
        base += resampled_frames(side.spans[run[-1]][1] - origin, side.rate_hz, rate_hz)
    stop = base
    if for_cd:
        starts = [start // CD_FRAME * CD_FRAME for start in starts]
        stop = -(-stop // CD_FRAME) * CD_FRAME
    return tuple(zip(starts, [*starts[1:], stop], strict=True))


class SideCutter:
    """Takes a side's blocks track by track, gives them at the new rate, cut anew.

    ``process`` and ``flush`` yield ``(track_index, block)`` with non-empty blocks in order; the lengths add
    up to ``side_cuts``.
    """

    def __init__(self, side: SideAudio, rate_hz: int, *, for_cd: bool = False) -> None:
        self._side = side
        self._rate_hz = rate_hz
        self._cuts = side_cuts(side, rate_hz, for_cd=for_cd)
        self._run_ends = {run[-1] for run in runs(side.spans)}
        self._resampler: Resampler | None = None
        self._track = 0
        self._taken = 0
        self._given = 0
        self._out_track = 0

    @property
    def is_complete(self) -> bool:
        """Whether all tracks came whole."""
        return self._track == len(self._side.spans)

    def process(self, track: int, block: NDArray[np.float64]) -> Iterator[tuple[int, NDArray[np.float64]]]:
        """The next frames of a track; tracks must come in order and whole."""
        if self.is_complete:
            raise ParameterError("frames-past-tracks", side=self._side.side)
        start_frame, stop_frame = self._side.spans[self._track]
        if track != self._track or self._taken + len(block) > stop_frame - start_frame:
            raise ParameterError(
                "track-out-of-turn", side=self._side.side, track=track, due_track=self._track
            )
        if self._resampler is None:
            self._resampler = Resampler(self._side.rate_hz, self._rate_hz, self._side.channels)
        self._taken += len(block)
        yield from self._cut(self._resampler.process(block))
        if self._taken == stop_frame - start_frame:
            if track in self._run_ends:
                rest = self._resampler.flush()
                self._resampler = None
                yield from self._cut(rest)
            self._track += 1
            self._taken = 0

    def flush(self) -> Iterator[tuple[int, NDArray[np.float64]]]:
        """The silence that fills a CD frame. Raises ``ParameterError`` when frames are missing."""
        if not self.is_complete:
            raise ParameterError("track-not-whole", side=self._side.side, track=self._track)
        fill = self._cuts[-1][1] - self._given
        if fill:
            yield from self._cut(np.zeros((fill, self._side.channels)))

    def _cut(self, frames: NDArray[np.float64]) -> Iterator[tuple[int, NDArray[np.float64]]]:
        at = 0
        while at < len(frames):
            stop = self._cuts[self._out_track][1]
            if self._given >= stop and self._out_track + 1 < len(self._cuts):
                self._out_track += 1
                continue
            count = min(len(frames) - at, stop - self._given)
            if count <= 0:
                raise ParameterError("frames-past-cuts", side=self._side.side)
            yield self._out_track, frames[at : at + count]
            at += count
            self._given += count
