"""From cuts to what is rendered: which frames go into which track, and where the side fades in and out.

Conventions: frames at the take's rate, half-open. The tracks of a side *tile* it: each span ends where the next
begins, so the gap belongs to the track before it and neighbours join without a lost or doubled frame. Fades lie
over groove noise only: before the first start mark and after the last stop mark, never over music.
"""

from __future__ import annotations

from dataclasses import dataclass

from sidekeep.model.cuts import SideCuts, Track
from sidekeep.model.recipe import EdgeSettings
from sidekeep.units import seconds_to_frames

NEEDLE_GUARD_S = 0.5
"""A needle thump and its ringing are over after this long (common practice, no source)."""
UP_GUARD_S = 0.15
"""The needle stirs in the groove before it is clear of it (chosen here)."""
GROOVE_LEAD_IN_S = 1.0
"""Enough to hear that a groove is played, too little to wait for (chosen here)."""


@dataclass(frozen=True, kw_only=True)
class RenderSpan:
    """The frames of one track's file. The fades are counted from the span's ends inwards."""

    track: Track
    start_frame: int
    stop_frame: int
    fade_in_frames: int = 0
    fade_out_frames: int = 0

    @property
    def length_frames(self) -> int:
        """Frames written for this track."""
        return self.stop_frame - self.start_frame


def render_spans(
    cuts: SideCuts, settings: EdgeSettings, *, rate_hz: int, length_frames: int
) -> tuple[RenderSpan, ...]:
    """Spans of a side's tracks in order; empty without tracks. ``length_frames`` is the take's length."""
    if not cuts.tracks:
        return ()
    tracks = sorted(cuts.tracks, key=lambda track: track.start_frame)
    start, fade_in = _side_start(cuts, tracks[0].start_frame, settings, rate_hz)
    stop, fade_out = _side_stop(cuts, tracks[-1].stop_frame, settings, rate_hz, length_frames)
    starts = [start, *(track.start_frame for track in tracks[1:])]
    stops = [*starts[1:], max(stop, starts[-1])]
    last = len(tracks) - 1
    return tuple(
        RenderSpan(
            track=track,
            start_frame=begin,
            stop_frame=end,
            fade_in_frames=min(fade_in, end - begin) if index == 0 else 0,
            fade_out_frames=min(fade_out, end - begin) if index == last else 0,
        )
        for index, (track, begin, end) in enumerate(zip(tracks, starts, stops, strict=True))
    )


def _side_start(cuts: SideCuts, mark: int, settings: EdgeSettings, rate_hz: int) -> tuple[int, int]:
    """(first frame, fade-in frames)."""
    if settings.lead_in == "needle":
        return min(cuts.needle_down_frame, mark), 0
    earliest = cuts.needle_down_frame
    if earliest > 0:
        earliest += seconds_to_frames(NEEDLE_GUARD_S, rate_hz)
    lead = GROOVE_LEAD_IN_S if settings.lead_in == "groove" else 0.0
    wanted = mark - seconds_to_frames(max(lead, settings.fade_in_s), rate_hz)
    start = min(mark, max(earliest, wanted, 0))
    return start, min(mark - start, seconds_to_frames(settings.fade_in_s, rate_hz))


def _side_stop(
    cuts: SideCuts, mark: int, settings: EdgeSettings, rate_hz: int, length_frames: int
) -> tuple[int, int]:
    """(frame after the last, fade-out frames)."""
    latest = min(cuts.needle_up_frame, length_frames)
    if cuts.needle_up_frame < length_frames:
        latest -= seconds_to_frames(UP_GUARD_S, rate_hz)
    stop = max(mark, min(latest, mark + seconds_to_frames(settings.fade_out_s, rate_hz)))
    stop = min(stop, length_frames)
    return stop, max(0, stop - mark)
