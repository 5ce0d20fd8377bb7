"""Reading between samples, the curve of times, the smooth curve and the best path: each beside its plain twin."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sidekeep.dsp.alignment.fine import Refiner, best_path, near_delays, shared_part, smooth_curve
from sidekeep.dsp.alignment.onsets import OnsetFeatures
from sidekeep.dsp.alignment.pitch import PitchProfile
from sidekeep.dsp.alignment.rough import Told, rough_line
from sidekeep.dsp.alignment.sinc import HALF_TAPS, read_at, sinc_table
from sidekeep.dsp.alignment.time_map import TimeMap


def plain_read(audio: np.ndarray, positions: np.ndarray) -> np.ndarray:
    """``read_at`` tap by tap."""
    table, out = sinc_table(), np.zeros((len(positions), audio.shape[1]))
    for n, position in enumerate(positions):
        whole = int(np.floor(position))
        scaled = (position - whole) * (len(table) - 1)
        row = min(int(scaled), len(table) - 2)
        taps = table[row] + (scaled - row) * (table[row + 1] - table[row])
        for k, tap in enumerate(taps):
            frame = whole - HALF_TAPS + 1 + k
            if 0 <= frame < len(audio):
                out[n] += tap * audio[frame]
    return out


@settings(deadline=None, max_examples=25)
@given(st.lists(st.floats(-40.0, 140.0), max_size=12), st.integers(1, 2))
def test_reading_is_its_plain_twin(places: list[float], channels: int) -> None:
    audio = np.random.default_rng(1).standard_normal((100, channels))
    np.testing.assert_allclose(
        read_at(audio, np.array(places)), plain_read(audio, np.array(places)), atol=1e-12
    )


def test_a_tone_is_read_between_its_samples() -> None:
    """Against the sine itself, to 0.8 of half the rate."""
    frames = np.arange(4000.0)
    for share in (0.01, 0.3, 0.8):
        tone = np.sin(np.pi * share * frames)[:, None]
        at = np.random.default_rng(2).uniform(100.0, 3900.0, 500)
        assert np.abs(read_at(tone, at)[:, 0] - np.sin(np.pi * share * at)).max() < 1e-4


@pytest.fixture
def curve() -> TimeMap:
    steps = 0.005 + 1e-5 * np.random.default_rng(3).standard_normal(60)
    return TimeMap(start_s=1.0, step_s=0.005, new_s=2.0 + np.cumsum(steps), sd_s=np.zeros(60))


def test_the_dense_curve_is_the_curve(curve: TimeMap) -> None:
    at_s = 1.0 + np.arange(60 * 7) / 7 * 0.005
    inside = at_s <= curve.stop_s
    np.testing.assert_allclose(curve.dense(7)[inside], curve.at(at_s)[inside], atol=1e-12)


def test_the_curve_goes_through_its_knots_and_back(curve: TimeMap) -> None:
    knots = 1.0 + 0.005 * np.arange(60)
    np.testing.assert_allclose(curve.at(knots), curve.new_s, atol=1e-12)
    at_s = np.array([0.2, 1.0, 1.1234, 1.29, 2.0])
    np.testing.assert_allclose(curve.back(curve.at(at_s)), at_s, atol=2e-6)


@settings(deadline=None, max_examples=25)
@given(st.integers(3, 40), st.floats(0.1, 1e4))
def test_the_smooth_curve_solves_its_equations(count: int, stiffness: float) -> None:
    rng = np.random.default_rng(count)
    top, bottom = rng.standard_normal(count), rng.uniform(0.0, 2.0, count)
    second = np.diff(np.eye(count), 2, axis=0)
    matrix = np.diag(bottom + 1.0 + 1e-12 * stiffness) + stiffness * second.T @ second
    curve, variance = smooth_curve(top, bottom, stiffness)
    np.testing.assert_allclose(curve, np.linalg.solve(matrix, top), rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(variance, np.diag(np.linalg.inv(matrix)), rtol=1e-5)


@settings(deadline=None, max_examples=25)
@given(st.integers(1, 5), st.integers(2, 5), st.integers(1, 2), st.integers(0, 1000))
def test_the_best_path_is_the_best_of_all_paths(rows: int, columns: int, step: int, seed: int) -> None:
    score = np.random.default_rng(seed).uniform(size=(rows, columns))
    paths = [
        path
        for path in itertools.product(range(columns), repeat=rows)
        if all(abs(a - b) <= step for a, b in itertools.pairwise(path))
    ]
    best = max(sum(score[row, place] for row, place in enumerate(path)) for path in paths)
    found = best_path(score, step)
    assert sum(score[row, place] for row, place in enumerate(found)) == pytest.approx(best)
    assert np.all(np.abs(np.diff(found)) <= step)


def test_near_delays_find_a_delay_and_the_sign() -> None:
    rng = np.random.default_rng(4)
    sound = np.convolve(rng.standard_normal(6000 * 8), np.hanning(9), "same")
    delays, clear, sign = near_delays(sound[60:-60], -sound[:-120], 6000, 0.02)
    assert sign == -1.0
    np.testing.assert_allclose(delays, 60 / 6000, atol=2e-4)
    assert clear.min() > 0.8


def test_refining_finds_a_small_part_of_a_frame() -> None:
    """Noise 40 dB under the music, 0.4 frame of delay at 24 kHz."""
    rng = np.random.default_rng(5)
    music = np.convolve(rng.standard_normal(24_000 * 4), np.hanning(12), "same")[:, None]
    frames = np.arange(len(music) - 200.0) + 100.0
    old = read_at(music, frames + 0.4) + 0.01 * music.std() * rng.standard_normal((len(frames), 1))
    new = read_at(music, frames) + 0.01 * music.std() * rng.standard_normal((len(frames), 1))
    found = Refiner(old, 24_000).refine(new, highest_hz=8000.0)
    middle = found.delay_s[50:-50] * 24_000
    assert abs(float(np.median(middle)) - 0.4) < 0.004
    assert float(np.median(found.sd_s)) * 24_000 < 0.1


def test_coherence_of_what_is_shared_and_what_is_not() -> None:
    rng = np.random.default_rng(6)
    one, other = rng.standard_normal((2, 200_000))
    assert shared_part(one, one)[0].min() > 0.999
    assert np.median(shared_part(one, other)[0]) < 0.01
    # equal parts of shared and own: coherence a quarter (Bendat & Piersol, Random Data, 4th ed. 2010, chapter 6)
    own = rng.standard_normal((2, 200_000))
    assert np.median(shared_part(one + own[0], one + own[1])[0]) == pytest.approx(0.25, abs=0.03)


def onsets(audio: np.ndarray, rate_hz: int, sizes: list[int]) -> np.ndarray:
    features, at, k = OnsetFeatures(rate_hz), 0, 0
    while at < len(audio):
        features.process(audio[at : at + sizes[k % len(sizes)]])
        at, k = at + sizes[k % len(sizes)], k + 1
    return features.finish()


@settings(deadline=None, max_examples=25)
@given(st.lists(st.integers(1, 5000), min_size=1, max_size=4))
def test_onsets_in_any_blocks_are_those_of_the_whole(sizes: list[int]) -> None:
    audio = np.random.default_rng(7).standard_normal(9000)
    # the matrix product adds up a different number of rows at once, so the last bits differ
    np.testing.assert_allclose(onsets(audio, 8000, sizes), onsets(audio, 8000, [9000]), atol=1e-9)


def test_two_unrelated_recordings_are_no_pair() -> None:
    rng = np.random.default_rng(8)

    def beats(seed: int) -> Told:
        beat = np.random.default_rng(seed)
        at = np.cumsum(beat.uniform(0.15, 0.5, 400))
        out = 0.01 * rng.standard_normal(8000 * 90)
        for time_s in at[at < 89.5]:
            out[int(time_s * 8000) : int(time_s * 8000) + 400] += np.hanning(400) * beat.standard_normal(400)
        notes = PitchProfile(8000)
        notes.process(out[:, np.newaxis])
        return Told(onsets=onsets(out, 8000, [65536]), notes=notes.finish())

    assert not rough_line(beats(1), beats(2)).is_same
    assert rough_line(beats(1), beats(1)).is_same
