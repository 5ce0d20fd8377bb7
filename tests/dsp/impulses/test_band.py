"""Takes whose sound ends below half their rate: found, shown to the mender on a full band, and brought back in place."""

from __future__ import annotations

import math

import numpy as np
import pytest
import soxr
from numpy.typing import NDArray

from sidekeep.dsp.impulses import band as bands
from sidekeep.dsp.impulses.band import BandWatch, _medians, sum_squares
from sidekeep.dsp.impulses.full_band import (
    REACH,
    STEPS,
    bring_back,
    fitting_steps,
    interpolate,
    lower_rate,
    noise_above,
    sinc_table,
)
from sidekeep.dsp.impulses.images import find_images
from sidekeep.dsp.impulses.repaired import (
    DAMAGED,
    FACT_COLUMNS,
    LENGTH,
    MENDED,
    SIZE_DB,
    START,
    TOO_LONG,
    Repaired,
)
from tests.dsp.impulses.rows import each_values

Floats = NDArray[np.float64]


def groove(frames: int, dbfs: float = -62.0) -> Floats:
    """Noise as of a groove, both walls, (2, frames)."""
    return 10.0 ** (dbfs / 20.0) * np.random.default_rng(3).standard_normal((2, frames))


def raised(planes: Floats, rate_hz: int, new_rate_hz: int) -> Floats:
    return np.ascontiguousarray(soxr.resample(planes.T, rate_hz, new_rate_hz, quality="VHQ").T)


def look(planes: Floats, rate_hz: int, times: int = 3, *, lossy: bool = False) -> list[float | None]:
    watch = BandWatch(rate_hz, max(1, round(rate_hz / 48_000)), lossy=lossy)
    seen = [watch.look(planes) for _ in range(times)]
    bands = [watch.believed(band) for band in seen]
    return [None if band is None else band.edge * rate_hz for band in bands]


@pytest.mark.parametrize("rate_hz", [88_200, 96_000, 192_000])
def test_the_edge_of_a_take_brought_to_a_higher_rate_is_that_of_the_lower(rate_hz: int) -> None:
    edges = look(raised(groove(140_000), 44_100, rate_hz), rate_hz)
    assert edges[-1] is not None
    assert 19_500.0 < edges[-1] < 22_050.0


def low_passed(planes: Floats, rate_hz: int, edge_hz: float, wide_hz: float) -> Floats:
    """Through a filter of a numerical library that takes ``wide_hz`` to fall by 80 dB and ends at ``edge_hz``."""
    from scipy.signal import fftconvolve, firwin

    taps = firwin(int(8 * rate_hz / wide_hz) | 1, edge_hz - 0.5 * wide_hz, fs=rate_hz, window=("kaiser", 7.9))
    return np.ascontiguousarray(fftconvolve(planes, taps[np.newaxis], "same", axes=1))


@pytest.mark.parametrize("wide_hz", [300.0, 3_000.0, 8_000.0])
@pytest.mark.parametrize(("rate_hz", "edge_hz"), [(44_100, 16_000.0), (44_100, 19_000.0), (48_000, 20_000.0)])
def test_where_a_converter_or_an_encoder_cut_a_record_off_is_its_edge(
    rate_hz: int, edge_hz: float, wide_hz: float
) -> None:
    """All but some quarter of a second of what was mended before at 15 to 21 kHz was lost: such edges were no edges."""
    planes = low_passed(groove(140_000), rate_hz, edge_hz, wide_hz)
    for found_hz in look(planes, rate_hz):
        assert found_hz is not None
        assert edge_hz - 1.05 * wide_hz - 500.0 < found_hz < edge_hz


def test_a_groove_that_is_hard_to_hear_does_not_speak_for_such_an_edge_by_itself() -> None:
    """Encoders of clean music leave such edges too."""
    faint = raised(groove(140_000, -78.0), 40_000, 44_100)
    plain = raised(groove(140_000), 40_000, 44_100)
    gated = plain * (np.arange(plain.shape[1]) % 10_000 < 6_000)
    assert look(faint, 44_100) == [None] * 3
    assert look(gated, 44_100) == [None] * 3
    watch = BandWatch(44_100, 1)
    believed = [watch.believed(watch.look(each)) is not None for each in (faint, plain, faint, gated, plain)]
    assert believed == [False, True, True, False, True]


def test_a_gentle_fall_in_a_lossy_file_needs_a_groove_as_in_any_other() -> None:
    faded = low_passed(groove(140_000), 44_100, 20_000.0, 9_000.0)
    assert None not in look(faded, 44_100, lossy=True)
    assert look(0.1 * faded, 44_100, lossy=True) == [None] * 3


def test_the_edge_of_a_lossy_file_counts_from_the_first_stretch_on_whatever_lies_below_it() -> None:
    planes = raised(groove(140_000), 32_000, 44_100)
    gated = planes * (np.arange(planes.shape[1]) % 10_000 < 6_000)
    for heard in (planes, gated):
        for edge_hz in look(heard, 44_100, lossy=True):
            assert edge_hz is not None
            assert 15_000.0 < edge_hz < 16_050.0
    assert look(groove(140_000), 44_100, lossy=True) == [None] * 3


@pytest.mark.parametrize(("quality", "least_hz"), [("HQ", 20_600.0), ("VHQ", 20_600.0)])
def test_a_take_brought_from_44_1_to_48_khz_ends_where_it_did(quality: str, least_hz: float) -> None:
    planes = np.ascontiguousarray(soxr.resample(groove(140_000).T, 44_100, 48_000, quality=quality).T)
    edges = look(planes, 48_000)
    assert edges[-1] is not None
    assert least_hz < edges[-1] < 22_050.0


def gently_faded(planes: Floats) -> Floats:
    """From 44.1 to 48 kHz by a filter that is 3 dB down at 21.5 kHz and 20 at 23.9, with the mirror image above 22.05 kHz."""
    frames = planes.shape[1] * 160 // 147
    spectrum = np.fft.rfft(planes, axis=1)
    mirrored = np.concatenate([spectrum, spectrum[:, -2::-1].conj()], axis=1)[:, : frames // 2 + 1]
    fade_db = np.interp(
        np.arange(frames // 2 + 1) * 48_000 / frames, [20_000.0, 21_500.0, 22_500.0, 23_900.0], [0, 3, 8, 20]
    )
    return np.ascontiguousarray(
        np.fft.irfft(mirrored * 10.0 ** (-0.05 * fade_db), frames, axis=1) * frames / planes.shape[1]
    )


def test_a_take_brought_to_48_khz_by_a_gentle_filter_is_level_up_to_where_it_fades() -> None:
    edges = look(gently_faded(groove(147_000)), 48_000)
    assert edges[-1] is not None
    assert 20_000.0 < edges[-1] < 21_900.0


def by_windowed_sinc(planes: Floats, rate_hz: int, new_rate_hz: int) -> Floats:
    """As the polyphase resampler of a numerical library does it by default: it leaves images up to 3 kHz over the old half rate."""
    from scipy.signal import resample_poly

    common = math.gcd(rate_hz, new_rate_hz)
    raised_planes = resample_poly(planes, new_rate_hz // common, rate_hz // common, axis=1)
    return np.ascontiguousarray(raised_planes)


@pytest.mark.parametrize("rate_hz", [48_000, 88_200, 96_000, 192_000])
def test_a_take_raised_by_the_gentlest_filter_is_known_by_its_images(rate_hz: int) -> None:
    """Images stand at 44.1 kHz less the frequency of the sound (sampling theorem); the filter is of scipy.signal."""
    planes = by_windowed_sinc(groove(147_000), 44_100, rate_hz)
    found = find_images(planes, rate_hz, 512 * max(1, round(rate_hz / 48_000)))
    assert found is not None
    assert found.once_hz == 44_100
    edges = look(planes, rate_hz)
    assert edges[-1] is not None
    assert 18_600.0 < edges[-1] < 21_000.0


def test_images_of_48_khz_in_a_take_at_96_are_told_from_those_of_44_1() -> None:
    found = find_images(by_windowed_sinc(groove(147_000), 48_000, 96_000), 96_000, 1_024)
    assert found is not None
    assert found.once_hz == 48_000


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000, 192_000])
def test_a_take_that_was_never_at_another_rate_has_no_images_nor_has_one_hard_click(rate_hz: int) -> None:
    planes = groove(280_000)
    planes[:, 100_000] += 0.9
    assert find_images(planes, rate_hz, 512 * max(1, round(rate_hz / 48_000))) is None


@pytest.mark.parametrize("once_hz", [22_050, 24_000, 32_000])
@pytest.mark.parametrize("rate_hz", [44_100, 48_000])
def test_a_take_that_was_once_at_a_low_rate_is_known_by_its_images_too(once_hz: int, rate_hz: int) -> None:
    """Of some 300 repairs 6 to 15 were left of a record that was once at such a rate, by the filter of scipy.signal."""
    edges = look(by_windowed_sinc(groove(140_000), once_hz, rate_hz), rate_hz)
    assert edges[-1] is not None
    assert 0.4 * once_hz < edges[-1] < 0.5 * once_hz


@pytest.mark.parametrize(("rate_hz", "once_hz"), [(96_000, 48_000), (176_400, 44_100), (192_000, 48_000)])
def test_the_leakage_of_a_steady_tone_in_a_file_that_was_never_rounded_is_no_image(
    rate_hz: int, once_hz: int
) -> None:
    """Its phase turns by a whole number of times between two spectra, more or less than that of images."""
    size = 512 * round(rate_hz / 48_000)
    step_hz = rate_hz / (8.0 * size)
    tone_hz = 0.5 * once_hz - step_hz * round((0.5 * once_hz - 400.0) / step_hz)
    planes = 0.3 * np.sin(2.0 * np.pi * tone_hz / rate_hz * np.arange(560_000))[np.newaxis]
    assert find_images(planes, rate_hz, size) is None


def test_images_are_searched_up_to_the_old_half_rate() -> None:
    watch = BandWatch(96_000, 2)
    band = watch.look(by_windowed_sinc(groove(147_000), 44_100, 96_000))
    assert band is not None
    assert band.reach * 96_000 == pytest.approx(22_050.0)
    assert watch.believed(band) is None


@pytest.mark.parametrize(("dbfs", "enough"), [(-70.0, True), (-80.0, False)])
def test_one_stretch_is_enough_at_the_end_of_a_take_where_the_groove_is_loud(
    dbfs: float, enough: bool
) -> None:
    watch = BandWatch(96_000, 2)
    band = watch.look(raised(groove(140_000, dbfs), 44_100, 96_000))
    assert band is not None
    assert band.in_groove
    assert watch.believed(band) is None
    watch.end()
    assert watch.believed(band) is (band if enough else None)


def test_two_stretches_that_disagree_are_not_enough_at_the_end_of_a_take() -> None:
    watch = BandWatch(96_000, 2)
    band = watch.look(raised(groove(140_000), 44_100, 96_000))
    assert watch.look(groove(280_000)) is None
    watch.end()
    assert watch.believed(band) is None


def test_a_stretch_too_short_to_say_anything_is_as_the_one_before() -> None:
    planes = by_windowed_sinc(groove(147_000), 44_100, 96_000)
    watch = BandWatch(96_000, 2)
    bands = [watch.look(planes), watch.look(planes), watch.look(planes[:, :30_000])]
    assert watch.believed(bands[0]) is not None
    assert bands[2] is bands[1]
    assert BandWatch(96_000, 2).look(planes[:, :30_000]) is None


def test_treble_that_comes_and_goes_is_no_groove_however_it_fades() -> None:
    planes = groove(147_000, -40.0) * np.where(np.arange(147_000) % 20_000 < 15_000, 1.0, 0.001)
    assert look(gently_faded(planes), 48_000) == [None] * 3


def test_what_a_sharp_converter_took_from_a_take_at_96_khz_is_filled_up_at_48() -> None:
    edges = look(raised(groove(280_000), 96_000, 48_000), 48_000)
    assert edges[-1] is not None
    assert edges[-1] > 22_500.0


def soft_rise(planes: Floats) -> Floats:
    """Twice the rate through a filter that takes 3 kHz to fall, as the defaults of some converters do."""
    from scipy.signal import firwin, upfirdn

    taps = 2.0 * firwin(63, 0.5, window=("kaiser", 8.0))
    return np.ascontiguousarray(upfirdn(taps, planes, 2, axis=1))


def test_a_soft_filter_s_edge_is_where_it_begins_to_fall() -> None:
    edges = look(soft_rise(groove(140_000)), 88_200)
    assert edges[-1] is not None
    assert 16_500.0 < edges[-1] < 22_050.0


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
def test_a_full_band_has_no_edge(rate_hz: int) -> None:
    assert look(groove(280_000), rate_hz) == [None] * 3


def test_music_without_a_groove_is_left_as_it_is() -> None:
    # notes of tones to 15 kHz, digital silence above and between them: a file as it was made
    t = np.arange(140_000) / 44_100
    tones = sum(np.sin(2.0 * np.pi * hz * t) for hz in np.arange(500.0, 15_000.0, 500.0)) * (t % 0.3 < 0.25)
    assert look(np.stack([0.02 * tones, 0.02 * tones]), 44_100) == [None] * 3


def test_music_that_ends_where_the_groove_goes_on_has_no_edge() -> None:
    rng = np.random.default_rng(4)
    spectrum = np.fft.rfft(0.1 * rng.standard_normal((2, 140_000)), axis=1)
    spectrum[:, np.fft.rfftfreq(140_000, 1.0 / 44_100) > 16_000.0] = 0.0
    assert look(np.fft.irfft(spectrum, axis=1) + groove(140_000), 44_100) == [None] * 3


def test_the_noise_continues_the_groove_to_half_the_rate() -> None:
    planes = raised(groove(70_000), 22_050, 44_100)
    watch = BandWatch(44_100, 1)
    bands = [watch.look(planes) for _ in range(3)]
    assert bands[-1] is not None
    filled = planes + noise_above(bands[-1], planes.shape[1], STEPS)
    power = np.mean(
        np.abs(np.fft.rfft(filled[0, : 256 * 512].reshape(256, 512) * np.hanning(512))) ** 2, axis=0
    )
    level_db = 10.0 * np.log10(power[10:-1])
    assert np.ptp(np.convolve(level_db, np.ones(8) / 8.0, "valid")) < 4.0


@pytest.mark.parametrize("steps", [64, 60, 32, 15])
def test_down_and_up_again_is_the_same_sound(steps: int) -> None:
    t = np.arange(20_000)
    wave = np.sin(2.0 * np.pi * 0.36 * steps / STEPS * t + 0.3)
    low = lower_rate(wave[np.newaxis], steps)[0] if steps < STEPS else wave
    values = np.empty(400)
    interpolate(low, sinc_table(steps), steps, 10_001, values)
    np.testing.assert_allclose(values, wave[10_001:10_401], atol=3e-4)


def plain_interpolate(low: Floats, steps: int, first: int, count: int) -> Floats:
    """The sum written out: a Kaiser-windowed sinc round each place."""
    values = np.zeros(count)
    for i in range(count):
        place = (first + i) * steps / STEPS
        for k in range(int(place) - REACH + 1, int(place) + REACH + 1):
            if 0 <= k < len(low):
                x = place - k
                window = np.i0(8.0 * np.sqrt(max(0.0, 1.0 - (x / REACH) ** 2))) / np.i0(8.0)
                values[i] += low[k] * np.sinc(x) * window
    return values


@pytest.mark.parametrize("first", [0, 317, 1_990])
def test_the_kernel_is_its_plain_twin(first: int) -> None:
    low = np.random.default_rng(1).standard_normal(700)
    values = np.empty(60)
    interpolate(low, sinc_table(22), 22, first, values)
    np.testing.assert_allclose(values, plain_interpolate(low, 22, first, 60), atol=1e-12)


def test_repairs_whose_reaches_meet_are_one_and_each_stays_inside_its_span() -> None:
    planes, shown = np.zeros((1, 4_000)), np.zeros((1, 2_000))

    spans = [np.array([start, 5, start + 2, 0, 5, MENDED]) for start in (500, 530, 900)]
    facts = [np.array([20.0, 0.0, 0.0, 0.0])] * 3
    made = Repaired.from_parts(spans, facts, [np.full(5, -0.1)] * 3)
    back = bring_back(made, planes, shown, 32)
    near, far = back.spans
    assert (near[DAMAGED], far[DAMAGED]) == (20, 10)
    assert near[START] > 2 * (500 - REACH)
    assert near[START] + near[LENGTH] < 2 * (535 + REACH)
    values = each_values(back)
    assert [len(each) for each in values] == [near[LENGTH], far[LENGTH]]
    assert (back.facts[:, SIZE_DB] == 20.0).all()
    # what was taken out is 0.1 there at the lower rate, so the take falls by as much
    np.testing.assert_allclose(values[0][1_004 - near[START]], -0.1, atol=0.02)


@pytest.mark.parametrize(("frames", "start", "length"), [(1_001, 490, 11), (999, 0, 500), (1_000, 495, 5)])
def test_what_is_too_long_to_mend_ends_with_the_take(frames: int, start: int, length: int) -> None:
    """The last frame at the lower rate stands for one or two of the take's: a burst up to it reached one too far."""
    burst = Repaired.from_parts(
        [np.array([start, length, start, 0, 0, TOO_LONG])], [np.zeros(FACT_COLUMNS)], [np.empty(0)]
    )
    low = -(-frames // 2)
    assert start + length == low
    (back,) = bring_back(burst, np.zeros((1, frames)), np.zeros((1, low)), 32).spans
    assert (back[START], back[START] + back[LENGTH]) == (2 * start, frames)


def test_the_steps_fit_the_sound() -> None:
    assert fitting_steps(0.25) == 32
    assert fitting_steps(0.4595) == 59
    assert fitting_steps(0.5) == STEPS


def plain_edge(level_db: Floats, wide: int, lowest: int, soft: bool) -> int | None:
    """As ``_find_edge`` would be if it asked everywhere."""
    half, last = wide // 2, len(level_db) - 2
    at = np.arange(max(lowest, 3 * wide), last)
    if not len(at):
        return None
    rest = np.array([level_db[index:].max() for index in range(len(level_db))])
    middle = np.array(
        [np.median(level_db[index : index + wide]) for index in range(len(level_db) - wide + 1)]
    )
    below, further = middle[at - half - wide], middle[at - 3 * wide]
    fall = below - rest[np.minimum(at + half, last)]
    fall[further - below >= bands.SLOPE * fall] = 0.0
    steepest = int(np.argmax(np.minimum(fall, bands.ENOUGH_DB) if soft else fall))
    if fall[steepest] <= bands.FALL_DB:
        return None
    start = int(at[steepest]) - half - wide
    edge = start + int(np.flatnonzero(level_db[start : at[steepest] + half] > below[steepest] - 3.0)[-1])
    return min(edge, int(at[steepest]) - half - wide // 4) if soft else edge


@pytest.mark.parametrize("soft", [False, True])
def test_an_edge_is_asked_for_only_where_one_can_be(soft: bool) -> None:
    rng = np.random.default_rng(7)
    found = 0
    for _ in range(300):
        size = int(rng.choice([257, 513]))
        level_db = np.cumsum(rng.normal(-0.05, rng.uniform(0.0, 1.5), size)) + rng.normal(0.0, 1.0, size)
        fade = (np.arange(size) - rng.uniform(0.2, 0.99) * size) / rng.uniform(1.0, 60.0)
        level_db -= rng.uniform(0.0, 60.0) * np.clip(fade, 0.0, 1.0)
        wide, lowest = int(rng.integers(3, 50)), int(rng.uniform(0.02, 0.3) * size)
        edge = bands._find_edge(level_db, wide, lowest, soft=soft)
        assert edge == plain_edge(level_db, wide, lowest, soft)
        found += edge is not None
    assert 60 < found < 240


def test_powers_and_medians_are_those_of_plain_numpy(rng: np.random.Generator) -> None:
    """To the last bit: which edge is taken depends on them."""
    spectra = np.fft.rfft(rng.normal(size=(2, 5, 64)), axis=2)
    power = np.empty(spectra.shape)
    sum_squares(spectra.view(np.float64).reshape(-1), power.reshape(-1))
    np.testing.assert_array_equal(power, np.square(spectra.real) + np.square(spectra.imag))
    for wide in (1, 2, 5, 12):
        rows = rng.normal(size=(7, wide))
        np.testing.assert_array_equal(_medians(rows), np.median(rows, axis=1))


def test_a_take_that_is_seen_frame_by_frame_has_the_same_edge(rng: np.random.Generator) -> None:
    """Planes of a take that is not to be mended are a view of its frames."""
    once = 0.001 * rng.standard_normal((60_000, 2))
    raised = soxr.resample(once, 32_000, 44_100, quality="VHQ")
    for frames in (raised, 0.001 * rng.standard_normal((80_000, 2))):
        of_view, of_copy = (
            BandWatch(44_100, 1, lossy=True).look(planes, 0)
            for planes in (frames.T, frames.T.copy(order="C"))
        )
        assert (of_view is None) == (of_copy is None)
        if of_view is not None and of_copy is not None:
            assert (of_view.edge, of_view.reach) == (of_copy.edge, of_copy.reach)
