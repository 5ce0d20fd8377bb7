"""The turn of the player from returning events, from sway, and as a running forecast."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.turn.chains import find_recurrence, link_chains, thin
from sidekeep.dsp.turn.period import (
    TurnEstimate,
    TurnForecast,
    agree_on_turn,
    estimate_turn,
    estimate_turn_from_sway,
)
from sidekeep.errors import ParameterError

Floats = NDArray[np.float64]
OUTER_MM, INNER_MM = 146.3, 60.0


def scratched_side(
    rng: np.random.Generator,
    *,
    period_s: float,
    duration_s: float,
    scratches: int,
    turns: tuple[int, int] = (40, 120),
    dust_per_s: float = 0.5,
    jitter_s: float = 1e-4,
    locked_turns: int = 0,
    is_straight: bool = False,
) -> tuple[Floats, Floats]:
    """Event times and sizes: scratches tilted up to 60 degrees, one click in ten missing, and dust."""
    whole = int(duration_s / period_s)
    pitch_mm = min(0.3, (OUTER_MM - INNER_MM) / whole)
    times: list[float] = []
    sizes: list[float] = []
    for _ in range(scratches):
        count = min(int(rng.integers(*turns)), whole - 4)
        first = int(rng.integers(1, whole - count))
        tilt = np.tan(np.radians(rng.uniform(-60.0, 60.0)))
        start_mm = OUTER_MM - pitch_mm * first
        radius_mm = start_mm - pitch_mm * np.arange(count)
        angle = tilt * np.log(start_mm / radius_mm) / (2.0 * np.pi)
        if is_straight:
            sine = tilt / np.hypot(1.0, tilt)
            angle = (np.arcsin(sine * start_mm / radius_mm) - np.arcsin(sine)) / (2.0 * np.pi)
        kept = rng.random(count) > 0.1
        at = (first + np.arange(count) + rng.random() + angle)[kept] * period_s
        times.extend(at + jitter_s * rng.standard_normal(len(at)))
        sizes.extend(np.exp(1.5 + 0.2 * rng.standard_normal(len(at))))
    dust = int(rng.poisson(dust_per_s * duration_s))
    times.extend(rng.uniform(0.0, duration_s, dust))
    sizes.extend(np.exp(rng.standard_normal(dust)))
    for turn in range(locked_turns):
        times.append(duration_s + (turn + 1.37) * period_s + 0.3 * jitter_s * rng.standard_normal())
        sizes.append(4.0)
    return np.array(times), np.array(sizes)


def ppm(estimate: TurnEstimate, period_s: float) -> float:
    return 1e6 * (estimate.period_s / period_s - 1.0)


@pytest.mark.parametrize("is_straight", [False, True])
def test_long_scratches_give_the_period_within_tens_of_ppm(is_straight: bool) -> None:
    """Tilt alone would put single scratches 150 ppm off (standard deviation); the goal is 20 ppm."""
    errors, ratios = [], []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        period_s = [1.8, 4.0 / 3.0, 0.77, 46.0 / 60.0][seed % 4] * (1.0 + 0.003 * rng.standard_normal())
        times, sizes = scratched_side(
            rng, period_s=period_s, duration_s=1200.0, scratches=4, is_straight=is_straight
        )
        found = estimate_turn(times, sizes, duration_s=1200.0)
        assert found.source == "clicks"
        assert found.confidence > 0.999
        assert found.rpm == pytest.approx(60.0 / found.period_s)
        errors.append(abs(ppm(found, period_s)))
        ratios.append(ppm(found, period_s) / found.sd_ppm)
    assert np.median(errors) < 30.0
    assert max(errors) < 150.0
    assert 0.2 < np.sqrt(np.mean(np.square(ratios))) < 2.5


@pytest.mark.parametrize("rpm", [71.29, 76.59, 78.26, 80.0])
def test_the_speeds_of_shellac_are_found(rpm: float) -> None:
    """Those of ID3v2.4 (frames, 4.2.3, TMED), on a player that is 0.4 % slow; a side of four minutes."""
    period_s = 1.004 * 60.0 / rpm
    times, sizes = scratched_side(np.random.default_rng(7), period_s=period_s, duration_s=240.0, scratches=3)
    found = estimate_turn(times, sizes, duration_s=240.0)
    assert found.source == "clicks"
    assert abs(ppm(found, period_s)) < 300.0


def test_locked_groove_has_no_tilt() -> None:
    errors = []
    for seed in range(6):
        rng = np.random.default_rng(100 + seed)
        times, sizes = scratched_side(
            rng, period_s=1.803, duration_s=600.0, scratches=2, turns=(10, 30), locked_turns=6
        )
        found = estimate_turn(times, sizes, duration_s=612.0, locked_groove_s=(600.0, 612.0))
        assert any(chain.is_locked for chain in found.chains)
        errors.append(abs(ppm(found, 1.803)))
    assert np.median(errors) < 20.0


def test_channel_masks_keep_walls_apart() -> None:
    times = np.concatenate((np.arange(20) * 1.8, np.arange(20) * 1.8 + 0.7))
    walls = np.repeat([1, 2], 20)
    found = estimate_turn(times, duration_s=40.0, channels=walls)
    assert found.source == "clicks"
    assert len(found.chains) == 2


def test_chance_does_not_turn() -> None:
    for seed in range(30):
        rng = np.random.default_rng(seed)
        times = rng.uniform(0.0, 300.0, int(rng.integers(5, 2500)))
        assert estimate_turn(times, rng.random(len(times)), duration_s=300.0).source == "none"


@pytest.mark.parametrize("bpm", [90.0, 100.0, 120.0, 128.0, 133.333, 160.0])
def test_a_drum_track_does_not_turn(bpm: float) -> None:
    """Eighths of 133 bpm recur at 1.8 s exactly; so do they at every other beat."""
    rng = np.random.default_rng(int(bpm))
    step_s = 30.0 / bpm
    beats = np.arange(int(180.0 / step_s)) * step_s
    for pattern in ((1, 0, 1, 0, 1, 0, 1, 0), (1, 1, 1, 1, 1, 1, 1, 1), (1, 0, 0, 1, 0, 0, 1, 0)):
        struck = beats[np.array(pattern)[np.arange(len(beats)) % 8] == 1]
        struck = struck[rng.random(len(struck)) < 0.9] + 0.0005 * rng.standard_normal(1)
        times = np.concatenate((struck, rng.uniform(0.0, 180.0, 40)))
        assert estimate_turn(times, duration_s=180.0).source == "none"


def test_scratches_are_found_beside_a_drum_track() -> None:
    rng = np.random.default_rng(3)
    times, sizes = scratched_side(rng, period_s=1.8021, duration_s=240.0, scratches=3, turns=(40, 80))
    beats = np.arange(0.0, 240.0, 0.5)
    found = estimate_turn(
        np.concatenate((times, beats)), np.concatenate((sizes, np.full(len(beats), 2.0))), duration_s=240.0
    )
    assert found.source == "clicks"
    assert abs(ppm(found, 1.8021)) < 600.0


def test_few_or_bad_events() -> None:
    assert estimate_turn([], duration_s=10.0) == TurnEstimate()
    assert estimate_turn([1.0, 2.8, 4.6], duration_s=10.0).source == "none"
    with pytest.raises(ParameterError, match="finite"):
        estimate_turn([1.0, np.nan], duration_s=10.0)
    with pytest.raises(ParameterError, match="one length"):
        estimate_turn([1.0, 2.0], [1.0], duration_s=10.0)


def test_thin_keeps_the_loud_and_the_spread() -> None:
    times = np.array([0.0, 0.001, 0.5, 1.0, 1.5])
    kept = thin(times, np.array([1.0, 5.0, 2.0, 3.0, 1.0]), 0.003, 0.3, 10.0)
    assert list(kept) == [1, 2, 3]


def test_chains_bridge_missing_turns() -> None:
    times = np.delete(np.arange(12) * 1.8, [4, 7, 8])
    chains = link_chains(times, np.ones(9), np.full(9, 3), 1.8, reach_s=0.002)
    assert len(chains) == 1
    assert list(chains[0].turns) == [0, 1, 2, 3, 5, 6, 9, 10, 11]


def test_recurrence_needs_more_far_from_nominal() -> None:
    rng = np.random.default_rng(4)
    dust = rng.uniform(0.0, 60.0, 40)
    for lag_s, is_found in ((1.8, True), (1.9, False)):
        times = np.sort(np.concatenate((np.arange(8) * lag_s + 5.0, dust)))
        found = find_recurrence(times, np.ones(48), np.full(48, 3), 60.0)
        assert (found is not None) == is_found


def swaying(seed: int, period_s: float, length_s: float, size: float, rate_hz: float = 100.0) -> Floats:
    """Arm noise round 12 Hz, a bass line, and a vertical pattern once per turn."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(length_s * rate_hz)) / rate_hz
    spectrum = np.fft.rfft(rng.standard_normal((2, len(t))), axis=1)
    f = np.fft.rfftfreq(len(t), 1.0 / rate_hz)
    noise = np.fft.irfft(spectrum * (f / 12.0) / (1.0 + (f / 12.0) ** 4), len(t), axis=1)
    angle = 2.0 * np.pi * t / period_s
    pattern = size * (np.cos(angle + 1.0) + 0.5 * np.cos(2.0 * angle) + 0.3 * np.cos(3.0 * angle + 2.0))
    bass = 0.5 * np.sign(np.sin(2.0 * np.pi * 1.0 * t)) * np.sin(2.0 * np.pi * 41.2 * t)
    return np.stack((noise[0] + bass + pattern, noise[1] + bass - pattern), axis=1)


def test_sway_finds_the_turn() -> None:
    ratios = []
    for seed in range(5):
        period_s = [1.8, 4.0 / 3.0, 0.77, 46.0 / 60.0, 1.8][seed] * (1.002 - 0.001 * seed)
        found = estimate_turn_from_sway(swaying(seed, period_s, 300.0, 0.05), 100.0)
        assert found.source == "sway"
        assert abs(ppm(found, period_s)) < 250.0
        ratios.append(ppm(found, period_s) / found.sd_ppm)
    assert np.sqrt(np.mean(np.square(ratios))) < 2.5


@pytest.mark.parametrize("rpm", [33.0, 33.8, 45.0, 78.26])
@pytest.mark.parametrize("noise", [0.0, 1e-6, 1e-4, 0.01])
def test_a_sway_however_pure_is_told_to_its_top(rpm: float, noise: float) -> None:
    """All round a line far over its noise the search sees the same; once a turn several percent off was called sure."""
    period_s = 60.0 / rpm
    t = np.arange(20_000) / 100.0
    series = np.sin(2.0 * np.pi * t / period_s) + noise * np.random.default_rng(3).standard_normal(len(t))
    found = estimate_turn_from_sway(series, 100.0)
    assert found.source == "sway"
    assert abs(ppm(found, period_s)) < 3.0 * found.sd_ppm < 300.0


@pytest.mark.parametrize("noise", [1e-3, 0.1, 1.0])
def test_of_two_turns_as_likely_neither_is_told(noise: float) -> None:
    """Two lines of one strength, 1 and 1.5 % from 33 1/3 rpm: one of them may be the room's, or a fan's."""
    t = np.arange(30_000) / 100.0
    series = np.sin(2.0 * np.pi * t / 1.818) + np.sin(2.0 * np.pi * t / 1.773 + 1.0)
    series += noise * np.random.default_rng(4).standard_normal(len(t))
    assert estimate_turn_from_sway(series, 100.0).source == "none"
    series -= 0.95 * np.sin(2.0 * np.pi * t / 1.773 + 1.0)
    found = estimate_turn_from_sway(series, 100.0)
    assert abs(ppm(found, 1.818)) < 1000.0


def _bound_ppm(power: Floats, rate_hz: float, turn_hz: float, drift_ppm: float) -> float:
    """Least standard deviation of a line's frequency in white noise of such ``power`` a sample, its phase unknown and what it
    gains over the series known to ``drift_ppm``: by Fisher's information (Rife & Boorstyn, IEEE Trans. Information Theory 20(5),
    1974; with unequal noise as for any Gaussian)."""
    t = (np.arange(len(power)) - 0.5 * len(power)) / rate_hz
    slopes = 2.0 * np.pi * np.stack((t, t**2 / 2.0, np.full(len(t), 1.0 / (2.0 * np.pi))))
    information = (slopes * (0.5 / power)) @ slopes.T
    information[1, 1] += 1.0 / (1e-6 * drift_ppm * turn_hz * rate_hz / len(t)) ** 2
    return 1e6 * float(np.sqrt(np.linalg.inv(information)[0, 0])) / turn_hz


def test_what_is_quiet_tells_the_sway() -> None:
    """Five minutes, all but the first and the last a hundred times as loud down there: told nearly as well as it can be."""
    rate_hz, period_s = 25.0, 1.8027
    t = np.arange(int(300.0 * rate_hz)) / rate_hz
    power = np.where(np.abs(t - 150.0) > 90.0, 0.1, 10.0)
    errors, claimed = [], []
    for seed in range(12):
        noise = np.sqrt(power) * np.random.default_rng(seed).standard_normal(len(t))
        found = estimate_turn_from_sway(np.cos(2.0 * np.pi * t / period_s + seed) + noise, rate_hz)
        errors.append(ppm(found, period_s))
        claimed.append(found.sd_ppm)
    bound = _bound_ppm(power, rate_hz, 1.0 / period_s, 9.0)
    assert np.sqrt(np.mean(np.square(errors))) < 1.5 * bound
    assert 0.8 * bound < np.median(claimed) < 2.0 * bound


@pytest.mark.parametrize("beats_per_min", [90.4, 156.2])
@pytest.mark.parametrize("gain_right", [0.7, 0.5])
def test_a_beat_that_is_not_in_the_middle_is_no_turn(beats_per_min: float, gain_right: float) -> None:
    """Every second beat is weaker: what comes back with both is as long as a turn at 45.2 and 78.1 rpm."""
    cycle_s = 120.0 / beats_per_min
    phase = (np.arange(12_000) / 100.0 / cycle_s) % 1.0
    beat = np.exp(-phase * cycle_s / 0.08) + 0.6 * np.exp(-((phase - 0.5) % 1.0) * cycle_s / 0.05)
    beat = 0.1 * (beat - beat.mean())
    noise = 0.02 * np.random.default_rng(1).standard_normal((len(beat), 2))
    assert (
        estimate_turn_from_sway(np.stack([beat, gain_right * beat], axis=1) + noise, 100.0).source == "none"
    )


@pytest.mark.parametrize("right", [0.0, 1e-3, 1.0])
@pytest.mark.parametrize(("rpm", "is_told"), [(33.5, True), (34.7, False), (43.0, False), (74.0, False)])
def test_of_one_wall_only_what_is_near_a_speed_is_a_turn(right: float, rpm: float, is_told: bool) -> None:
    """A dead channel, one nearly so, and one sound on both: a beat may be any of these."""
    turn = 2.0 * np.pi * rpm / 60.0 * np.arange(12_000) / 100.0
    one = 0.02 * np.cos(turn) + 0.01 * np.cos(2.0 * turn + 1.0)
    one += 0.02 * np.random.default_rng(1).standard_normal(len(one))
    for series in (one, np.stack([one, right * one], axis=1)):
        assert (estimate_turn_from_sway(series, 100.0).source == "sway") == is_told


@pytest.mark.parametrize("lateral", [0.0, 0.5, 1.5])
def test_a_warp_that_is_lateral_too_is_told(lateral: float) -> None:
    turn = 2.0 * np.pi * 33.5 / 60.0 * np.arange(12_000) / 100.0
    warp = 0.02 * np.cos(turn) + 0.01 * np.cos(2.0 * turn + 1.0)
    noise = 0.02 * np.random.default_rng(1).standard_normal((len(warp), 2))
    series = np.stack([lateral * warp + warp, lateral * warp - warp], axis=1) + noise
    assert estimate_turn_from_sway(series, 100.0).rpm == pytest.approx(33.5, rel=5e-4)


def test_no_sway_no_turn() -> None:
    for seed in range(8):
        assert estimate_turn_from_sway(swaying(50 + seed, 1.8, 240.0, 0.0), 100.0).source == "none"
    with pytest.raises(ParameterError, match="8 or more"):
        estimate_turn_from_sway(np.zeros(100), 4.0)


def test_agreeing_sources_join_and_others_do_not() -> None:
    clicks = TurnEstimate(period_s=1.8, rpm=100 / 3, sd_ppm=40.0, confidence=0.9, source="clicks")
    sway = TurnEstimate(period_s=1.8 * (1 + 5e-5), rpm=33.3, sd_ppm=20.0, confidence=0.9, source="sway")
    joined = agree_on_turn(clicks, sway)
    assert joined.source == "sway"
    assert 1e6 * (joined.period_s / 1.8 - 1.0) == pytest.approx(40.0)
    assert joined.sd_ppm == pytest.approx(1.0 / np.hypot(1 / 40.0, 1 / 20.0))
    assert joined.confidence == pytest.approx(0.99)
    far = TurnEstimate(period_s=1.79, rpm=33.5, sd_ppm=20.0, confidence=0.9, source="sway")
    assert agree_on_turn(clicks, far).period_s == 1.8
    near = TurnEstimate(period_s=1.8 * (1 + 4e-4), rpm=33.3, sd_ppm=20.0, confidence=0.9, source="sway")
    chosen = agree_on_turn(clicks, near)
    assert (chosen.period_s, chosen.source) == (near.period_s, "sway")
    assert chosen.sd_ppm == pytest.approx(100.0)
    assert agree_on_turn(TurnEstimate(), sway) is sway
    assert agree_on_turn(clicks, TurnEstimate()) is clicks


def _forecast(times: Floats, sizes: Floats, stop_s: float) -> Iterator[tuple[float, bool]]:
    """Ask for each second before telling it what happened: (log odds, whether it came)."""
    prior = TurnForecast()
    order = np.argsort(times)
    times, sizes = times[order], sizes[order]
    for second in range(int(stop_s)):
        here = (times >= second) & (times < second + 1)
        for time_s, half_width_s, log_odds in prior.expected(second, second + 1):
            assert second <= time_s < second + 1
            yield log_odds, bool(np.any(np.abs(times[here] - time_s) <= half_width_s))
        prior.add(np.stack([times[here], np.full(here.sum(), 3.0), sizes[here]], axis=1))
    assert prior.period_s == pytest.approx(1.8021, rel=1e-3)


def test_prior_forecasts_scratches_and_knows_how_sure_it_is() -> None:
    rng = np.random.default_rng(6)
    times, sizes = scratched_side(
        rng, period_s=1.8021, duration_s=400.0, scratches=5, turns=(30, 80), dust_per_s=1.0
    )
    forecasts = list(_forecast(times, sizes, 400.0))
    odds = np.array([log_odds for log_odds, _ in forecasts])
    came = np.array([hit for _, hit in forecasts])
    assert came.sum() > 100
    assert came[odds > 1.0].mean() > 0.8
    claimed = 1.0 / (1.0 + np.exp(-odds))
    assert abs(claimed.mean() - came.mean()) < 0.15
    assert (odds < 1.0).sum() > 20
    assert came[odds < 1.0].mean() < came[odds > 1.0].mean()


def test_prior_expects_nothing_of_dust() -> None:
    rng = np.random.default_rng(8)
    prior = TurnForecast()
    for time_s in np.sort(rng.uniform(0.0, 300.0, 300)):
        prior.add(np.array([[time_s, 3.0, 1.0]]))
    assert prior.period_s == 0.0
    assert prior.expected(300.0, 310.0) == []


def test_prior_is_given_a_period_and_keeps_walls() -> None:
    prior = TurnForecast(period_s=1.8)
    for turn in range(4):
        prior.add(np.array([[1.0 + 1.8 * turn, 1.0, 5.0]]))
    (due,) = prior.expected_walls(7.5, 9.0)
    assert due[0] == pytest.approx(8.2)
    assert due[3] == 1
    assert prior.track_count == 1
