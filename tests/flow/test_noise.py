"""The noise meter: groove, rumble and hum of made takes, block by block."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.errors import ParameterError
from sidekeep.flow.measuring.noise import NoiseMeter
from sidekeep.model.measures import Noise
from sidekeep.units import MINIMUM_DB
from sidekeep.wording.findings import finding_text

Floats = NDArray[np.float64]
RATE_HZ = 16_000
DOWN_S, MUSIC_S, STOP_S, UP_S, END_S = 4.0, 8.0, 20.0, 24.0, 28.0
GROOVE = [(int(4.2 * RATE_HZ), int(7.8 * RATE_HZ)), (int(20.2 * RATE_HZ), int(23.8 * RATE_HZ))]
IDLE = [(0, int(3.9 * RATE_HZ)), (int(24.2 * RATE_HZ), int(28.0 * RATE_HZ))]


def take(
    seed: int, *, groove_dbfs: float = -50.0, rumble_dbfs: float = -58.0, hum_dbfs: float = -70.0
) -> tuple[Floats, dict[str, float]]:
    """Needle up, groove, music, groove, needle up; the true levels of the groove parts."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(END_S * RATE_HZ)) / RATE_HZ
    down = (t >= DOWN_S) & (t < UP_S)
    hiss = rng.standard_normal((len(t), 2)) * 10.0 ** (groove_dbfs / 20.0)
    rumble = np.sin(2.0 * np.pi * 13.0 * t + 3.0 * np.sin(2.0 * np.pi * 0.7 * t))
    rumble *= np.sqrt(2.0) * 10.0 ** (rumble_dbfs / 20.0)
    hum = np.sqrt(2.0) * 10.0 ** (hum_dbfs / 20.0) * np.sin(2.0 * np.pi * 50.03 * t)
    chain = 10.0 ** (-85.0 / 20.0) * rng.standard_normal((len(t), 2)) + hum[:, None]
    audio = chain + down[:, None] * (hiss + rumble[:, None] * np.array([1.0, -1.0]))
    quiet = audio.copy()
    music = (t >= MUSIC_S) & (t < STOP_S)
    audio[music] += 0.1 * np.sin(2.0 * np.pi * 220.0 * t[music])[:, None]
    inside = np.concatenate([quiet[a:b] for a, b in GROOVE])
    return audio + 0.01, {"groove_dbfs": float(10.0 * np.log10(np.mean(inside**2)))}


def measure(audio: Floats, *spans: list[tuple[int, int]], block: int = 10_007) -> tuple[Noise, NoiseMeter]:
    meter = NoiseMeter(RATE_HZ, audio.shape[1])
    for first in range(0, len(audio), block):
        meter.process(audio[first : first + block])
    return meter.finish(*spans), meter


def test_levels_of_groove_rumble_and_hum() -> None:
    audio, truth = take(1)
    noise, meter = measure(audio, GROOVE, IDLE)
    assert noise.groove_dbfs == pytest.approx(truth["groove_dbfs"], abs=0.3)
    assert noise.hum_hz == pytest.approx(50.03, abs=0.02)
    assert noise.hum_dbfs == pytest.approx(-70.0, abs=0.5)
    # hiss below 60 Hz is 21 dB under all of it; hum lies in the band too
    expected = 10.0 * np.log10(10.0**-5.8 + 10.0**-5.0 * 60.0 / 8000.0 + 10.0**-7.0)
    assert noise.rumble_dbfs == pytest.approx(expected, abs=0.7)
    assert meter.findings == ()


def test_blocks_equal_the_whole() -> None:
    audio, _ = take(2)
    whole, one = measure(audio, GROOVE, IDLE, block=len(audio))
    pieces, many = measure(audio, GROOVE, IDLE, block=731)
    assert pieces == whole
    assert many.findings == one.findings
    assert np.array_equal(many.sway_series(), one.sway_series())


def test_clicks_do_not_raise_the_groove() -> None:
    audio, truth = take(3)
    for at_s in (4.6, 5.7, 6.9, 21.0, 22.5):
        audio[int(at_s * RATE_HZ) : int(at_s * RATE_HZ) + 20] += 0.5 * (-1.0) ** np.arange(20)[:, None]
    noise, _ = measure(audio, GROOVE, IDLE)
    assert noise.groove_dbfs == pytest.approx(truth["groove_dbfs"], abs=0.4)


def test_hum_from_the_groove_when_the_needle_was_never_up() -> None:
    audio, _ = take(4, groove_dbfs=-60.0, hum_dbfs=-56.0)
    noise, _ = measure(audio, GROOVE, [])
    assert noise.hum_hz == pytest.approx(50.03, abs=0.02)
    assert noise.hum_dbfs == pytest.approx(-56.0, abs=0.5)


def test_no_hum_is_no_hum() -> None:
    audio, _ = take(5, hum_dbfs=-150.0)
    noise, _ = measure(audio, GROOVE, IDLE)
    assert (noise.hum_hz, noise.hum_dbfs) == (0.0, MINIMUM_DB)


def test_strong_hum_and_rumble_are_findings_with_cautions() -> None:
    audio, _ = take(6, rumble_dbfs=-38.0, hum_dbfs=-44.0)
    noise, meter = measure(audio, GROOVE, IDLE)
    by_kind = {finding.kind: finding for finding in meter.findings}
    assert set(by_kind) == {"hum", "rumble"}
    assert by_kind["hum"].severity == "act"
    assert "Never disconnect the mains safety earth" in finding_text(by_kind["hum"], RATE_HZ)
    assert "earth wire" in finding_text(by_kind["hum"], RATE_HZ)
    assert "empty groove" in finding_text(by_kind["rumble"], RATE_HZ)
    assert by_kind["hum"].facts["hum_hz"] == noise.hum_hz
    assert by_kind["rumble"].severity == "look"


def test_without_spans_the_quietest_windows_serve_and_it_says_so() -> None:
    audio, truth = take(7)
    down = audio[int(DOWN_S * RATE_HZ) : int(UP_S * RATE_HZ)]
    noise, meter = measure(down)
    assert [finding.kind for finding in meter.findings] == ["noise-guessed"]
    assert noise.groove_dbfs == pytest.approx(truth["groove_dbfs"], abs=1.5)


def test_needle_up_is_not_taken_for_quiet_groove() -> None:
    audio, truth = take(8)
    noise, meter = measure(audio, [], IDLE)
    assert [finding.kind for finding in meter.findings] == ["noise-guessed"]
    assert noise.groove_dbfs == pytest.approx(truth["groove_dbfs"], abs=1.5)


def test_nothing_and_silence() -> None:
    empty = NoiseMeter(RATE_HZ, 2)
    assert empty.finish().groove_dbfs == MINIMUM_DB
    noise, _ = measure(np.zeros((5 * RATE_HZ, 1)), [(0, RATE_HZ)], [])
    assert noise == Noise(groove_dbfs=MINIMUM_DB, hum_hz=0.0, hum_dbfs=MINIMUM_DB, rumble_dbfs=MINIMUM_DB)
    with pytest.raises(ParameterError, match="must be \\(frames, 2\\)"):
        empty.process(np.zeros((10, 1)))
    with pytest.raises(ParameterError, match="8000 or more"):
        NoiseMeter(4000, 2)


def test_what_is_kept_grows_slowly() -> None:
    rng = np.random.default_rng(1)
    meter = NoiseMeter(RATE_HZ, 2)
    for _ in range(150):
        meter.process(0.01 * rng.standard_normal((RATE_HZ, 2)))
    kept = sum(atom.nbytes for atom in meter._quiet._kept.values())
    assert kept < (20 + 150 * 3 / 20 + 3) * 2100 * 2 * 4
    assert len(meter._quiet._recent) < 41
