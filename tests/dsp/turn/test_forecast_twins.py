"""The table of scratches that are followed, against a plain list of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pytest

from sidekeep.dsp.turn.forecast import (
    COLUMNS,
    begin_track,
    follow,
    follow_events,
    half_width_s,
    list_due,
    log_odds,
)


@dataclass
class Scratch:
    """One followed scratch, in the columns' order."""

    last_s: float
    lag_s: float
    channel: int
    scatter_s: float
    hits: float
    misses: float
    overdue: float

    def row(self) -> list[float]:
        return [float(value) for value in vars(self).values()]

    def half_width_s(self, turns: int) -> float:
        narrow = max(0.00025, 3.0 * self.scatter_s, 0.0008 / max(1.0, self.hits - 1.0))
        return min(0.0012, narrow) * (1.0 + 0.35 * (turns - 1))

    def odds(self, turns: int) -> float:
        trust = (self.hits - 1.2) / (self.hits + self.misses + 0.3)
        share = float(np.clip(trust * math.exp(-0.25 * (self.overdue + turns - 1)), 0.02, 0.97))
        return math.log(share) - math.log1p(-share)


def plain_follow(scratches: list[Scratch], time_s: float, channel: int) -> tuple[list[Scratch], bool]:
    kept = []
    for one in scratches:
        turns_behind = math.floor((time_s - one.last_s) / one.lag_s - 0.02)
        if turns_behind > one.overdue:
            one.misses += turns_behind - one.overdue
            one.overdue = turns_behind
        if one.overdue <= min(6.0, one.hits):
            kept.append(one)
    fits = []
    for place, one in enumerate(kept):
        turns = round((time_s - one.last_s) / one.lag_s)
        off_s = abs(time_s - one.last_s - turns * one.lag_s)
        if turns >= 1 and one.channel & channel and off_s <= one.half_width_s(turns):
            fits.append((off_s, place, turns))
    if not fits:
        return kept, False
    off_s, place, turns = min(fits)
    one = kept[place]
    one.scatter_s += 0.2 * (off_s - one.scatter_s)
    one.lag_s += max(0.15, 1.0 / one.hits) * ((time_s - one.last_s) / turns - one.lag_s)
    one.misses -= min(one.misses, max(0.0, one.overdue - turns + 1))
    one.last_s, one.channel, one.overdue = time_s, channel, 0.0
    one.hits += 1.0
    return kept, True


def some_scratches(rng: np.random.Generator) -> list[Scratch]:
    return [
        Scratch(
            last_s=float(rng.uniform(0.0, 1.8)),
            lag_s=1.8 + float(rng.uniform(-1e-3, 1e-3)),
            channel=int(rng.integers(1, 4)),
            scatter_s=float(rng.exponential(1e-4)),
            hits=float(rng.integers(2, 12)),
            misses=float(rng.integers(0, 4)),
            overdue=0.0,
        )
        for _ in range(8)
    ]


@pytest.mark.parametrize("turns", [1, 2, 5])
def test_window_and_odds_of_a_track_are_their_formulas(turns: int) -> None:
    for one in some_scratches(np.random.default_rng(1)):
        track = np.array(one.row())
        assert half_width_s(track, turns) == pytest.approx(one.half_width_s(turns), rel=1e-12)
        assert log_odds(track, turns) == pytest.approx(one.odds(turns), rel=1e-12)


@pytest.mark.parametrize("seed", range(3))
def test_following_is_that_of_a_plain_list(seed: int) -> None:
    rng = np.random.default_rng(seed)
    plain = some_scratches(rng)
    tracks = np.zeros((8, COLUMNS))
    tracks[:] = [one.row() for one in plain]
    count, taken_ones, time_s = 8, 0, 1.8
    for _ in range(150):
        time_s += float(rng.exponential(0.2))
        if plain and rng.random() < 0.6:  # where one of them is due, a little off
            one = plain[int(rng.integers(len(plain)))]
            due_s = one.last_s + one.lag_s * max(1, math.ceil((time_s - one.last_s) / one.lag_s))
            time_s = max(time_s, due_s + float(rng.normal(0.0, 2e-4)))
        channel = int(rng.integers(1, 4))
        count, taken = follow(tracks, count, time_s, channel)
        plain, wanted = plain_follow(plain, time_s, channel)
        taken_ones += taken
        assert (count, taken) == (len(plain), wanted)
        np.testing.assert_allclose(tracks[:count], np.reshape([one.row() for one in plain], (-1, COLUMNS)))
    assert taken_ones > 5


def plain_begin(
    recent: list[tuple[float, int, bool]], time_s: float, channel: int, period_s: float
) -> Scratch | None:
    """The scratch that an event begins with the earliest free one a turn ago, or two turns ago."""
    for turns in (1, 2):
        near = turns * 4e-4 * period_s + 4e-4
        for old_s, old_channel, taken in sorted(recent):
            if abs(time_s - turns * period_s - old_s) <= near and old_channel & channel and not taken:
                return Scratch(time_s, (time_s - old_s) / turns, channel, 1.25e-4, 2.0, turns - 1.0, 0.0)
    return None


@pytest.mark.parametrize("seed", range(3))
def test_events_are_followed_as_by_plain_lists(seed: int) -> None:
    rng = np.random.default_rng(seed)
    period_s = 1.8
    phases = rng.uniform(0.0, period_s, 6)
    times = np.concatenate([turn * period_s + phases + rng.normal(0.0, 1e-4, 6) for turn in range(9)])
    times = np.concatenate([times, rng.uniform(0.0, 9 * period_s, 60)])
    # some come a little late, as from the chunk before
    times = times[np.argsort(times + rng.uniform(0.0, 0.02, len(times)))]
    events = np.stack([times, rng.integers(1, 4, len(times))], axis=1).astype(float)
    plain: list[Scratch] = []
    recent: list[tuple[float, int, bool]] = []
    for time_s, channel in [(float(one), int(wall)) for one, wall in events]:
        plain, taken = plain_follow(plain, time_s, channel)
        fresh = None if taken else plain_begin(recent, time_s, channel, period_s)
        plain += [fresh] if fresh else []
        recent.append((time_s, channel, taken))
    tracks, seen = np.empty((len(events), COLUMNS)), np.empty((len(events), 3))
    count = follow_events(events[:40], tracks, 0, seen, 0, period_s)
    count = follow_events(events[40:], tracks, count, seen, 40, period_s)
    assert count == len(plain) > 3
    np.testing.assert_allclose(tracks[:count], [one.row() for one in plain])
    assert [(a, int(b), bool(c)) for a, b, c in seen.tolist()] == sorted(recent)
    alone = np.empty((1, COLUMNS))
    assert begin_track(alone, 0, seen, len(seen), 99.0, 3, period_s) == 0

    due = np.empty((6 * count, 4))
    start_s, stop_s = 9 * period_s, 12 * period_s
    found = list_due(tracks[:count], start_s, stop_s, due)
    wanted = [
        [one.last_s + turns * one.lag_s, one.half_width_s(turns), one.odds(turns), float(one.channel)]
        for one in plain
        for turns in range(1, 7)
        if start_s <= one.last_s + turns * one.lag_s < stop_s
    ]
    assert found > 3
    np.testing.assert_allclose(due[:found], wanted)
