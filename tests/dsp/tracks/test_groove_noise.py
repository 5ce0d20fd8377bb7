"""Needle, groove noise and gaps on tables made of numbers: nothing may depend on the level of the take."""

from __future__ import annotations

import tracemalloc
from functools import cache

import numpy as np
import pytest

from sidekeep.dsp.tracks.boundaries import gap_places, novelty, segue_places
from sidekeep.dsp.tracks.features import BAND_COUNT, FeatureTable
from sidekeep.dsp.tracks.groove_noise import measure_groove
from sidekeep.dsp.tracks.locked_groove import find_locked_groove
from sidekeep.dsp.tracks.music_ends import music_bounds
from sidekeep.dsp.tracks.needle import find_plays, running_median, runs

HOP_S = 0.02322


@cache
def bands(level_db: float = -60.0, inward_db: float = 3.0) -> np.ndarray:
    """Noise that gets louder inward and breathes; music at 20-60 s and 63-110 s; 120 s in all."""
    rng = np.random.default_rng(5)
    count = round(120.0 / HOP_S)
    time_s = np.arange(count) * HOP_S
    noise = rng.normal(0.0, 1.2, (count, 2, BAND_COUNT)) + np.linspace(0.0, -12.0, BAND_COUNT)
    noise += (inward_db * time_s / 120.0 + np.cos(2 * np.pi * time_s / 1.8))[:, None, None]
    music = rng.normal(0.0, 4.0, (count, 2, BAND_COUNT)) + np.linspace(30.0, 5.0, BAND_COUNT)
    playing = ((time_s > 20.0) & (time_s < 60.0)) | ((time_s > 63.0) & (time_s < 110.0))
    out = np.where(playing[:, None, None], np.logaddexp(noise / 4.34, music / 4.34) * 4.34, noise)
    return (out + level_db).astype(np.float32)


def quiet_spans(table: np.ndarray) -> list[tuple[float, float]]:
    groove = measure_groove(table, np.full(len(table), 4.0, np.float32), HOP_S)
    return [(a * HOP_S, b * HOP_S) for a, b in runs(groove.quiet)]


@pytest.mark.parametrize("level_db", [-95.0, -60.0, -35.0])
def test_the_floor_follows_the_radius_at_any_level(level_db: float) -> None:
    spans = quiet_spans(bands(level_db, 4.0))
    wanted = [(0.0, 20.0), (60.0, 63.0), (110.0, 120.0)]
    assert len(spans) == 3
    np.testing.assert_allclose(spans, wanted, atol=0.15)


def test_a_crackling_patch_is_not_music() -> None:
    table = bands().copy()
    patch = slice(round(114.0 / HOP_S), round(115.0 / HOP_S))
    table[patch] += np.concatenate([np.zeros(9), np.linspace(0.0, 4.0, 9)]).astype(np.float32)
    assert len(quiet_spans(table)) == 3


def test_a_faint_tone_in_the_gap_is_music() -> None:
    table = bands().copy()
    place = slice(round(60.0 / HOP_S), round(63.0 / HOP_S))
    table[place, 0, 6:8] += 12.0
    assert len(quiet_spans(table)) == 2


def test_gaps_and_bounds() -> None:
    groove = measure_groove(bands(), np.full(len(bands()), 4.0, np.float32), HOP_S)
    start, stop = music_bounds(groove, HOP_S)
    assert (start * HOP_S, stop * HOP_S) == (pytest.approx(20.0, abs=0.15), pytest.approx(110.0, abs=0.15))
    chroma = np.full((len(bands()), 12), 1 / 12, np.float32)
    inner = [
        place for place in gap_places(groove, chroma, HOP_S) if start < place.stop and place.start < stop
    ]
    assert len(inner) == 1
    assert inner[0].log_odds > 1.0


def test_novelty_peaks_where_the_sound_changes() -> None:
    rng = np.random.default_rng(6)
    count = 4000
    table = rng.normal(-40.0, 3.0, (count, 2, BAND_COUNT)).astype(np.float32)
    table[2500:, :, 4:9] += 6.0
    chroma = np.abs(rng.normal(1 / 12, 0.02, (count, 12))).astype(np.float32)
    strength, step = novelty(table, chroma, HOP_S)
    assert abs(int(strength.argmax()) * step - 2500) * HOP_S < 0.5
    places = segue_places(strength, step, HOP_S)
    best = max(places, key=lambda place: place.log_odds)
    assert abs(best.start - 2500) * HOP_S < 0.5
    starts = np.array([place.start for place in places])
    assert np.diff(starts).min() * HOP_S > 1.4


def needle_table(levels_db: list[tuple[float, float]], thumps_s: list[float]) -> FeatureTable:
    """(seconds, dB of the high bands) one after the other, with thumps in the power."""
    rng = np.random.default_rng(7)
    level = np.concatenate([np.full(round(s / HOP_S), db) for s, db in levels_db])
    count = len(level)
    table = (level[:, None, None] + rng.normal(0.0, 0.8, (count, 2, BAND_COUNT))).astype(np.float32)
    power = 10 ** (level / 10)[:, None] * np.ones((1, 2))
    for time_s in thumps_s:
        power[round(time_s / HOP_S)] += 1e-2
    return FeatureTable(
        rate_hz=44100, hop_frames=1024, length_frames=count * 1024, bands_db=table,
        impulse=np.ones(count, np.float32), peak=np.zeros((count, 2, 2), np.float32),
        power=power.astype(np.float32), chroma=np.zeros((count, 12), np.float32),
    )  # fmt: skip


@pytest.mark.parametrize("shift_db", [-20.0, 0.0, 25.0])
def test_needle_down_and_up(shift_db: float) -> None:
    parts = [(3.0, -95.0), (4.0, -70.0), (30.0, -30.0), (5.0, -70.0), (3.0, -95.0)]
    table = needle_table([(s, db + shift_db) for s, db in parts], [3.0, 42.0])
    (play,) = find_plays(table)
    assert (play.saw_down, play.saw_up) == (True, True)
    assert play.down * HOP_S == pytest.approx(3.0, abs=0.06)
    assert play.up * HOP_S == pytest.approx(42.0, abs=0.1)


def test_no_idle_is_one_play_with_open_ends() -> None:
    (play,) = find_plays(needle_table([(4.0, -70.0), (30.0, -30.0), (3.0, -70.0), (30.0, -30.0)], []))
    assert (play.down, play.saw_down, play.saw_up) == (0, False, False)


def test_idle_at_two_levels_and_silence_between_two_sides() -> None:
    one = [(3.0, -95.0), (4.0, -70.0), (30.0, -30.0), (5.0, -70.0), (3.0, -88.0)]
    plays = find_plays(needle_table([*one, (10.0, -150.0), *one], [3.0, 42.0, 58.0, 97.0]))
    assert len(plays) == 2
    assert [play.saw_down and play.saw_up for play in plays] == [True, True]


def test_locked_groove_needs_its_period() -> None:
    table = needle_table([(30.0, -70.0)], [])
    rng = np.random.default_rng(8)
    for times, found in (
        (np.arange(1.0, 29.0, 1.8), 1.8),
        (np.arange(1.0, 29.0, 4 / 3), 4 / 3),
        (np.sort(rng.uniform(0.0, 30.0, 16)), None),
    ):
        impulse = np.full(len(table.impulse), 4.0, np.float32) + rng.random(len(table.impulse)).astype(
            np.float32
        )
        impulse[(times / HOP_S).astype(int)] = 60.0
        table.impulse[:] = impulse
        locked = find_locked_groove(table, 0, len(impulse))
        assert (locked.period_s if locked else None) == (pytest.approx(found, rel=0.02) if found else None)


def test_running_median_and_runs() -> None:
    x = np.array([1.0, 9.0, 2.0, 3.0, 8.0])
    np.testing.assert_array_equal(running_median(x, 3), [1.0, 2.0, 3.0, 3.0, 8.0])
    np.testing.assert_array_equal(
        running_median(np.stack([x, -x], axis=1), 3)[:, 1], [-1.0, -2.0, -3.0, -3.0, -8.0]
    )
    assert runs(np.array([True, False, True, True])) == [(0, 1), (2, 4)]


def most_held_bytes(minutes: int) -> tuple[int, int]:
    """What is held at most while the groove of so long a part is measured, and the size of its levels."""
    rng = np.random.default_rng(1)
    hops = round(minutes * 60 / HOP_S)
    bands_db = (-60.0 + rng.normal(0.0, 1.0, (hops, 2, BAND_COUNT))).astype(np.float32)
    bands_db[np.arange(hops) % 8000 > 300] += np.float32(25.0)
    impulse = np.full(hops, 4.5, np.float32)
    tracemalloc.start()
    measure_groove(bands_db, impulse, HOP_S)
    _, most = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return most, bands_db.nbytes


def test_an_hour_holds_little_more_than_its_levels() -> None:
    """Every further minute costs about what its levels take, not several tables of them."""
    (one, one_levels), (other, other_levels) = most_held_bytes(6), most_held_bytes(12)
    assert other - one < 2.0 * (other_levels - one_levels)
