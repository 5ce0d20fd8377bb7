"""The demo's instruments against plain twins, published tuning and room acoustics."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from sidekeep.errors import ParameterError
from sidekeep.press.music import drums, filters, room, tone
from sidekeep.press.music.compose import Clock, Note, degree, lead_voices, melody, note_hz, play, triad
from sidekeep.press.music.instruments import (
    bowed_strings,
    brass,
    chip_tone,
    organ,
    pan_gains,
    shape_vowels,
    string_body,
    sung_line,
)
from sidekeep.press.music.plucked import (
    electric_bass,
    electric_guitar,
    harpsichord,
    mallet,
    piano,
    plucked_string,
)
from sidekeep.press.music.room import Mix, room_response

RATE_HZ = 44_100

NOTES: dict[str, Callable[..., tone.Array]] = {
    "bowed": bowed_strings,
    "brass": brass,
    "organ": organ,
    "chip": chip_tone,
    "plucked": plucked_string,
    "harpsichord": harpsichord,
    "bass": electric_bass,
    "guitar": electric_guitar,
    "piano": piano,
    "mallet": mallet,
}
HITS = (
    "kick",
    "snare",
    "hat",
    "cymbal",
    "ride",
    "tom",
    "castanet",
    "clave",
    "shaker",
    "clap",
    "stepped_noise",
)


def generator(seed: int = 5) -> np.random.Generator:
    return np.random.default_rng(seed)


def fundamental_hz(sound: tone.Array, near_hz: float, rate_hz: int) -> float:
    """Strongest spectral line within half a tone of ``near_hz``, by a parabola through the log spectrum."""
    signal = sound.sum(axis=1)
    spectrum = np.abs(np.fft.rfft(signal * np.hanning(signal.size), 8 * signal.size))
    hertz = np.fft.rfftfreq(8 * signal.size, 1.0 / rate_hz)
    inside = np.flatnonzero((hertz > near_hz * 0.944) & (hertz < near_hz * 1.059))
    peak = inside[np.argmax(spectrum[inside])]
    low, mid, high = np.log(spectrum[peak - 1 : peak + 2])
    return float(hertz[peak] + 0.5 * (low - high) / (low - 2 * mid + high) * hertz[1])


def centroid_hz(sound: tone.Array, rate_hz: int) -> float:
    power = np.abs(np.fft.rfft(sound.sum(axis=1))) ** 2
    return float(np.sum(np.fft.rfftfreq(sound.shape[0], 1.0 / rate_hz) * power) / np.sum(power))


@pytest.mark.parametrize("name", NOTES)
def test_notes_start_and_end_at_zero_and_repeat_with_the_seed(name: str) -> None:
    first = NOTES[name](220.0, 0.4, 0.8, RATE_HZ, generator())
    again = NOTES[name](220.0, 0.4, 0.8, RATE_HZ, generator())
    other = NOTES[name](220.0, 0.4, 0.8, RATE_HZ, generator(6))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)
    assert first.ndim == 2
    assert np.all(np.isfinite(first))
    peak = np.max(np.abs(first))
    assert 0.03 < peak < 2.0
    assert np.max(np.abs(first[0])) < 0.02 * peak
    assert np.max(np.abs(first[-1])) < 0.002 * peak


@pytest.mark.parametrize("name", HITS)
def test_hits_end_at_zero_and_no_two_are_alike(name: str) -> None:
    rng = generator()
    hit = getattr(drums, name)
    first, second = hit(0.9, RATE_HZ, rng), hit(0.9, RATE_HZ, rng)
    assert first.shape == second.shape
    assert np.all(np.isfinite(first))
    assert np.array_equal(first[-1], [0.0])
    assert not np.array_equal(first, second)
    assert 0.05 < np.max(np.abs(first)) <= 1.5


def test_bowed_notes_have_no_click_at_their_edges() -> None:
    """A soft attack: the first and last 5 ms hold nothing above 6 kHz to speak of."""
    note = bowed_strings(330.0, 0.6, 0.7, RATE_HZ, generator())
    treble = filters.pass_band(note, 6000.0, 1e9, RATE_HZ)
    edge = int(0.005 * RATE_HZ)
    middle = np.sqrt(np.mean(treble[note.shape[0] // 2 : note.shape[0] // 2 + 4 * edge] ** 2))
    assert np.max(np.abs(treble[:edge])) < middle
    assert np.max(np.abs(treble[-edge:])) < middle


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("pitch", [40, 57, 69, 81])
def test_plucked_strings_are_in_tune(pitch: int, rate_hz: int) -> None:
    """Within 2 cents of equal temperament. Four cents is about the least difference heard (common practice,
    no source)."""
    wanted_hz = note_hz(pitch)
    sound = plucked_string(wanted_hz, 1.2, 0.7, rate_hz, generator())
    assert 1200.0 * abs(np.log2(fundamental_hz(sound, wanted_hz, rate_hz) / wanted_hz)) < 2.0


def test_note_numbers_follow_standard_pitch() -> None:
    """ISO 16:1975: A above middle C is 440 Hz; middle C in equal temperament is then 261.626 Hz."""
    assert note_hz(69) == 440.0
    assert note_hz(60) == pytest.approx(261.626, abs=0.001)


def test_loud_brass_is_brighter_and_made_of_pulses() -> None:
    soft, loud = (brass(233.1, 0.8, velocity, RATE_HZ, generator()) for velocity in (0.2, 1.0))
    assert centroid_hz(loud, RATE_HZ) > 1.5 * centroid_hz(soft, RATE_HZ)
    steady = loud[RATE_HZ // 4 : RATE_HZ // 2, 0]
    crest_db = 20.0 * np.log10(np.max(np.abs(steady)) / np.sqrt(np.mean(steady**2)))
    assert crest_db > 12.0


def test_pan_keeps_power() -> None:
    for position in (-1.0, -0.3, 0.0, 0.7, 1.0):
        left, right = pan_gains(position)
        assert left**2 + right**2 == pytest.approx(1.0)
    assert pan_gains(-1.0)[1] == pytest.approx(0.0)


def test_ringing_modes_are_decaying_sines() -> None:
    seconds = np.arange(RATE_HZ // 2) / RATE_HZ
    modes = ((440.0, 0.6, 0.5, 0.3), (1234.5, 0.2, 0.25, -1.0))
    twin = sum(a * 10 ** (-3 * seconds / d) * np.sin(2 * np.pi * f * seconds + p) for f, d, a, p in modes)
    frequency, decay, level, phase = (list(column) for column in zip(*modes))
    rung = tone.ring_modes(frequency, decay, level, seconds.size, RATE_HZ, phase)
    # A mode is dropped once it is 100 dB under full scale.
    assert np.max(np.abs(rung - twin)) < 1.5e-5


def test_looped_string_equals_its_transfer_function() -> None:
    """The loop written as one rational filter and run by scipy."""
    from scipy.signal import lfilter

    whole, allpass, damping, keep = 57, 0.37, 0.2, 0.995
    pick = generator().standard_normal(120)
    out = np.zeros(3000)
    tone._loop_string(pick, whole, allpass, damping, keep, out)
    over = np.convolve([1.0, -damping], [1.0, allpass])
    under = np.concatenate([over, np.zeros(whole + 2 - over.size)])
    under[whole : whole + 2] -= keep * (1.0 - damping) * np.array([allpass, 1.0])
    twin = lfilter(over, under, np.concatenate([pick, np.zeros(2880)]))
    assert np.max(np.abs(out - twin)) < 1e-9


def test_tables_play_their_harmonics() -> None:
    levels = np.array([[0.5, 0.2, 0.1], [0.1, 0.4, 0.3]])
    frames = 4000
    times = tone.control_times(frames, RATE_HZ)
    out = np.zeros((frames, 2))
    flat = np.ones(times.size)
    tone.play_tables(
        tone.harmonic_tables(levels), 500.0 * flat, 0.25, 0.8 * flat, RATE_HZ, out, gains=(1.0, 0.5)
    )
    seconds = np.arange(frames) / RATE_HZ
    mixed = 0.75 * levels[0] + 0.25 * levels[1]
    twin = sum(0.8 * level * np.sin(2 * np.pi * 500.0 * (k + 1) * seconds) for k, level in enumerate(mixed))
    assert np.max(np.abs(out[:, 0] - twin)) < 5e-5
    assert np.allclose(out[:, 1], 0.5 * out[:, 0])


def test_still_formants_are_plain_resonances() -> None:
    noise = generator().standard_normal((5000, 2))
    points = tone.control_times(5000, RATE_HZ).size
    centre, width, gain = (np.tile(row, (points, 1)) for row in ((500.0, 1500.0), (80.0, 120.0), (1.0, -0.5)))
    moving = filters.run_formants(noise, centre, width, gain, RATE_HZ)
    twin = filters.resonate(noise, 500.0, 80.0, RATE_HZ) - 0.5 * filters.resonate(
        noise, 1500.0, 120.0, RATE_HZ
    )
    assert np.max(np.abs(moving - twin)) < 0.01 * np.max(np.abs(twin))


def test_vowels_put_their_formant_where_the_table_says() -> None:
    """/a/ is stronger near 700 Hz, /i/ near 300 Hz (Peterson & Barney 1952, from memory)."""
    source = sung_line([(0.1, 1.5, 110.0, 0.8)], 1.8, RATE_HZ, generator())
    shares = {}
    for letter in "ai":
        voice = shape_vowels(source, [(0.0, letter)], RATE_HZ)
        bands = [
            np.mean(filters.pass_band(voice, low, high, RATE_HZ) ** 2)
            for low, high in ((220, 420), (580, 900))
        ]
        shares[letter] = bands[1] / bands[0]
    assert shares["a"] > 4.0 * shares["i"]


@pytest.mark.parametrize("length", [1, 700, 40_000])
def test_convolve_equals_the_sum(length: int) -> None:
    rng = generator()
    audio, response = rng.standard_normal((length, 2)), rng.standard_normal((333, 1))
    out = filters.convolve(audio, response)
    assert out.shape == (length + 332, 2)
    for channel in (0, 1):
        assert np.allclose(out[:, channel], np.convolve(audio[:, channel], response[:, 0]), atol=1e-9)


def test_room_decays_in_the_time_asked_for() -> None:
    """Backward integral (Schroeder, J. Acoust. Soc. Am. 37, 1965), T20 as in ISO 3382-1, 1 kHz octave."""
    decay_s = 1.5
    response = room_response(RATE_HZ, generator(), decay_s=decay_s)
    assert response.shape[1] == 2
    assert np.sum(response**2, axis=0) == pytest.approx([1.0, 1.0])
    octave = filters.pass_band(response, 707.0, 1414.0, RATE_HZ, 3)
    left = np.cumsum(octave[::-1, 0] ** 2)[::-1]
    curve_db = 10.0 * np.log10(left / left[0])
    start, stop = np.argmax(curve_db < -5.0), np.argmax(curve_db < -25.0)
    measured_s = 3.0 * (stop - start) / RATE_HZ
    assert measured_s == pytest.approx(decay_s, rel=0.2)
    # Two ears hear different noise.
    assert abs(np.sum(response[:, 0] * response[:, 1])) < 0.2


def test_string_body_changes_colour_not_level() -> None:
    spectrum = np.abs(np.fft.rfft(string_body(RATE_HZ, generator())[:, 0], 8192))
    hertz = np.fft.rfftfreq(8192, 1.0 / RATE_HZ)
    inside = spectrum[(hertz > 250) & (hertz < 4000)]
    assert 10 * np.log10(np.mean(inside**2)) == pytest.approx(0.0, abs=2.0)
    assert np.max(inside) / np.min(inside) > 3.0


def test_mix_places_sounds_and_cuts_at_the_end() -> None:
    mix = Mix(RATE_HZ, 0.1)
    mix.add(np.ones((10, 1)), 0.05, gain=0.5, pan=-1.0, send=0.0)
    mix.add(np.ones((RATE_HZ, 2)), 0.0999, send=1.0)
    mix.add(np.ones((5, 1)), 3.0)
    start = round(0.05 * RATE_HZ)
    assert mix.near[start, 0] == pytest.approx(0.5)
    assert mix.near[start, 1] == pytest.approx(0.0)
    assert mix.near[start + 10, 0] == 0.0
    assert mix.near.shape == (4410, 2)
    assert mix.far[-1, 0] == pytest.approx(1.0)


@pytest.mark.parametrize("channels", [1, 2])
def test_a_sound_is_placed_near_and_far_by_its_gains(channels: int) -> None:
    sound = generator().standard_normal((50, channels))
    near, far = generator().standard_normal((2, 90, 2))
    wanted = [near.copy(), far.copy()]
    gains = np.array([[0.5, -0.2], [0.1, 0.7]])
    for line, gain in zip(wanted, gains):
        line[30:80] += gain * (sound if channels == 2 else np.repeat(sound, 2, axis=1))
    room._place(sound, 30, gains[0], gains[1], near, far)
    np.testing.assert_allclose([near, far], wanted, atol=1e-15)


def test_clock_bends_the_tempo() -> None:
    steady = Clock(((0, 120),), 1.0)
    assert steady.at_s(8.0) == pytest.approx(5.0)
    slowing = Clock(((0, 120), (8, 60)))
    # Mean of 1/tempo over a straight bend: ln 2 / 60 per beat and minute.
    assert slowing.at_s(8.0) == pytest.approx(8.0 * np.log(2.0) / 60.0 * 60.0, rel=0.01)


def test_scales_chords_and_voices() -> None:
    assert [degree(60, "major", step) for step in (-1, 0, 2, 7)] == [59, 60, 64, 72]
    assert triad(57, "minor", 0) == (57, 60, 64)
    chords = [triad(60, "major", step) for step in (0, 3, 4, 0)]
    led = lead_voices(chords, 55, 76, 4)
    for chord, voices in zip(chords, led):
        assert {pitch % 12 for pitch in voices} == {pitch % 12 for pitch in chord}
        assert list(voices) == sorted(voices)
    moves = [abs(new - old) for before, after in pairwise(led) for old, new in zip(before, after)]
    assert max(moves) <= 5


def test_melody_keeps_time_over_rests() -> None:
    notes = melody(((1, 0), (2, None), (1, 4)), 60, "major", beat=4.0)
    assert [(note.beat, note.pitch) for note in notes] == [(4.0, 60), (7.0, 67)]


def test_a_part_sounds_when_the_clock_says() -> None:
    mix = Mix(RATE_HZ, 2.0)
    play(
        mix, [Note(2.0, 0.5, 69, 0.9)], plucked_string, Clock(((0, 120),)), generator(), loose_s=0.0, send=0.0
    )
    heard = np.flatnonzero(np.max(np.abs(mix.near), axis=1) > 1e-3)
    assert heard[0] / RATE_HZ == pytest.approx(1.0, abs=0.005)


def test_a_rate_too_low_is_refused() -> None:
    with pytest.raises(ParameterError, match="rate_hz=4000"):
        tone.control_hop(4000)
