"""The press against published geometry, curves and formulas."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.linalg import solve_toeplitz
from scipy.signal import hilbert, lfilter, welch

from sidekeep.press.disc.groove import Groove
from sidekeep.press.disc.pulses import playback_response, riaa_replay
from sidekeep.press.disc.settings import PressSettings
from sidekeep.press.disc.side import Piece, press_side
from sidekeep.press.disc.slope import SLOPE_ORDER, local_slope, stretch_frames
from sidekeep.press.disc.truth import LOCKED_GROOVE
from tests.press.test_side import RATE, STILL, chord


def groove_of(settings: PressSettings, seconds: float, rate_hz: int = RATE) -> Groove:
    return Groove(
        settings=settings,
        rate_hz=rate_hz,
        programme_frames=int(seconds * rate_hz),
        lead_in_frames=0,
        disc=(1,),
        playing=(2,),
    )


@pytest.mark.parametrize(
    ("rpm", "rate_hz", "frames"),
    [
        # nominal speeds; strobe arithmetic 120 f_mains / bars for 78 (92 bars at 60 Hz, 77 at 50 Hz)
        (100.0 / 3.0, 44_100, 79_380),
        (100.0 / 3.0, 96_000, 172_800),
        (45.0, 44_100, 58_800),
        (3600.0 / 46.0, 44_100, 33_810),
        (6000.0 / 77.0, 96_000, 73_920),
        (50.0 / 3.0, 48_000, 172_800),
    ],
)
def test_frames_per_turn_of_the_published_speeds(rpm: float, rate_hz: int, frames: int) -> None:
    groove = groove_of(STILL.but(rpm=rpm), 60.0, rate_hz)
    assert groove.period_s * rate_hz == pytest.approx(frames, abs=1e-6)
    times_s = groove.time_of_turn(np.arange(5.0))
    assert np.diff(times_s) * rate_hz == pytest.approx(np.full(4, frames), abs=1e-6)


@pytest.mark.parametrize("rpm", [100.0 / 3.0, 45.0])
def test_a_scratch_comes_back_once_a_turn_drifting_slowly(rpm: float) -> None:
    """33 1/3: 79 380 frames at 44.1 kHz.

    A scratch tilted psi steps by pitch tan(psi) / (2 pi r) turns: at most 60 degrees, 0.3 mm, 60 mm, which is
    0.14 % of a turn, plus 0.2 ms jitter.
    """
    settings = STILL.but(rpm=rpm, scratches=3, scratch_turns=(8, 8))
    pressed = press_side([Piece(chord(25.0), "One")], rate_hz=RATE, settings=settings, seed=3)
    period = RATE * 60.0 / rpm
    assert pressed.truth.turn_period_s * RATE == pytest.approx(period)
    events = pressed.truth.events
    for number in range(3):
        mine = events[events["group"] == number]
        assert len(mine) >= 5
        place = mine["turn"] + mine["angle"]
        turns = np.round(np.diff(place)).astype(int)
        assert turns.min() >= 1
        step = np.diff(place) - turns
        assert np.abs(step).max() < 0.0014 * turns.max() + 6 * 0.2e-3 / pressed.truth.turn_period_s
        # starts in frames follow the places on the disc, but for the shape's own rise
        assert np.abs(np.diff(mine["start_frame"]) - np.diff(place) * period).max() < 60
        assert len(set(mine["channel"].tolist())) == 1


def test_locked_groove_ticks_once_a_turn() -> None:
    pressed = press_side(
        [Piece(chord(2.0), "One")], rate_hz=RATE, settings=STILL.but(run_out_turns=4), seed=1
    )
    events = pressed.truth.events
    ticks = events[events["group"] == LOCKED_GROOVE]
    assert len(ticks) == 4
    assert np.abs(np.diff(ticks["start_frame"]) - 79_380).max() <= 2
    assert pressed.truth.locked_groove_period_s == pytest.approx(1.8)
    assert (ticks["start_frame"] > pressed.truth.music_stop_frame).all()


@pytest.mark.parametrize("repeats", [True, False])
def test_the_damage_of_the_locked_groove_comes_round_once_a_turn(repeats: bool) -> None:
    """It is the same groove that passes again."""
    settings = STILL.but(run_out_turns=6, crackle_per_s=60.0, crackle_share=1.0, locked_repeats=repeats)
    pressed = press_side([Piece(chord(2.0), "One")], rate_hz=RATE, settings=settings, seed=1)
    events = pressed.truth.events
    assert (events["group"] == LOCKED_GROOVE).sum() == 6
    starts = events["start_frame"][events["group"] != LOCKED_GROOVE]
    last = pressed.truth.needle_up_frame - round(0.4 * RATE)
    turn = round(pressed.truth.locked_groove_period_s * RATE)
    newest, before = (
        starts[(starts > last - (back + 1) * turn) & (starts <= last - back * turn)] for back in (0, 1)
    )
    assert len(newest) > 50
    shared = (
        np.isin(newest - turn, before)
        | np.isin(newest - turn + 1, before)
        | np.isin(newest - turn - 1, before)
    )
    assert shared.mean() > 0.95 if repeats else shared.mean() < 0.2


@pytest.mark.parametrize(
    ("eccentricity_mm", "radius_mm", "peak_hz"),
    # f(angle) = f0 (1 + (e/R) cos(angle)) on the 3150 Hz tone of AES6-2008 (= IEC 60386)
    [(0.1, 60.0, 5.250), (0.2, 60.0, 10.500), (0.2, 146.3, 4.306), (0.5, 60.0, 26.250), (0.5, 146.3, 10.766)],
)
def test_eccentric_wow_is_e_over_r(eccentricity_mm: float, radius_mm: float, peak_hz: float) -> None:
    t_s = np.arange(6 * RATE) / RATE
    tone = 0.5 * np.sin(2 * np.pi * 3150.0 * t_s)
    settings = STILL.but(
        eccentricity_mm=eccentricity_mm, start_radius_mm=radius_mm + 0.001, end_radius_mm=radius_mm - 0.001
    )
    piece = Piece(np.stack([tone, tone], axis=1), "Tone")
    pressed = press_side([piece], rate_hz=RATE, settings=settings, seed=1, keep_music=True)
    assert pressed.music is not None
    truth = pressed.truth
    played = pressed.music[truth.music_start_frame + RATE // 2 : truth.music_stop_frame - RATE // 2, 0]
    phase = np.unwrap(np.angle(hilbert(played)))
    hop = RATE // 50
    frequency_hz = np.diff(phase[::hop]) * RATE / hop / (2 * np.pi)
    middle = frequency_hz[5:-5]
    assert (middle.max() - middle.min()) / 2.0 == pytest.approx(peak_hz, rel=0.01)
    # once per turn: the deviation a half turn later is the opposite
    half = round(0.9 * 50)
    assert middle[:half] - 3150.0 == pytest.approx(-(middle[half : 2 * half] - 3150.0), abs=0.03 * peak_hz)


def test_eccentric_wow_grows_inward() -> None:
    groove = groove_of(STILL.but(eccentricity_mm=0.2), 120.0)
    knots_per_turn = round(1.8 * RATE / groove.knot_frames)
    outer = np.ptp(groove.speed[:knots_per_turn]) / 2.0
    played = int(120.0 * RATE / groove.knot_frames)
    inner = np.ptp(groove.speed[played - knots_per_turn : played]) / 2.0
    assert outer == pytest.approx(0.2 / 146.3, rel=0.02)
    assert inner == pytest.approx(0.2 / 60.0, rel=0.02)


def test_warp_curve_of_the_truth_says_which_music_is_playing() -> None:
    """A step in the music is met at the frame the truth's curve gives for it."""
    audio = np.zeros((8 * RATE, 2))
    marks = (np.arange(1, 8) * RATE).astype(int)
    audio[marks] = 0.9
    settings = PressSettings(dust_per_min=0.0, scratches=0, thumps=0, crackle_per_s=0.0, pops_per_min=0.0)
    settings = settings.but(eccentricity_mm=0.5, speed_error=0.01, lead_in_s=1.0)
    pressed = press_side([Piece(audio, "Marks")], rate_hz=RATE, settings=settings, seed=1, keep_music=True)
    assert pressed.music is not None
    loud = np.flatnonzero(pressed.music[:, 0] > 0.5 * pressed.music.max())
    peaks = [
        group[np.argmax(pressed.music[group, 0])]
        for group in np.split(loud, np.flatnonzero(np.diff(loud) > 50) + 1)
    ]
    where = np.interp(marks + RATE, pressed.truth.warp_positions, pressed.truth.warp_frames)
    assert len(peaks) == 7
    assert np.abs(np.array(peaks) - where).max() < 1.5


@pytest.mark.parametrize("tone_hz", [1000.0, 10_000.0, 17_000.0])
def test_speed_error_resamples_a_tone_cleanly(tone_hz: float) -> None:
    """A tone played 1 % fast is the analytic tone 1 % higher, as loud; what is left over is under -80 dB of it."""
    tone = np.sin(2 * np.pi * tone_hz * np.arange(2 * RATE) / RATE)
    tone *= np.clip(np.minimum(np.arange(2 * RATE), np.arange(2 * RATE)[::-1]) / 1000.0, 0.0, 1.0)
    piece = Piece(0.5 * np.stack([tone, tone], axis=1), "Tone")
    settings = STILL.but(speed_error=0.01)
    pressed = press_side([piece], rate_hz=RATE, settings=settings, seed=1, keep_music=True)
    assert pressed.music is not None
    start = pressed.truth.music_start_frame
    played = pressed.music[start + 2000 : start + RATE, 0]
    t = np.arange(len(played))
    basis = np.stack([f(2 * np.pi * tone_hz * 1.01 / RATE * t) for f in (np.sin, np.cos)], axis=1)
    fit, *_ = np.linalg.lstsq(basis, played, rcond=None)
    assert float(np.hypot(*fit)) == pytest.approx(10 ** (-6.0 / 20.0), rel=0.01)
    left = played - basis @ fit
    assert 20 * np.log10(np.std(left) / np.std(played)) < -80.0


def test_replay_curve_is_the_riaa_table() -> None:
    """IEC 60098 / RIAA 1954, gains re 1 kHz."""
    table = {20: 19.274, 50: 16.946, 100: 13.088, 500: 2.648, 2000: -2.589, 5000: -8.210, 10_000: -13.734}
    table |= {16_000: -17.708, 20_000: -19.620}
    at_1k = abs(riaa_replay(np.array([1000.0]))[0])
    for frequency_hz, gain_db in table.items():
        gain = abs(riaa_replay(np.array([float(frequency_hz)]))[0]) / at_1k
        assert 20 * np.log10(gain) == pytest.approx(gain_db, abs=0.001)
    assert 20 * np.log10(at_1k) == pytest.approx(-19.911018, abs=1e-5)


def test_damage_carries_no_direct_current() -> None:
    """A wall that comes back to where it was gives a velocity pick-up nothing at 0 Hz."""
    assert playback_response(np.zeros(1), RATE)[0] == 0.0
    assert abs(playback_response(np.array([RATE / 2.0]), RATE)[0]) < 1e-9


def test_local_slope_agrees_with_a_reference_solver_and_a_known_process() -> None:
    """Levinson against scipy's Toeplitz solver; and an AR(2) process of known innovation."""
    rng = np.random.default_rng(1)
    size = stretch_frames(RATE)
    noise = 0.01 * rng.standard_normal((size * 8, 2))
    audio = lfilter([1.0], [1.0, -1.6, 0.81], noise, axis=0)
    taps, slope = local_slope(audio, RATE, np.array([1, 5]))
    assert slope.shape == (2, 2)
    assert slope == pytest.approx(np.full((2, 2), 0.01), rel=0.08)
    windowed = audio[size : 2 * size, 0] * np.hanning(size)
    correlation = np.array([windowed[: size - k] @ windowed[k:] for k in range(SLOPE_ORDER + 1)])
    reference = solve_toeplitz(correlation[:-1], -correlation[1:])
    assert taps[0, 0, 0] == 1.0
    assert taps[0, 0, 1:] == pytest.approx(reference, abs=2e-4)


def test_groove_noise_hum_and_rumble_have_the_levels_asked_for() -> None:
    settings = STILL.but(hiss_dbfs=-50.0, rumble_dbfs=-150.0, hum_dbfs=-150.0, lead_in_s=6.0)
    silence = Piece(chord(6.0), "Next to nothing")
    quiet = press_side([silence], rate_hz=RATE, settings=settings.but(peak_dbfs=-60.0), seed=1)
    groove = quiet.audio[2 * RATE : 6 * RATE]
    assert 20 * np.log10(np.std(groove)) == pytest.approx(-50.0, abs=0.7)
    frequency_hz, power = welch(groove[:, 0], RATE, nperseg=8192)

    def level_db(low_hz: float, high_hz: float) -> float:
        band = (frequency_hz >= low_hz) & (frequency_hz < high_hz)
        return float(10 * np.log10(power[band].mean()))

    # falls 3-6 dB per octave over 500 Hz, flat below (common practice, no source)
    assert abs(level_db(100, 200) - level_db(200, 400)) < 1.5
    assert 3.0 * 3 < level_db(900, 1100) - level_db(7200, 8800) < 6.0 * 3
    hum = press_side(
        [silence], rate_hz=RATE, settings=settings.but(hum_dbfs=-40.0, hum_hz=60.0, peak_dbfs=-60.0), seed=1
    )
    left = hum.audio[:, 0]
    assert 20 * np.log10(np.std(left[: RATE // 3])) == pytest.approx(-40.0, abs=0.5)
    spectrum = np.abs(np.fft.rfft(left * np.hanning(len(left))))
    assert np.argmax(spectrum) * RATE / len(left) == pytest.approx(60.0, abs=0.15)


def test_rumble_is_mostly_vertical() -> None:
    """Expect it in left minus right (en-academic.com, "Rumble measurement")."""
    settings = STILL.but(rumble_dbfs=-40.0, hiss_dbfs=-120.0, hum_dbfs=-150.0, lead_in_s=8.0, peak_dbfs=-60.0)
    pressed = press_side([Piece(chord(1.0), "Next to nothing")], rate_hz=RATE, settings=settings, seed=1)
    groove = pressed.audio[2 * RATE : 8 * RATE]
    assert 20 * np.log10(np.std(groove)) == pytest.approx(-40.0, abs=1.5)
    vertical, lateral = np.std(groove[:, 0] - groove[:, 1]), np.std(groove[:, 0] + groove[:, 1])
    assert 20 * np.log10(vertical / lateral) > 3.0
    frequency_hz, power = welch(groove[:, 0] - groove[:, 1], RATE, nperseg=RATE)
    assert 8.0 <= frequency_hz[np.argmax(power[5:]) + 5] <= 30.0


def test_crosstalk_and_channel_gain_are_what_was_asked_for() -> None:
    audio = chord(1.0)
    audio[:, 1] = 0.0
    settings = STILL.but(crosstalk_db=-20.0, channel_gain_db=2.0)
    pressed = press_side([Piece(audio, "Left")], rate_hz=RATE, settings=settings, seed=1, keep_music=True)
    assert pressed.music is not None
    left, right = np.std(pressed.music, axis=0)
    assert 20 * np.log10(left / right) == pytest.approx(20.0 + 2.0, abs=1e-6)
