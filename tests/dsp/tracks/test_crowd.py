"""Applause is told from music and from groove noise."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.dsp.tracks.boundaries import Place, crowd_places, gap_places
from sidekeep.dsp.tracks.crowd import find_crowd
from tests.flow.made_sides import RATE, features_of, groove_noise, tune

Floats = NDArray[np.float64]


def clapping(seconds: float, level: float, seed: int = 5) -> Floats:
    """Hands by the hundred: noise from 500 to 5000 Hz, more in the middle than at the sides."""
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((int(seconds * RATE), 2)) @ np.array([[1.0, 0.6], [0.6, 1.0]])
    shaped = sosfilt(butter(2, [500.0, 5000.0], "bandpass", fs=RATE, output="sos"), noise, axis=0)
    return np.asarray(shaped * level / shaped.std())


def spans_s(audio: Floats) -> list[tuple[float, float]]:
    noisy = audio + groove_noise(np.random.default_rng(1), len(audio), RATE, -62.0)
    features = features_of(noisy)
    (part,) = features.parts
    table = features.table
    assert (part.first, part.last) == (0, len(table.chroma))
    spans = find_crowd(table.bands_db, table.chroma, part.groove, table.hop_s)
    return [(start * table.hop_s, stop * table.hop_s) for start, stop in spans]


def test_applause_after_music_and_before_music() -> None:
    silence = np.zeros((2 * RATE, 2))
    audio = np.concatenate([silence, tune(1, 20.0), clapping(7.0, 0.03), tune(4, 20.0), silence])
    assert spans_s(audio) == [(pytest.approx(22.0, abs=0.7), pytest.approx(29.0, abs=0.7))]


def test_music_and_groove_noise_are_no_crowd() -> None:
    silence = np.zeros((6 * RATE, 2))
    assert spans_s(np.concatenate([silence, tune(2, 30.0), silence, tune(7, 20.0), silence])) == []


def test_a_held_chord_is_no_crowd() -> None:
    t_s = np.arange(12 * RATE) / RATE
    chord = sum(
        np.sin(2 * np.pi * f * k * t_s + k) / np.sqrt(k)
        for f in (110.0, 164.8, 220.0)
        for k in range(1, int(8000 / f))
    )
    silence = np.zeros((3 * RATE, 2))
    held = 0.02 * np.repeat(np.asarray(chord)[:, None], 2, axis=1)
    assert spans_s(np.concatenate([silence, tune(1, 10.0), held, tune(1, 10.0), silence])) == []


def test_hiss_of_low_instruments_is_no_crowd() -> None:
    """A drone wavers as noise does, but leaves the groove's own noise bare above 1 kHz."""
    from scipy.signal import butter, sosfilt

    rng = np.random.default_rng(2)
    drone = (
        sosfilt(butter(4, 400.0, fs=RATE, output="sos"), rng.standard_normal((10 * RATE, 2)), axis=0) * 0.2
    )
    silence = np.zeros((3 * RATE, 2))
    assert spans_s(np.concatenate([silence, drone, silence])) == []


def test_a_track_begins_after_the_applause_not_with_it() -> None:
    silence = np.zeros((2 * RATE, 2))
    pause = np.zeros((int(1.2 * RATE), 2))
    audio = np.concatenate([silence, tune(1, 20.0), pause, clapping(7.0, 0.03), tune(4, 20.0), silence])
    features = features_of(audio + groove_noise(np.random.default_rng(1), len(audio), RATE, -62.0))
    (part,) = features.parts
    table, hop_s = features.table, features.table.hop_s
    crowd = find_crowd(table.bands_db, table.chroma, part.groove, hop_s)
    blind, told = (
        next(p for p in places if abs(p.start * hop_s - 23.2) < 0.3)
        for places in (
            gap_places(part.groove, table.chroma, hop_s),
            gap_places(part.groove, table.chroma, hop_s, crowd),
        )
    )
    assert blind.log_odds > 0.0 > told.log_odds
    (place,) = crowd_places(crowd, [told], len(table.chroma), hop_s)
    assert place.start * hop_s == pytest.approx(30.2, abs=0.7)
    assert place.log_odds > 1.0
    assert not place.gap


def test_a_gap_at_the_end_of_the_applause_takes_its_place() -> None:
    gap = Place(stop=500, start=600, gap=True, log_odds=2.0)
    assert crowd_places([(100, 495)], [gap], 3000, 0.02) == []
    assert len(crowd_places([(100, 300)], [gap], 3000, 0.02)) == 1
    assert crowd_places([(2000, 2800)], [gap], 3000, 0.02) == []
