"""News of a side while it is recorded: a running survey is looked at now and then, and what is new is told.

An event is a code and facts, in frames of the take and seconds as their names say; ``docs/live-news.md`` lists them. Looking
costs processor time, so the dear questions are asked the less often the longer they took: ``_SHARE`` of the time at most.
"""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from sidekeep.dsp.turn.period import estimate_turn_from_sway
from sidekeep.flow.live.side_watch import BoundaryBook, SeenBoundary, SideState, look_at_side
from sidekeep.flow.live.stuck_needle import StuckNeedle
from sidekeep.flow.live.turns import BINS, TurnLevels
from sidekeep.flow.needle.gauge import FORECAST_BLOCK_S, forecast_peak
from sidekeep.flow.passes.survey import Survey, SurveyRun
from sidekeep.flow.passes.survey_sums import turn_of
from sidekeep.flow.ports import Audio
from sidekeep.flow.tracks.side_features import features_of
from sidekeep.model.cuts import Cuts
from sidekeep.model.measures import Turn
from sidekeep.model.record import Side
from sidekeep.model.repair import Repair
from sidekeep.units import LP_RPM, gain_to_db

LOOK_S = 2.0
"""Of sound between two looks: as often as the header of the file is made valid."""
SIDE_EVERY_S, TURN_EVERY_S = 5.0, 45.0
"""Of sound between two questions where tracks begin, and how long a turn is: 45 s are 25 turns of a long-playing record."""
_SHARE = 0.04
"""Of the time that a dear question may take: recording and mending need the processor."""
_USUAL_SIDE_S = 1320.0
"""22 minutes, the side of a long-playing record (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class LiveEvent:
    """One piece of news. ``at_frame`` is a frame of the take."""

    code: str
    at_frame: int
    facts: Mapping[str, Any] = field(default_factory=dict)


@dataclass
class _Every:
    """When a dear question is asked again: so many seconds of the take later, and not before it has been paid for."""

    least_s: float
    next_frame: int = 0
    free_at_s: float = 0.0

    def is_due(self, frame: int) -> bool:
        return frame >= self.next_frame and time.monotonic() >= self.free_at_s

    def asked(self, frame: int, rate_hz: int, cost_s: float) -> None:
        self.next_frame = frame + int(self.least_s * rate_hz)
        self.free_at_s = time.monotonic() + cost_s / _SHARE


class LiveNews:
    """Give it every block the survey gets, after the survey; ``look`` tells what is new."""

    def __init__(self, run: SurveyRun, side: Side | None, *, rpm: float | None = None) -> None:
        self._run, self._side = run, side
        self._rate_hz = run.form.rate_hz
        self._levels = TurnLevels(self._rate_hz, 60.0 / (rpm or LP_RPM))
        self._next_look = 0
        self._side_look, self._turn_look = _Every(SIDE_EVERY_S), _Every(TURN_EVERY_S)
        self._book = BoundaryBook(self._rate_hz)
        self._told_repairs = 0
        self._turn: Turn | None = None
        self._state = SideState(heard_frame=0)
        self._needle = StuckNeedle(run.meters.features.watch, self._rate_hz)

    def begun(self) -> LiveEvent:
        """The first piece of news."""
        facts = {
            "rate_hz": self._rate_hz,
            "channels": self._run.form.channels,
            "turn_frames": self._levels.turn_frames,
            "bins": BINS,
        }
        return LiveEvent(code="live-begun", at_frame=0, facts=facts)

    def heard(self, block: Audio) -> None:
        """The block the survey was just given."""
        self._levels.process(block)

    def look(self, behind_frames: int) -> list[LiveEvent]:
        """What is new. ``behind_frames``: how far the survey is behind the recording."""
        frame = self._run.length_frames
        if frame < self._next_look:
            return []
        self._next_look = frame + int(LOOK_S * self._rate_hz)
        self._run.settle()
        events = [self._level(frame, behind_frames), *self._turns(frame), *self._damage(frame)]
        events += self._stuck(frame)
        if self._turn_look.is_due(frame):
            events += self._measured(self._turn_look, frame, self._look_at_turn)
        if self._side_look.is_due(frame):
            events += self._measured(self._side_look, frame, self._look_at_side)
        return events

    def last_look(self) -> list[LiveEvent]:
        """What is new when the take has ended, before the survey is finished."""
        frame = self._run.length_frames
        self._run.settle()
        return [self._level(frame, 0), *self._turns(frame), *self._damage(frame)]

    def settled(self, survey: Survey) -> list[LiveEvent]:
        """What the finished survey makes of the provisional news."""
        frame = survey.format.length_frames
        tracks = [track for side in survey.cuts.sides for track in side.tracks]
        unused = [
            SeenBoundary(
                frame=each.stop_frame,
                sure=float(each.facts["confidence"]),  # type: ignore[arg-type]
                boundary="gap",
                track=None,
            )
            for each in survey.findings
            if each.kind == "gap-unused"
        ]
        events = [self._boundary(frame, *change) for change in self._book.settle(tracks, unused)]
        if survey.turn.source != "none":
            events.append(self._tell_turn(frame, survey.turn))
        return events

    def _measured(self, every: _Every, frame: int, ask: Any) -> list[LiveEvent]:
        began_s = time.process_time()
        events: list[LiveEvent] = ask(frame)
        every.asked(frame, self._rate_hz, time.process_time() - began_s)
        return events

    def _level(self, frame: int, behind_frames: int) -> LiveEvent:
        meter = self._run.meters.level
        start = self._state.music_start_frame or 0
        level = meter.so_far(start)
        windows = meter.peaks_so_far()[start // meter.window_frames :]
        each = round(FORECAST_BLOCK_S * self._rate_hz / meter.window_frames)
        blocks = windows[: len(windows) // each * each].reshape(-1, each).max(axis=1, initial=0.0)
        expected, sd = forecast_peak([float(peak) for peak in blocks], self._side_length_s(frame))
        return LiveEvent(
            code="live-level",
            at_frame=frame,
            facts={
                "sample_peak_dbfs": round(level.sample_peak_dbfs, 2),
                "true_peak_dbtp": round(level.true_peak_dbtp, 2),
                "mended_true_peak_dbtp": gain_to_db(self._run.mended_peak_so_far(start)),
                "integrated_lufs": None if level.integrated_lufs is None else round(level.integrated_lufs, 2),
                "clipped_frames": level.clipped_frames,
                "forecast_peak_dbfs": round(expected, 1) if blocks.any() else None,
                "forecast_sd_db": round(sd, 1) if blocks.any() else None,
                "music": self._state.is_sounding,
                "behind_s": round(behind_frames / self._rate_hz, 1),
            },
        )

    def _side_length_s(self, frame: int) -> float:
        """As far as it can be told now; the usual length of a long-playing side when it cannot."""
        playing = self._state.playing
        if playing is None or playing.side_left_s is None:
            return max(_USUAL_SIDE_S, frame / self._rate_hz)
        return frame / self._rate_hz + playing.side_left_s

    def _turns(self, frame: int) -> list[LiveEvent]:
        first, rows = self._levels.take()
        if not rows:
            return []
        facts = {
            "first_turn": first,
            "start_frame": round(first * self._levels.turn_frames),
            "turn_frames": self._levels.turn_frames,
            "levels_db": rows,
        }
        return [LiveEvent(code="live-turns", at_frame=frame, facts=facts)]

    def _damage(self, frame: int) -> list[LiveEvent]:
        fresh = self._run.mender.repairs[self._told_repairs :]
        if not fresh:
            return []
        self._told_repairs += len(fresh)
        rows = [
            [each.start_frame, each.stop_frame, each.channel, each.kind, each.size_db, self._angle(each)]
            for each in fresh
        ]
        facts = {"repairs": rows, "total": self._told_repairs}
        return [LiveEvent(code="live-damage", at_frame=frame, facts=facts)]

    def _stuck(self, frame: int) -> list[LiveEvent]:
        return [LiveEvent(code="live-needle", at_frame=frame, facts=facts) for facts in self._needle.look()]

    def _angle(self, repair: Repair) -> float | None:
        if self._turn is None:
            return None
        return round(repair.start_frame / self._rate_hz / self._turn.period_s % 1.0, 4)

    def _look_at_turn(self, frame: int) -> list[LiveEvent]:
        form = replace(self._run.form, length_frames=frame)
        noise = self._run.meters.noise
        series = noise.sway_so_far()
        if not len(series):
            return []  # the first block is not full yet
        sway = estimate_turn_from_sway(series, noise.sway_rate_hz)
        turn = turn_of(tuple(self._run.mender.repairs), form, Cuts(rate_hz=self._rate_hz), sway)
        if turn.source == "none" or (self._turn is not None and turn.sd_ppm > 0.8 * self._turn.sd_ppm):
            return []
        self._turn = turn
        self._needle.turns_at(turn.period_s)
        return [self._tell_turn(frame, turn)]

    def _tell_turn(self, frame: int, turn: Turn) -> LiveEvent:
        facts = {
            "rpm": round(turn.rpm, 5),
            "period_s": turn.period_s,
            "period_frames": turn.period_s * self._rate_hz,
            "sd_ppm": round(turn.sd_ppm, 1),
            "from": turn.source,
        }
        return LiveEvent(code="live-turn", at_frame=frame, facts=facts)

    def _look_at_side(self, frame: int) -> list[LiveEvent]:
        table = self._run.meters.features.so_far()
        if table is None:
            return []
        features = features_of(table)
        self._needle.learn(features)
        self._state = look_at_side(features.without(self._needle.spans), self._side)
        if self._state.is_sounding:
            self._needle.sounded(self._state.heard_frame)
        events = [self._boundary(frame, *change) for change in self._book.update(self._state)]
        playing = self._state.playing
        if playing is not None:
            listed = self._side.tracks if self._side is not None else ()
            track = listed[playing.line] if playing.is_listed else None
            facts = {
                "track": playing.line + 1,
                "title": track.title if track is not None else "",
                "listed": playing.is_listed,
                "over": bool(listed) and not playing.is_listed,
                "started_frame": playing.started_frame,
                "sure": round(playing.sure, 2),
                "left_s": _rounded(playing.left_s),
                "left_sd_s": _rounded(playing.left_sd_s),
                "side_left_s": _rounded(playing.side_left_s),
                "side_left_sd_s": _rounded(playing.side_left_sd_s),
            }
            events.append(LiveEvent(code="live-track", at_frame=self._state.heard_frame, facts=facts))
        return events

    def _boundary(self, frame: int, number: int, state: str, seen: Any) -> LiveEvent:
        facts = {
            "id": number,
            "frame": seen.frame,
            "state": state,
            "sure": round(seen.sure, 2),
            "boundary": seen.boundary,
            "track": seen.track,
        }
        return LiveEvent(code="live-boundary", at_frame=frame, facts=facts)


def _rounded(value: float | None) -> float | None:
    return None if value is None or not np.isfinite(value) else round(value, 1)
