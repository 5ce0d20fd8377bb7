"""One pass over a take for everything that finding sides and tracks needs.

Conventions: ``process`` takes blocks of any size; ``finish`` gives ``Features``, about 10 kB a second of take.
Positions given out are frames at the take's rate, half-open.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.features import FeatureMeter, FeatureTable
from sidekeep.dsp.tracks.groove_noise import GrooveNoise, measure_groove
from sidekeep.dsp.tracks.needle import Play, find_plays, runs, without_holes
from sidekeep.dsp.tracks.side_joins import find_join
from sidekeep.flow.tracks.turn_watch import TurnWatch
from sidekeep.model.cuts import Cuts

ENVELOPE_POINTS = 2000
"""About as many as a wide screen has columns: the picture of a side."""
_AFTER_DOWN_S = 0.5
"""A needle thump and its ring are over after this long (common practice, no source)."""
_BEFORE_UP_S = 0.2
"""The knock of a needle that is lifted begins a little before it is found (chosen here)."""
_JOIN_S = 0.3
"""How far from its true place a join between two sides may be found."""
_GUARD_S = 0.1
"""What a needle's knock may reach to either side of where it was found, kept out of what is measured (chosen here)."""


class SideFeatures:
    """Streaming meter behind ``find_cuts``."""

    def __init__(self, *, rate_hz: int, channels: int) -> None:
        self._meter = FeatureMeter(rate_hz=rate_hz, channels=channels)
        self.watch = TurnWatch(
            self._meter.work_rate_hz, self._meter.base, self._meter.hop_frames // self._meter.base
        )
        self._meter.listener = self.watch.process
        self._whole: Features | None = None

    def process(self, block: NDArray[np.float64]) -> None:
        """Take the next (frames, channels) block."""
        self._meter.process(block)

    def so_far(self) -> FeatureTable | None:
        """The hops that are complete by now, None before the first; blocks may go on coming."""
        return self._meter.so_far()

    def finish(self) -> Features:
        """The whole take's features; may be asked again."""
        if self._whole is None:
            self._whole = features_of(self._meter.finish())
        return self._whole


def features_of(table: FeatureTable, left_out: tuple[tuple[int, int], ...] = ()) -> Features:
    """A table with its plays: of a whole take, of a beginning, or of what remains without the hops ``left_out``."""
    table = without_holes(table)
    plays: list[Play] = []
    for play in find_plays(table):
        plays += _split(play, find_join(table.bands_db[play.down : play.up], table.hop_s))
    return Features(table=table, plays=tuple(plays), left_out=left_out)


def _split(play: Play, join: int | None) -> list[Play]:
    if join is None:
        return [play]
    middle = play.down + join
    return [replace(play, up=middle, saw_up=False), replace(play, down=middle, saw_down=False, joined=True)]


@dataclass(frozen=True)
class PlayedPart:
    """A play without its thumps: hops ``first`` to ``last``, and its groove. ``groove`` counts from ``first``."""

    play: Play
    first: int
    last: int
    groove: GrooveNoise


@dataclass(frozen=True)
class Features:
    """What was measured, and the stretches with the needle in the groove. ``left_out``: hops of the take that the table does not
    have, because they were heard before; hops of the table are counted without them, frames are always the take's."""

    table: FeatureTable
    plays: tuple[Play, ...]
    left_out: tuple[tuple[int, int], ...] = ()

    @property
    def rate_hz(self) -> int:
        """Rate of the take."""
        return self.table.rate_hz

    def frame(self, hop: int) -> int:
        """First frame of a hop, never past the end of the take."""
        for start, stop in self.left_out:
            hop += stop - start if hop >= start else 0
        return min(hop * self.table.hop_frames, self.table.length_frames)

    def hop(self, frame: int) -> int:
        """The first hop that begins at a frame or after it."""
        hop = -(-frame // self.table.hop_frames)
        return hop - sum(max(0, min(hop, stop) - start) for start, stop in self.left_out)

    def music_s(self, start_frame: int, stop_frame: int) -> float:
        """How long a stretch lasts on the record: without what was heard before."""
        size = self.table.hop_frames
        again = sum(
            max(0, min(stop_frame, stop * size) - max(start_frame, start * size))
            for start, stop in self.left_out
        )
        return (stop_frame - start_frame - again) / self.rate_hz

    def without(self, spans: Sequence[tuple[int, int]]) -> Features:
        """As if the take had gone on without these frames (in order): for what is the turn before once more."""
        if not spans:
            return self
        size = self.table.hop_frames
        hops = tuple((round(start / size), round(stop / size)) for start, stop in spans)
        kept = np.ones(len(self.table.bands_db), dtype=bool)
        for start, stop in hops:
            kept[start:stop] = False
        rows = {
            name: getattr(self.table, name)[kept]
            for name in ("bands_db", "impulse", "peak", "power", "chroma")
        }
        return features_of(replace(self.table, **rows), hops)

    @cached_property
    def parts(self) -> tuple[PlayedPart, ...]:
        """The plays long enough to hold anything, thumps left out, each with its groove."""
        hop_s = self.table.hop_s
        found = []
        for play in self.plays:
            first = play.down + (round(_AFTER_DOWN_S / hop_s) if play.saw_down else 0)
            last = play.up - (round(_BEFORE_UP_S / hop_s) if play.saw_up else 0)
            first += round(_JOIN_S / hop_s) if play.joined else 0
            last -= round(_JOIN_S / hop_s) if any(p.joined and p.down == play.up for p in self.plays) else 0
            if last - first >= 20:
                groove = measure_groove(
                    self.table.bands_db[first:last], self.table.impulse[first:last], hop_s
                )
                found.append(PlayedPart(play, first, last, groove))
        return tuple(found)

    def unjoined(self) -> Features:
        """The same with every play whole from needle down to needle up."""
        plays: list[Play] = []
        for play in self.plays:
            if play.joined:
                play = replace(plays.pop(), up=play.up, saw_up=play.saw_up)
            plays.append(play)
        return replace(self, plays=tuple(plays))

    def idle_spans(self, cuts: Cuts | None = None) -> list[tuple[int, int]]:
        """Where the needle is not in the groove, 0.1 s away from its thumps. ``cuts`` that moved the needle win."""
        guard = round(_GUARD_S * self.rate_hz)
        if cuts is not None and cuts.sides:
            played = [(side.needle_down_frame, side.needle_up_frame) for side in cuts.sides]
        else:
            played = [(self.frame(play.down), self.frame(play.up)) for play in self.plays]
        starts = [0, *(up + guard for _, up in played)]
        stops = [*(down - guard for down, _ in played), self.table.length_frames]
        return [(start, stop) for start, stop in zip(starts, stops, strict=True) if stop - start > guard]

    def groove_spans(self, cuts: Cuts | None = None) -> list[tuple[int, int]]:
        """Groove without music, 0.1 s away from music and thumps. With ``cuts`` only outside their tracks."""
        spans = []
        guard = round(_GUARD_S / self.table.hop_s)
        for part in self.parts:
            for start, stop in runs(part.groove.quiet):
                if stop - start > 3 * guard:
                    spans.append(
                        (self.frame(part.first + start + guard), self.frame(part.first + stop - guard))
                    )
        return spans if cuts is None else list(_outside_tracks(spans, cuts))

    @property
    def envelope(self) -> NDArray[np.float64]:
        """(points, 2): smallest and largest sample of all channels in up to 2000 equal parts of the take."""
        low, high = self.table.peak[:, :, 0].min(axis=1), self.table.peak[:, :, 1].max(axis=1)
        count = max(1, min(ENVELOPE_POINTS, len(low)))
        edges = np.linspace(0, len(low), count + 1).astype(int)[:-1]
        parts = [np.minimum.reduceat(low, edges), np.maximum.reduceat(high, edges)]
        return np.stack(parts, axis=1).astype(np.float64)


def _outside_tracks(spans: list[tuple[int, int]], cuts: Cuts) -> Iterable[tuple[int, int]]:
    tracks = sorted((track.start_frame, track.stop_frame) for side in cuts.sides for track in side.tracks)
    for start, stop in spans:
        for low, high in tracks:
            if low <= start < high:
                start = high
            if start < low < stop:
                yield start, low
                start = max(start, high)
        if stop > start:
            yield start, stop
