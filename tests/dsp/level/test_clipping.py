"""Clipping at the rail and of an earlier stage, against damage made here."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from sidekeep.dsp.level.clipping import ClippingMeter, LevelRuns, _fast_tops, clipped_frames
from sidekeep.dsp.level.flat_tops import judge_flat_tops

RATE_HZ = 44100
TOP = 1.0 - 2.0**-15


def metered(audio: NDArray[np.float64]) -> ClippingMeter:
    meter = ClippingMeter(RATE_HZ, audio.shape[1])
    meter.process(audio)
    meter.finish()
    return meter


@cache
def rough_music(length_s: float = 8.0) -> NDArray[np.float64]:
    """Two unlike channels of partials with swells and a little noise, peak 0.5."""
    rng = np.random.default_rng(5)
    time_s = np.arange(int(RATE_HZ * length_s)) / RATE_HZ
    audio = np.zeros((len(time_s), 2))
    for hz in rng.uniform(60.0, 3000.0, 24):
        swell = 0.6 + 0.4 * np.sin(2 * np.pi * rng.uniform(0.1, 1.5) * time_s + hz)
        voice = swell * np.sin(2 * np.pi * hz * time_s + hz) / (1.0 + hz / 500.0)
        audio += voice[:, None] * rng.uniform(0.2, 1.0, 2)
    return audio * (0.5 / np.abs(audio).max()) + rng.normal(0.0, 1e-4, audio.shape)


def plain_runs(line: NDArray[np.float64]) -> list[tuple[int, int]]:
    """The twin: runs of three or more equal samples at the rail."""
    edges = np.flatnonzero(np.diff(line)) + 1
    starts, stops = [0, *edges], [*edges, len(line)]
    return [(a, b) for a, b in zip(starts, stops) if b - a >= 3 and abs(line[a]) >= 0.98]


def test_runs_equal_the_plain_twin(rng: np.random.Generator) -> None:
    audio = np.round(rng.normal(0.0, 0.7, (30000, 2)).clip(-1.0, TOP) * 2**15) / 2**15
    audio[4400:4420, 0] = TOP
    audio[29990:, 1] = -1.0
    meter = metered(audio)
    for channel in range(2):
        mine = meter.runs.chosen(meter.runs.channel == channel)
        order = np.argsort(mine.start_frame)
        found = list(zip(mine.start_frame[order].tolist(), mine.stop_frame[order].tolist()))
        assert found == plain_runs(audio[:, channel])


def plain_tops(line: NDArray[np.float64], before: int, count: int) -> list[tuple[float, ...]]:
    """The twin: from every corner into a stretch without curvature, how far the sound falls away outside its ends."""
    found = []
    for sign in (1.0, -1.0):
        upright = sign * line
        top = upright[before : before + count].max()
        bend, flat = np.abs(np.diff(line, 2)), 0.0015 * top
        n = before
        while n < before + count:
            if upright[n] < 0.6 * top or bend[n] > flat:
                n += 1
                continue
            stop = n + 3
            while stop < len(line) - 3 and bend[stop - 2] <= flat:
                stop += 1
            rise = (upright[stop - 1] - upright[n]) / (stop - n - 1)
            fall_in = upright[n] - 2.0 * rise - upright[n - 2]
            fall_out = upright[stop - 1] + 2.0 * rise - upright[stop + 1]
            is_whole = stop - n >= 4 and stop < len(line) - 3
            if is_whole and min(fall_in, fall_out) > max(16.0 * flat, 4.0 * abs(rise)):
                middle = 0.5 * (line[n] + line[stop - 1])
                found.append((1.0, n - before, stop - before, middle, sign * rise))
            n = stop
    return found


@pytest.mark.parametrize("high_pass", [False, True])
def test_tops_equal_the_plain_twin(high_pass: bool) -> None:
    line = rough_music(1.0)[:6000, 0].clip(-0.2, 0.17) + 0.0
    if high_pass:  # tops with a slope
        line = lfilter([1.0, -1.0], [1.0, -0.995], line)
    window = line[4:5000]
    found = np.empty((500, 5))
    many = _fast_tops(line, 4, 4996, max(window.max(), 0.0), min(window.min(), 0.0), 0.01, found, 0, 1)
    wanted = plain_tops(line, 4, 4996)
    assert many == len(wanted) > 20
    np.testing.assert_allclose(found[:many], wanted, rtol=1e-9, atol=1e-12)


def test_two_equal_samples_are_no_clipping() -> None:
    audio = np.zeros((1000, 1))
    audio[100:102] = TOP
    audio[200:203] = -1.0
    audio[300:400] = 0.9
    runs = metered(audio).runs
    assert (runs.start_frame.tolist(), runs.stop_frame.tolist(), runs.level.tolist()) == (
        [200],
        [203],
        [-1.0],
    )


def test_frames_clipped_in_both_channels_count_once() -> None:
    spans = LevelRuns(
        start_frame=np.array([10, 12, 30]),
        stop_frame=np.array([20, 15, 33]),
        channel=np.array([0, 1, 1]),
        level=np.array([1.0, 1.0, -1.0]),
    )
    assert clipped_frames(spans) == 13
    assert clipped_frames(spans.chosen(np.zeros(3, bool))) == 0


def judged(audio: NDArray[np.float64]) -> set[int]:
    tops = judge_flat_tops(metered(audio).tops, audio.max(axis=0), audio.min(axis=0))
    return {top.channel for top in tops}


def test_undamaged_music_is_left_alone() -> None:
    assert judged(rough_music()) == set()


@pytest.mark.parametrize("limit", [0.2, 0.3])
def test_a_stage_that_ran_out_is_found_in_its_channel(limit: float, rng: np.random.Generator) -> None:
    audio = rough_music().copy()
    audio[:, 1] = audio[:, 1].clip(-limit, 0.9 * limit) + rng.normal(0.0, 1e-5, len(audio))
    assert judged(audio) == {1}
    levels = judge_flat_tops(metered(audio).tops, audio.max(axis=0), audio.min(axis=0))
    for top in levels:
        expected = 0.9 * limit if top.level > 0 else -limit
        assert top.level == pytest.approx(expected, rel=0.02)
        assert not top.is_sloped


def test_sloped_tops_after_a_coupling_capacitor(rng: np.random.Generator) -> None:
    from scipy.signal import butter, sosfilt

    clipped = rough_music().clip(-0.2, 0.2)
    high_passed = sosfilt(butter(1, 20.0, "high", fs=RATE_HZ, output="sos"), clipped, axis=0)
    assert judged(np.asarray(high_passed) + rng.normal(0.0, 1e-5, clipped.shape)) == {0, 1}


def test_slow_rounded_tops_are_no_clipping() -> None:
    """A 30 Hz organ tone stays within 0.1 % of its top for 20 frames: natural, no corners."""
    tone = 0.5 * np.sin(2 * np.pi * 30.0 * np.arange(5 * RATE_HZ) / RATE_HZ)
    assert len(metered(tone[:, None]).tops) == 0


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_tops_are_found_at_every_place(sign: float) -> None:
    """Stretches far below the top are passed over eight frames at a time: no top may be lost by that."""
    sound = sign * np.clip(rough_music(1.0)[:4000] * 2.0, -0.3, 0.3)
    found = []
    for shift in range(9):
        meter = metered(np.concatenate((np.zeros((shift, 2)), sound)))
        tops = meter.tops
        found.append((tops.start_frame - shift, tops.stop_frame - shift, tops.channel, tops.level))
    assert len(found[0][0]) > 3
    for other in found[1:]:
        for mine, theirs in zip(found[0], other):
            np.testing.assert_array_equal(mine, theirs)
