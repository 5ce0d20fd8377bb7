"""The level meters of a take: spans, both meters alike, and one finding for each thing that can be wrong."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.level.loudness import measure_loudness
from sidekeep.dsp.level.true_peak import measure_true_peak
from sidekeep.errors import ParameterError
from sidekeep.flow.measuring.kept_levels import KeptLevels, joint_loudness
from sidekeep.flow.measuring.measures import LevelMeter, PeakLoudnessMeter, windows_inside, windows_touching
from sidekeep.model.audio import AudioFormat
from sidekeep.model.finding import Finding
from sidekeep.units import MINIMUM_DB
from sidekeep.wording.findings import finding_text

RATE_HZ = 48000


def music(length_s: float = 4.6) -> NDArray[np.float64]:
    return _music(length_s).copy()


@cache
def _music(length_s: float) -> NDArray[np.float64]:
    """Partials with swells, unlike left and right, a gentle noise to the top; peak 0.5, 24-bit samples."""
    rng = np.random.default_rng(11)
    time_s = np.arange(int(RATE_HZ * length_s)) / RATE_HZ
    audio = rng.normal(0.0, 1e-3, (len(time_s), 2))
    for voice in range(14):
        hz = 70.0 * 2.0 ** (voice * 5 / 12.0)
        swell = 0.6 + 0.4 * np.sin(2 * np.pi * rng.uniform(0.1, 1.0) * time_s + voice)
        left = 0.5 + 0.35 * (-1) ** voice if hz > 200.0 else 0.5
        audio += (swell * np.sin(2 * np.pi * hz * time_s + voice) / (1 + hz / 500))[:, None] * [
            left,
            1 - left,
        ]
    return np.round(audio * (0.5 / np.abs(audio).max()) * 2**23) / 2**23


def metered(audio: NDArray[np.float64]) -> LevelMeter:
    meter = LevelMeter(rate_hz=RATE_HZ, channels=audio.shape[1])
    for start in range(0, len(audio), 65536):
        meter.process(audio[start : start + 65536])
    return meter


def faults(audio: NDArray[np.float64], *, bits: int = 24, is_float: bool = False) -> dict[str, Finding]:
    form = AudioFormat(rate_hz=RATE_HZ, channels=audio.shape[1], bits=bits, is_float=is_float)
    found = metered(audio).findings(form)
    for finding in found:
        assert finding_text(finding, RATE_HZ).endswith(".")
        assert 0 <= finding.start_frame <= finding.stop_frame <= len(audio)
        assert finding.severity in ("note", "look", "act")
    return {finding.kind: finding for finding in found}


def test_whole_take_equals_the_kernels() -> None:
    audio = music()
    level = metered(audio).finish()
    assert level.integrated_lufs == measure_loudness(audio, rate_hz=RATE_HZ).integrated_lufs
    assert 10 ** (level.true_peak_dbtp / 20) == pytest.approx(measure_true_peak(audio, rate_hz=RATE_HZ))
    assert level.sample_peak_dbfs == pytest.approx(-6.0206, abs=1e-3)
    assert level.true_peak_dbtp >= level.sample_peak_dbfs
    assert level.clipped_frames == 0


def test_only_the_spans_count() -> None:
    """A thump of the needle before the music and a loud one after it are not the music's level."""
    tune = music(6.0)
    audio = np.concatenate((np.full((9600, 2), 0.97), tune, np.full((9600, 2), -0.99)))
    span = (9600, 9600 + len(tune))
    meter = metered(audio)
    level = meter.finish([span])
    assert level.integrated_lufs == pytest.approx(metered(tune).finish().integrated_lufs, abs=0.1)
    assert level.sample_peak_dbfs == pytest.approx(-6.0206, abs=1e-3)
    assert level.clipped_frames == 0
    with_needle = meter.finish([span], [(0, len(audio))])
    assert with_needle.sample_peak_dbfs == pytest.approx(-0.0873, abs=1e-3)
    assert with_needle.integrated_lufs == level.integrated_lufs
    assert with_needle.clipped_frames == 9600


def test_peak_meter_agrees_and_joins_takes() -> None:
    audio = music(6.0)
    full, light = metered(audio), PeakLoudnessMeter(rate_hz=RATE_HZ, channels=2)
    light.process(audio)
    spans = [(4800, 150000), (200001, 270000)]
    level = full.finish(spans)
    assert light.integrated_lufs(spans) == level.integrated_lufs
    assert light.range_lu(spans) == level.range_lu
    assert 20 * np.log10(light.true_peak(spans)) == pytest.approx(level.true_peak_dbtp, abs=1e-9)
    quiet = PeakLoudnessMeter(rate_hz=RATE_HZ, channels=2)
    quiet.process(0.5 * audio)
    joint = joint_loudness([(KeptLevels.of(light), spans), (KeptLevels.of(quiet), spans)])
    assert quiet.integrated_lufs(spans) < joint < light.integrated_lufs(spans)
    alone = joint_loudness([(KeptLevels.of(light), spans)])
    assert alone == light.integrated_lufs(spans)


def test_windows_of_spans() -> None:
    assert windows_inside([(0, 100), (150, 420)], 100, 4) == [slice(0, 1), slice(2, 4)]
    np.testing.assert_array_equal(windows_touching([(150, 250)], 100, 4), [False, True, True, False])
    assert not windows_touching([(150, 150)], 100, 4).any()


def test_good_takes_have_no_findings() -> None:
    assert faults(music()) == {}


def test_empty_and_silent() -> None:
    assert set(faults(np.zeros((0, 2)))) == {"empty"}
    assert set(faults(np.zeros((48000, 2)))) == {"silent"}
    assert set(faults(np.full((48000, 2), 0.25))) == {"silent"}
    level = metered(np.zeros((0, 2))).finish()
    assert level.integrated_lufs == level.true_peak_dbtp == MINIMUM_DB


def test_numbers_that_are_none() -> None:
    audio = music()
    spoilt = audio.copy()
    spoilt[100, 0], spoilt[70000, 1], spoilt[70000, 0] = np.nan, np.inf, -np.inf
    finding = faults(spoilt, bits=32, is_float=True)["not-a-number"]
    assert (finding.start_frame, finding.stop_frame, finding.severity) == (100, 70001, "act")
    assert finding.facts["frames"] == 2
    silenced = np.where(np.isfinite(spoilt), spoilt, 0.0)
    assert metered(spoilt).finish() == metered(silenced).finish()


@pytest.mark.parametrize(
    ("kind", "severity", "channel", "gains"),
    [
        ("channel-dead", "act", "R", ((1.0, 0.0), (0.0, 1e-4))),
        ("channel-dead", "act", "L", ((0.0, 0.0), (0.0, 1.0))),
        ("balance", "look", "L", ((1.0, 0.0), (0.0, 0.6))),
        ("balance", "note", "R", ((0.75, 0.0), (0.0, 1.0))),
        ("out-of-phase", "act", "both", ((1.0, 0.0), (0.0, -1.0))),
        ("dual-mono", "note", "both", ((0.5, 0.5), (0.5, 0.5))),
    ],
)
def test_channels(kind: str, severity: str, channel: str, gains: tuple[tuple[float, ...], ...]) -> None:
    found = faults(np.round(music() @ np.array(gains) * 2**23) / 2**23)
    assert set(found) == {kind}
    assert (found[kind].severity, found[kind].channel) == (severity, channel)


def test_mono_record_and_mono_file(rng: np.random.Generator) -> None:
    mono = music().mean(axis=1, keepdims=True)
    assert set(faults(mono)) == {"mono-file"}
    assert set(faults(np.repeat(mono, 2, axis=1) + rng.normal(0.0, 1e-3, (len(mono), 2)))) == {"mono-record"}


def test_clipped(rng: np.random.Generator) -> None:
    found = faults((3.0 * music()).clip(-1.0, 1.0 - 2.0**-23))
    assert set(found) == {"clipped"}
    assert found["clipped"].severity == "act"
    click = music()
    click[1000:1004, 0] = -1.0
    assert faults(click)["clipped"].severity == "look"
    early = (2.5 * music()).clip(-0.7, 0.7) + rng.normal(0.0, 1e-5, music().shape)
    assert set(faults(early)) == {"clipped-before"}


def test_levels_and_offset() -> None:
    assert set(faults(np.round(0.05 * music() * 2**15) / 2**15, bits=16)) == {"level-low"}
    assert faults(np.round(0.05 * music() * 2**15) / 2**15, bits=16)["level-low"].severity == "look"
    assert faults(0.05 * music())["level-low"].severity == "note"
    assert set(faults(1.99 * music())) == {"level-hot"}
    assert set(faults(4.0 * music(), bits=32, is_float=True)) == {"over-full-scale"}
    assert set(faults(music() + np.array([0.01, 0.0]))) == {"offset"}
    assert faults(music() + np.array([0.01, 0.0]))["offset"].channel == "L"
    assert faults(music() + np.array([0.01, -0.005]))["offset"].channel == "both"


def test_dropouts_but_not_pauses() -> None:
    audio = music()
    audio[100000:102000] = 0.0
    finding = faults(audio)["dropout"]
    assert (finding.start_frame, finding.stop_frame) == (100000, 102000)
    pause = music()
    pause[:5000] = 0.0
    pause[100000:220000] = 0.0
    assert "dropout" not in faults(pause)


def test_words_of_eight_bits_stand_still_by_themselves() -> None:
    """Quiet groove is less than one of their steps: 83 losses of sound were told in a take of 53 s, and an offset of half a step."""
    quiet = np.random.default_rng(4).normal(0.0, 10.0 ** (-52.0 / 20.0), (10 * RATE_HZ, 2))
    coarse = np.floor(quiet * 128.0 + 0.5) / 128.0 + 0.5 / 128.0
    assert not {"dropout", "offset"} & set(faults(coarse, bits=8))
    lost = music().copy()
    lost[RATE_HZ : RATE_HZ + 4_000] = 0.0
    assert "dropout" in faults(np.round(lost * 128.0) / 128.0, bits=8)


def test_where_the_file_came_from() -> None:
    found = faults(np.round(music() * 2**15) / 2**15)
    assert found["fewer-bits"].facts["bits_in_use"] == 16
    assert found["fewer-bits"].severity == "look"
    assert "fewer-bits" not in faults(np.round(music() * 2**15) / 2**15, bits=16)
    # Common practice, no source: interfaces hand 24 bits over in words of 32.
    whole = faults(np.round(music() * 2**23) / 2**23, bits=32)["fewer-bits"]
    assert (whole.severity, whole.facts["bits_in_use"]) == ("note", 24)
    assert "Nothing is missing" in finding_text(whole, RATE_HZ)
    from scipy.signal import firwin, lfilter

    noise = np.random.default_rng(2).normal(0.0, 0.01, music().shape)
    lossy = np.asarray(lfilter(firwin(401, 16000.0, fs=RATE_HZ), [1.0], music() + noise, axis=0))
    assert set(faults(lossy, bits=32, is_float=True)) == {"band-limit"}


def test_a_coarse_change_of_rate_is_told_of() -> None:
    """Every second sample played twice: 24 kHz once."""
    noise = np.random.default_rng(2).normal(0.0, 0.01, music(26.0).shape)
    found = faults(np.repeat((music(26.0) + noise)[::2], 2, axis=0), bits=32, is_float=True)
    assert found["mirrored-sound"].facts["once_hz"] == 24_000
    assert "mirrored-sound" not in faults(music(26.0) + noise, bits=32, is_float=True)


@pytest.mark.parametrize("seconds", [0.01, 0.5, 3.0])
def test_what_rests_beside_zero_takes_a_second_to_be_sure_of(seconds: float) -> None:
    """Ten milliseconds of a bass note are half a wave of it: their mean is music, not an offset of the converter."""
    bass = music()[: round(seconds * RATE_HZ)] + 0.05
    assert ("offset" in faults(bass)) == (seconds > 1.0)


def test_a_block_of_another_shape_is_refused() -> None:
    with pytest.raises(ParameterError, match=r"must be \(frames, 2\)"):
        LevelMeter(rate_hz=RATE_HZ, channels=2).process(np.zeros((10, 1)))
