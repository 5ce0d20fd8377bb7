"""EBU Tech 3341 v4, synthesised from its definitions, and the K-weighting of ITU-R BS.1770-5.

"Tone" is a 1 kHz sine, in phase on all channels named, at a peak level per channel; 48 kHz. Expected values
and tolerances are those of Tech 3341 (signals as synthesised by a public test suite of a general loudness
library; expected values as in the EBU test set v05). Cases 7 and 8 are recordings, not definitions.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.level.loudness import (
    Loudness,
    LoudnessMeter,
    integrated_loudness,
    k_weighting,
    loudness_range,
    measure_loudness,
)
from tests.outside import library

RATE_HZ = 48000
TOLERANCE_LU = 0.1


def tones(*pieces: tuple[float | None, float], channels: int = 2) -> NDArray[np.float64]:
    """(level in dBFS or None for silence, seconds) one after another, the phase running on."""
    amplitude = np.concatenate(
        [
            np.full(round(length_s * RATE_HZ), 0.0 if level is None else 10.0 ** (level / 20.0))
            for level, length_s in pieces
        ]
    )
    sine = np.sin(2.0 * np.pi * 1000.0 * np.arange(len(amplitude)) / RATE_HZ)
    return np.repeat((amplitude * sine)[:, None], channels, axis=1)


def measured(*pieces: tuple[float | None, float]) -> Loudness:
    return measure_loudness(tones(*pieces), rate_hz=RATE_HZ)


@pytest.mark.parametrize(("case", "level"), [(1, -23.0), (2, -33.0)])
def test_cases_1_and_2_steady_tone(case: int, level: float) -> None:
    loudness = measured((level, 20.0))
    for reading in (loudness.integrated_lufs, loudness.max_momentary_lufs, loudness.max_short_term_lufs):
        assert reading == pytest.approx(level, abs=TOLERANCE_LU)
    # Exact for a 1 kHz tone: K(1000 Hz) - 0.691 = +0.0067 LU (computed).
    assert loudness.integrated_lufs == pytest.approx(level + 0.0067, abs=0.001)


@pytest.mark.parametrize(
    ("case", "pieces"),
    [
        (3, [(-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0)]),
        (4, [(-72.0, 10.0), (-36.0, 10.0), (-23.0, 60.0), (-36.0, 10.0), (-72.0, 10.0)]),
        (5, [(-26.0, 20.0), (-20.0, 20.1), (-26.0, 20.0)]),
    ],
)
def test_cases_3_to_5_gates(case: int, pieces: list[tuple[float | None, float]]) -> None:
    assert measured(*pieces).integrated_lufs == pytest.approx(-23.0, abs=TOLERANCE_LU)


def test_case_6_five_channels() -> None:
    levels = np.array([-28.0, -28.0, -24.0, -30.0, -30.0])
    audio = tones((0.0, 20.0), channels=5) * 10.0 ** (levels / 20.0)
    assert measure_loudness(audio, rate_hz=RATE_HZ).integrated_lufs == pytest.approx(-23.0, abs=TOLERANCE_LU)


def readings(audio: NDArray[np.float64]) -> tuple[list[float], list[float]]:
    """Momentary and short-term loudness, read every 100 ms."""
    meter = LoudnessMeter(RATE_HZ, audio.shape[1])
    momentary, short_term = [], []
    for start in range(0, len(audio), RATE_HZ // 10):
        meter.process(audio[start : start + RATE_HZ // 10])
        momentary.append(meter.momentary_lufs)
        short_term.append(meter.short_term_lufs)
    return momentary, short_term


def test_case_9_short_term_is_constant() -> None:
    audio = tones(*[(-20.0, 1.34), (-30.0, 1.66)] * 5)
    assert measure_loudness(audio, rate_hz=RATE_HZ).max_short_term_lufs == pytest.approx(
        -23.0, abs=TOLERANCE_LU
    )
    np.testing.assert_allclose(readings(audio)[1][30:], -23.0, atol=TOLERANCE_LU)


def test_case_10_short_term_wherever_it_starts() -> None:
    for step in range(20):
        loudness = measured((None, 0.15 * step), (-23.0, 3.0), (None, 1.0))
        assert loudness.max_short_term_lufs == pytest.approx(-23.0, abs=TOLERANCE_LU)


def test_case_11_short_term_of_rising_tones() -> None:
    meter = LoudnessMeter(RATE_HZ, 2)
    for step in range(20):
        meter.process(tones((None, 0.15 * step), (-38.0 + step, 3.0), (None, 3.0 - 0.15 * step)))
        assert meter.max_short_term_lufs == pytest.approx(-38.0 + step, abs=TOLERANCE_LU)


def test_case_12_momentary_is_constant() -> None:
    audio = tones(*[(-20.0, 0.18), (-30.0, 0.22)] * 25)
    assert measure_loudness(audio, rate_hz=RATE_HZ).max_momentary_lufs == pytest.approx(
        -23.0, abs=TOLERANCE_LU
    )
    np.testing.assert_allclose(readings(audio)[0][10:], -23.0, atol=TOLERANCE_LU)


def test_case_13_momentary_wherever_it_starts() -> None:
    for step in range(20):
        loudness = measured((None, 0.02 * step), (-23.0, 0.4), (None, 1.0))
        assert loudness.max_momentary_lufs == pytest.approx(-23.0, abs=TOLERANCE_LU)


def test_case_14_momentary_of_rising_tones() -> None:
    meter = LoudnessMeter(RATE_HZ, 2)
    for step in range(20):
        meter.process(tones((None, 0.02 * step), (-38.0 + step, 0.4), (None, 0.4 - 0.02 * step)))
        assert meter.max_momentary_lufs == pytest.approx(-38.0 + step, abs=TOLERANCE_LU)


def test_full_scale_997_hz() -> None:
    """BS.1770: a 0 dBFS 997 Hz sine in one channel reads -3.01 LUFS (from memory); in two, 0.00."""
    sine = np.sin(2.0 * np.pi * 997.0 * np.arange(20 * RATE_HZ) / RATE_HZ)[:, None]
    assert measure_loudness(sine, rate_hz=RATE_HZ).integrated_lufs == pytest.approx(-3.01, abs=0.005)
    both = np.repeat(sine, 2, axis=1)
    assert measure_loudness(both, rate_hz=RATE_HZ).integrated_lufs == pytest.approx(0.0, abs=0.005)


# BS.1770-5 Tables 1 and 2 (48 kHz); the other rates computed from the same analogue prototypes.
K_TABLE = {
    44100: (
        (1.53084123005035, -2.65097999515473, 1.16907907992159, -1.66365511325602, 0.71259542807323),
        (-1.98916967362980, 0.98919903578704),
    ),
    48000: (
        (1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585),
        (-1.99004745483398, 0.99007225036621),
    ),
    88200: (
        (1.55751537557965, -2.90562707992635, 1.36133397747221, -1.83091998796233, 0.84414226108785),
        (-1.99457751545034, 0.99458487587805),
    ),
    96000: (
        (1.55971422897580, -2.92674157825108, 1.37826120231582, -1.84460946989011, 0.85584332293064),
        (-1.99501754472472, 0.99502375904092),
    ),
    192000: (
        (1.57222721509128, -3.04728305156155, 1.47797134097961, -1.92220223060749, 0.92511773511683),
        (-1.99750722284070, 0.99750877835551),
    ),
}


@pytest.mark.parametrize("rate_hz", K_TABLE)
def test_k_weighting_coefficients(rate_hz: int) -> None:
    shelf, high_pass = K_TABLE[rate_hz]
    sections = k_weighting(rate_hz)
    np.testing.assert_allclose(sections[0], [*shelf[:3], 1.0, *shelf[3:]], rtol=0, atol=1e-13)
    np.testing.assert_allclose(sections[1], [1.0, -2.0, 1.0, 1.0, *high_pass], rtol=0, atol=1e-13)


# Computed from the tables of BS.1770-5: response at 48 kHz, and the gain at 1 kHz at each rate.
K_RESPONSE_DB = {
    20: -13.275, 31.5: -7.790, 50: -3.934, 63: -2.664, 100: -1.133, 200: -0.265, 400: -0.015, 500: 0.042,
    1000: 0.698, 2000: 3.071, 4000: 3.968, 8000: 4.039, 16000: 4.043,
}  # fmt: skip


def response_db(rate_hz: int, hz: float) -> float:
    z = np.exp(-2j * np.pi * hz / rate_hz * np.arange(3))
    gain = 1.0
    for section in k_weighting(rate_hz):
        gain *= abs((section[:3] @ z) / (section[3:] @ z))
    return 20.0 * math.log10(gain)


@pytest.mark.parametrize("hz", K_RESPONSE_DB)
def test_k_weighting_response(hz: float) -> None:
    assert response_db(RATE_HZ, hz) == pytest.approx(K_RESPONSE_DB[hz], abs=0.001)


@pytest.mark.parametrize(
    ("rate_hz", "gain_db"),
    [(44100, 0.7005), (48000, 0.6977), (88200, 0.6820), (96000, 0.6804), (192000, 0.6707)],
)
def test_k_weighting_at_1_khz(rate_hz: int, gain_db: float) -> None:
    assert response_db(rate_hz, 1000.0) == pytest.approx(gain_db, abs=0.0001)


def music(rate_hz: int, length_s: float) -> NDArray[np.float64]:
    """Something like music: chords with swells, a beat, quiet stretches; left and right unlike."""
    rng = np.random.default_rng(7)
    time_s = np.arange(round(rate_hz * length_s)) / rate_hz
    audio = np.zeros((len(time_s), 2))
    for voice in range(10):
        hz = 55.0 * 2.0 ** (rng.integers(0, 54) / 12.0)
        swell = 0.5 + 0.5 * np.sin(2.0 * np.pi * rng.uniform(0.03, 0.4) * time_s + voice)
        left = rng.uniform(0.2, 0.8)
        audio += (swell * np.sin(2.0 * np.pi * hz * time_s) / (1.0 + hz / 400.0))[:, None] * [left, 1 - left]
    beat = np.exp(-30.0 * (time_s % 0.5))
    audio += 0.3 * (beat * rng.standard_normal(len(time_s)))[:, None]
    audio *= (0.02 + (np.sin(2.0 * np.pi * time_s / 23.0) > -0.3))[:, None]
    return audio * (0.7 / np.abs(audio).max())


@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
def test_agrees_with_an_independent_library(rate_hz: int) -> None:
    """pyebur128 binds an independent BS.1770 library; 0.05 LU is this project's own limit."""
    pyebur128 = library("pyebur128")
    audio = music(rate_hz, 30.0)
    mode = pyebur128.MeasurementMode
    state = pyebur128.R128State(2, rate_hz, mode.MODE_I | mode.MODE_LRA)
    state.add_frames(audio.ravel(), len(audio))
    meter = LoudnessMeter(rate_hz, 2)
    meter.process(audio)
    integrated = integrated_loudness([meter.powers])
    assert integrated == pytest.approx(pyebur128.get_loudness_global(state), abs=0.05)
    # It polls the range once a second; at that hop the two agree.
    range_lu = loudness_range([meter.powers], hop_windows=10)
    assert range_lu == pytest.approx(pyebur128.get_loudness_range(state), abs=0.05)
