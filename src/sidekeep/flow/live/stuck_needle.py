"""A needle that sticks while the side is recorded: told within some seconds, so that the person can help it.

Conventions: frames of the take. What is told is asked of the same comparison as the finished survey's, of the last turns only.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.tracks.side_features import Features
from sidekeep.flow.tracks.turn_watch import TurnWatch
from sidekeep.flow.tracks.turns_again import TurnAgain, groove_noise_of, turns_again, turns_back
from sidekeep.wording.of_sides import seconds_again, stuck_now

_KEPT = 16
"""Moments before the newest that are looked at again: more than two turns."""


class StuckNeedle:
    """``learn`` what the groove sounds like when there are features, ``look`` as often as wanted."""

    def __init__(self, watch: TurnWatch, rate_hz: int) -> None:
        self._watch, self._rate_hz = watch, rate_hz
        self._noise: NDArray[np.float64] | None = None
        self._music_frame = 0
        self._again: list[TurnAgain] = []
        self._went_on = False
        self._since = 0
        self._turn_s: float | None = None

    @property
    def spans(self) -> list[tuple[int, int]]:
        """First frames and ends of what was heard before, in order."""
        return [(each.start_frame, each.stop_frame) for each in self._again]

    def learn(self, features: Features) -> None:
        """The noise of the groove, from what was measured so far."""
        self._noise = groove_noise_of(features, self._watch)

    def turns_at(self, turn_s: float) -> None:
        """How long a turn of this player is, once that is known."""
        self._turn_s = turn_s

    def sounded(self, frame: int) -> None:
        """There was music up to this frame. A needle is told only where some came after it had landed: in a locked groove there
        is none, and there it is meant to stay."""
        self._music_frame = frame

    def look(self) -> list[dict[str, Any]]:
        """Facts of what is new: a needle that sticks, that goes on sticking, or that has come free."""
        if self._noise is None:
            return []
        found = turns_again(self._watch, self._noise, self._rate_hz, since=self._since)
        found = [each for each in found if each.start_frame < self._music_frame]
        now = self._watch.moments_heard
        newest = found[-1] if found else None
        goes_on = newest is not None and newest.stop_frame > (now - 2) * self._watch.moment_frames
        if not goes_on:
            self._since = max(self._since, now - _KEPT)
        told = []
        for each in found:
            on = goes_on and each is newest
            if on and not each.is_one_turn and each.turns < 2:
                continue  # it jumped once, and what it plays again comes to its end
            before = self._again[-1] if self._again else None
            if before is None or each.start_frame >= before.stop_frame:
                self._again.append(each)
            elif self._went_on and (each.turns, on) != (before.turns, True):
                self._again[-1] = each
            else:
                continue
            self._went_on = on
            told.append(self._facts(each, on))
        return told

    def _facts(self, each: TurnAgain, goes_on: bool) -> dict[str, Any]:
        back = turns_back(each, self._turn_s)
        passage = "" if each.is_one_turn else seconds_again(each.period_s, back)
        return {
            "start_frame": each.start_frame,
            "stop_frame": each.stop_frame,
            "turns": each.turns,
            "period_s": round(each.period_s, 4),
            "back_turns": back,
            "goes_on": goes_on,
            "text": stuck_now(each.start_frame / self._rate_hz, each.turns, passage, goes_on=goes_on),
        }
