"""A needle that stays in one turn, or jumps back into one: which stretches of a take are the turn before once more.

Conventions: frames at the take's rate, half-open. A stretch begins where the needle has landed on what was heard a turn
before, and ends where the groove goes on to what was not heard yet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracks.features import LOW_COUNT
from sidekeep.dsp.tracks.locked_groove import MOST_OFF, TURN_PERIODS_S
from sidekeep.dsp.tracks.music_ends import music_bounds
from sidekeep.dsp.tracks.same_turn import cell_noise, noise_left
from sidekeep.flow.tracks.side_features import Features, PlayedPart
from sidekeep.flow.tracks.turn_watch import Moment, TurnWatch
from sidekeep.model.cuts import Cuts
from sidekeep.model.finding import Fact, Finding
from sidekeep.model.measures import Turn
from sidekeep.units import LP_RPM, SINGLE_RPM

Floats = NDArray[np.float64]

_LEFT = 0.45
"""Of the noise that two turns of a disc would leave: up to 0.2 for one turn heard twice, 0.9 and more for two (pressed sides)."""
_LEAST_CELLS = 200
"""A moment has some ten thousand; where the music is too loud for this many to be near the noise, nothing is claimed."""
_LEAST_TURN = 0.85
"""A needle that lands a turn back plays a whole turn again, one that lands farther back at least as much; edges are known to some
hundredths of a second."""
_SAME_TURN = 0.001
"""How much the turn may change from moment to moment: players sway by a few ten-thousandths (common practice, no source)."""
_LEAST_SWAY_S = 1e-6
"""Spread of the delay within a quarter of a second: two playings on a steady player differ by two millionths of a second
(flutter of 0.02 %, from 6 Hz on), a sound that was put together of copies not at all, and by 0.8 when it was an MP3 since."""
_LONGEST_TURN_S = (1.0 + MOST_OFF) * max(TURN_PERIODS_S)
_WHOLE = 0.01
"""How far from whole turns of a speed a longer jump may be: a turn is known to some thousandths without the disc's own damage."""
_MOST_MISSING = 5
_LEAST_NOISE_S = 1.0
"""Of groove without music, to know its noise by."""


@dataclass(frozen=True)
class TurnAgain:
    """A stretch of a take that was heard ``period_s`` before: one turn of the disc, or several. ``turns``: how often that was
    heard again."""

    start_frame: int
    stop_frame: int
    period_s: float
    turns: int

    @property
    def is_one_turn(self) -> bool:
        """Whether the needle fell back a single turn of a speed of records."""
        return any(abs(self.period_s / turn_s - 1.0) < MOST_OFF for turn_s in TURN_PERIODS_S)


def groove_noise_of(features: Features, watch: TurnWatch, part: PlayedPart | None = None) -> Floats | None:
    """(2, bands): the noise of the groove in the cells of a comparison, of ``part`` or else of the longest.

    None where too little of it is heard alone."""
    part = part or _longest(features)
    if part is None or part.groove.quiet.sum() * features.table.hop_s < _LEAST_NOISE_S:
        return None
    bands_db = features.table.bands_db[part.first : part.last][part.groove.quiet]
    return cell_noise(bands_db[:, :, LOW_COUNT:], watch.piece, watch.work_rate_hz)


def needle_findings(again: Sequence[TurnAgain], cuts: Cuts, turn: Turn) -> list[Finding]:
    """What the person should know of them. ``turn``: what the survey knows of the player's."""
    turn_s = turn.period_s if turn.source != "none" else None
    found = []
    for each in again:
        side = next(
            (
                side
                for side in cuts.sides
                if side.needle_down_frame <= each.start_frame < side.needle_up_frame
            ),
            None,
        )
        to_the_end = (
            side is not None and side.needle_up_frame - each.stop_frame < each.period_s * cuts.rate_hz
        )
        facts: dict[str, Fact] = {
            "turns": each.turns,
            "period_s": each.period_s,
            "back_turns": turns_back(each, turn_s),
            "to_the_end": to_the_end,
        }
        found.append(
            Finding(
                kind="needle-stuck",
                start_frame=each.start_frame,
                stop_frame=each.stop_frame,
                severity="act",
                facts={"side": side.side, **facts} if side is not None else facts,
            )
        )
    return found


def turns_back(each: TurnAgain, turn_s: float | None) -> int:
    """How many turns of the disc the needle fell back; 0 where that is not sure. ``turn_s``: the player's, when it is known.

    When it is not, only long-playing records and singles are thought of: of the many speeds of shellac one nearly always fits.
    """
    if each.is_one_turn:
        return 1
    for one_s in (turn_s,) if turn_s is not None else (60.0 / LP_RPM, 60.0 / SINGLE_RPM):
        turns = round(each.period_s / one_s)
        if turns and abs(each.period_s / (turns * one_s) - 1.0) < _WHOLE:
            return turns
    return 0


def turns_again_in_music(features: Features, watch: TurnWatch) -> list[TurnAgain]:
    """All stretches of a whole take but those after the music, where a locked groove is meant to hold the needle."""
    usual = groove_noise_of(features, watch)
    if usual is None:
        return []
    again, ends = [], []
    for part in features.parts:
        # By its own noise: by that of a louder side in the same take, bars that are alike would be one groove.
        noise = groove_noise_of(features, watch, part)
        first, stop = features.frame(part.first), features.frame(part.last)
        again += [
            each
            for each in turns_again(watch, usual if noise is None else noise, features.rate_hz)
            if first <= each.start_frame < stop
        ]
        bounds = music_bounds(
            part.groove, features.table.hop_s, after_thump=part.play.saw_down, before_thump=part.play.saw_up
        )
        ends.append((features.frame(part.last), features.frame(part.first + bounds[1])))
    return [
        each
        for each in again
        if not any(
            music < each.start_frame + min(each.period_s, _LONGEST_TURN_S) * features.rate_hz
            and each.start_frame < last
            for last, music in ends
        )
    ]


def _longest(features: Features) -> PlayedPart | None:
    return max(features.parts, key=lambda part: part.last - part.first, default=None)


def turns_again(watch: TurnWatch, noise: Floats, rate_hz: int, *, since: int = 0) -> list[TurnAgain]:
    """All stretches of what was heard so far, in order; of the moments from number ``since`` on."""
    sure = {
        moment.number
        for moment in watch.moments
        if moment.number >= since and not moment.is_edge and _is_same_groove(moment, noise)
    }
    # beside one that is sure: part of it may go on from there
    near = [m for m in watch.moments if sure & {m.number - 1, m.number, m.number + 1}]
    found = []
    for group in _groups(near, _LONGEST_TURN_S * rate_hz):
        inner = [moment for moment in group if moment.number in sure]
        if not inner:
            continue
        sway_s = float(np.median([moment.cells.sway for moment in inner])) / watch.work_rate_hz
        start, stop = _extent(group, inner, watch)
        delays = np.array([moment.delay_frames for moment in inner])
        period_s = float(np.median(delays / np.round(delays / delays.min()))) / rate_hz
        length_s = (stop - start) / rate_hz
        if length_s > _LEAST_TURN * min(period_s, max(TURN_PERIODS_S)) and sway_s > _LEAST_SWAY_S:
            found.append(TurnAgain(start, stop, period_s, max(1, round(length_s / period_s))))
    return found


def _is_same_groove(moment: Moment, noise: Floats) -> bool:
    left, count = noise_left(moment.cells, noise)
    return count >= _LEAST_CELLS and left < _LEFT


def _groups(moments: Sequence[Moment], one_turn_frames: float) -> list[list[Moment]]:
    """Moments on end at one delay. One may be missing: a bang on the table, a pop; of several turns more, where loud music hides
    the groove: the same delay to a thousandth is no chance."""
    groups: list[list[Moment]] = []
    for moment in moments:
        last = groups[-1][-1] if groups else None
        if (
            last is not None
            and moment.number - last.number
            <= (2 if last.delay_frames < one_turn_frames else _MOST_MISSING + 1)
            and _is_whole(moment.delay_frames, last.delay_frames)
        ):
            groups[-1].append(moment)
        else:
            groups.append([moment])
    return groups


def _is_whole(one: float, other: float) -> bool:
    """Whether two delays are one, or one of them a multiple of the other: a turn that is heard for the third time was heard one
    turn before and two."""
    times = max(one, other) / min(one, other)
    return abs(times / round(times) - 1.0) < _SAME_TURN


def _extent(group: Sequence[Moment], sure: Sequence[Moment], watch: TurnWatch) -> tuple[int, int]:
    """From the first piece that is alike to the last: in the moments at the ends, as many as go on from what lies between."""
    usual = float(np.median([np.median(moment.cells.alike) for moment in sure]))
    before = _going_on(group[0].cells.alike[::-1] > 0.6 * usual)
    after = _going_on(group[-1].cells.alike > 0.6 * usual)
    start = (group[0].number + 1) * watch.moment_frames - before * watch.piece_frames
    stop = group[-1].number * watch.moment_frames + after * watch.piece_frames
    return start, stop


def _going_on(alike: NDArray[np.bool_]) -> int:
    """How many pieces from the first on are alike, most of them: the needle's knock or a pop spoils one in between."""
    return int(np.argmax(np.concatenate([[0], np.cumsum(np.where(alike, 1, -1))])))
