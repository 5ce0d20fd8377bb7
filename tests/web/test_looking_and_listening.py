"""Sound and pictures of any span, checked against the samples of the take."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
import scipy.signal
import soundfile
from numpy.typing import NDArray

from sidekeep.service.house.house import House
from sidekeep.service.house.takes.held_takes import HeldTake
from sidekeep.service.house.takes.waveform import waveform
from sidekeep.service.shelf.pyramids import PEAKS
from tests.web.conftest import RunningServer


@pytest.fixture(scope="module")
def samples(server: RunningServer, take_a: str) -> NDArray[np.float64]:
    return soundfile.read(server.house.takes.get(take_a).found.files[0], always_2d=True)[0]


def sound(server: RunningServer, take: str, start: int, stop: int, more: str = "") -> NDArray[np.float32]:
    answer = server.ask("GET", f"/api/takes/{take}/sound?start_frame={start}&stop_frame={stop}{more}")
    assert answer.status == 200, answer.body
    assert answer.headers["content-type"] == "audio/wav"
    return soundfile.read(io.BytesIO(answer.body), dtype="float32", always_2d=True)[0]


def test_as_played_is_the_take_bit_for_bit(
    server: RunningServer, take_a: str, samples: NDArray[np.float64]
) -> None:
    for start, stop in ((0, 1), (1000, 45_100), (len(samples) - 5, len(samples) + 500)):
        np.testing.assert_array_equal(sound(server, take_a, start, stop), samples[start:stop])


def test_what_was_taken_out_is_the_difference_and_level_is_decibels(
    server: RunningServer, take_a: str, samples: NDArray[np.float64]
) -> None:
    repairs = server.get(f"/api/takes/{take_a}/damage")["repairs"]
    _, start, stop, *_ = max(repairs, key=lambda row: row[5])
    span = (start - 2000, stop + 2000)
    played, mended = sound(server, take_a, *span), sound(server, take_a, *span, "&as=mended")
    taken = sound(server, take_a, *span, "&as=taken-out")
    np.testing.assert_allclose(taken, played - mended, atol=1e-7)
    assert np.abs(taken).max() > 1e-3
    outside = np.abs(taken)
    assert np.count_nonzero(outside.any(axis=1)) < len(taken)
    louder = sound(server, take_a, *span, "&as=taken-out&gain_db=6.0206")
    np.testing.assert_allclose(louder, 2.0 * taken, rtol=1e-4, atol=1e-7)


@pytest.mark.parametrize("query", ["start_frame=5&stop_frame=5", "start_frame=9&stop_frame=2", "start_frame=0", "start_frame=x&stop_frame=9",
    "start_frame=0&stop_frame=9&as=loud", "start_frame=0&stop_frame=9&gain_db=nan", "start_frame=0&stop_frame=9&gain_db=900",
    "start_frame=0&stop_frame=" + "9" * 30, "start_frame=0&stop_frame=" + "9" * 5000, "start_frame=-5&stop_frame=-1"])  # fmt: skip
def test_odd_spans_are_one_line_errors(server: RunningServer, take_a: str, query: str) -> None:
    answer = server.ask("GET", f"/api/takes/{take_a}/sound?{query}")
    if answer.status == 200:  # a far end is cut to the take
        assert len(answer.body) < 60 * 44_100 * 8 + 100
        return
    assert answer.status == 400
    assert answer.json()["error"]["code"]


def plain_columns(samples: NDArray[np.float64], start: int, stop: int, width: int) -> NDArray[np.float64]:
    """The plain twin: extremes of every column, sample by sample."""
    width = min(width, stop - start)
    edges = [start + column * (stop - start) // width for column in range(width + 1)]
    return np.array(
        [
            np.stack((samples[low:high].min(axis=0), samples[low:high].max(axis=0)), axis=-1)
            for low, high in zip(edges[:-1], edges[1:], strict=True)
        ]
    )


def peaks(
    server: RunningServer, take: str, start: int, stop: int, width: int, more: str = ""
) -> NDArray[np.float32]:
    answer = server.ask(
        "GET", f"/api/takes/{take}/peaks?start_frame={start}&stop_frame={stop}&width={width}{more}"
    )
    assert answer.status == 200, answer.body
    facts = json.loads(answer.headers["x-sidekeep-peaks"])
    return np.frombuffer(answer.body, "<f4").reshape(facts["columns"], facts["channels"], 2)


@pytest.mark.parametrize(
    ("start", "stop", "width"), [(0, 1, 50), (7, 57, 50), (100, 1100, 333), (5000, 200_000, 1000)]
)
def test_close_pictures_are_those_of_the_samples(
    server: RunningServer, take_a: str, samples: NDArray[np.float64], start: int, stop: int, width: int
) -> None:
    found = peaks(server, take_a, start, stop, width)
    np.testing.assert_allclose(found, plain_columns(samples, start, stop, width), atol=1e-7)


def test_wide_pictures_hold_every_peak_and_little_more(
    server: RunningServer, take_a: str, samples: NDArray[np.float64]
) -> None:
    length = len(samples)
    for start, stop, width in ((0, length, 500), (0, length, 1), (12_345, length - 777, 311)):
        found, exact = peaks(server, take_a, start, stop, width), plain_columns(samples, start, stop, width)
        assert (found[..., 0] <= exact[..., 0] + 1e-7).all()
        assert (found[..., 1] >= exact[..., 1] - 1e-7).all()
        # A bucket shared by two columns may lend a peak to its neighbour, and to no column farther away.
        padded = np.concatenate((exact[:1], exact, exact[-1:]))
        high = np.maximum.reduce((padded[:-2, :, 1], padded[1:-1, :, 1], padded[2:, :, 1]))
        inner = slice(1, -1)
        assert (found[inner, :, 1] <= high[inner] + 1e-7).all()


def test_a_mended_picture_shows_the_mended_sound(server: RunningServer, take_a: str) -> None:
    repairs = server.get(f"/api/takes/{take_a}/damage")["repairs"]
    _, start, stop, *_ = max((row for row in repairs if row[2] - row[1] < 500), key=lambda row: row[5])
    span = (start - 100, stop + 100)
    mended = sound(server, take_a, *span, "&as=mended")
    found = peaks(server, take_a, *span, span[1] - span[0], "&as=mended")
    np.testing.assert_array_equal(found[..., 0], mended)


def test_a_sine_stands_in_its_row_at_its_level(tmp_path: Path) -> None:
    """A full-scale sine of 1 kHz reads 0 dB in the row that holds 1 kHz and far less elsewhere; the level against
    the periodogram of scipy (spectrum scaling, a sine of amplitude 1 has a power of one half)."""
    from sidekeep.dsp.level.band_pyramid import FLOOR_DB
    from sidekeep.service.house.takes.spectrum import spectrum
    from sidekeep.service.shelf.adopting import adopt

    rate_hz = 48_000
    tone = 0.25 * np.sin(2 * np.pi * 1000.0 * np.arange(rate_hz * 2) / rate_hz)
    soundfile.write(tmp_path / "tone.wav", np.stack((tone, tone), axis=1), rate_hz, subtype="FLOAT")
    shelf = tmp_path / "shelf"
    adopted = adopt([tmp_path / "tone.wav"], shelf=shelf)
    house = House(shelf)
    (found,) = house.library.takes(adopted.folder.record_id)
    take: HeldTake = house.takes.get(found.take_id)
    picture = spectrum(take, 20_000, 60_000, 20, 100, scale="octaves")
    levels_db = FLOOR_DB * (1.0 - picture.levels.astype(float) / 255.0)
    row = int(np.searchsorted(picture.edges_hz, 1000.0) - 1)
    _, power = scipy.signal.periodogram(tone, rate_hz, "hann", scaling="spectrum")
    expected_db = 10.0 * np.log10(2.0 * power.max())
    assert (
        np.abs(levels_db[:, row] - expected_db).max() < 1.5
    )  # a tone between two bins reads up to 1.42 dB less
    assert levels_db[:, : row - 15].max() < expected_db - 60.0
    assert waveform(take, 0, 100, 10).columns.shape == (10, 2, 2)
    take.wait_for_bands()
    long = spectrum(take, 0, 96_000, 20, 100, scale="octaves")
    assert long.shows == "all"
    levels_db = FLOOR_DB * (1.0 - long.levels.astype(float) / 255.0)
    assert np.abs(levels_db[:, row] - expected_db).max() < 1.5
    assert levels_db[1:-1, : row - 15].max() < expected_db - 60.0  # at the ends the tone is cut off
    assert (adopted.folder.path / adopted.takes[0].folder / "bands.bin").exists()


def test_peaks_are_kept_beside_the_take_and_made_again(server: RunningServer, take_a: str) -> None:
    opened = server.house.takes.get(take_a)
    before = peaks(server, take_a, 0, 10**9, 400)
    kept = opened.found.path / PEAKS.file_name
    assert kept.exists()
    kept.write_bytes(kept.read_bytes()[:1000])  # a torn file
    np.testing.assert_array_equal(peaks(server, take_a, 0, 10**9, 400), before)  # what is open goes on
    again = HeldTake(opened.found)
    np.testing.assert_array_equal(waveform(again, 0, 10**9, 400).columns, before)
    assert kept.stat().st_size > 1000


def test_the_view_tells_what_the_side_place_draws(server: RunningServer, take_a: str) -> None:
    view = server.get(f"/api/takes/{take_a}/view")
    assert view["surveyed"]
    assert len(view["envelope"]["db"]) == len(view["envelope"]["peak_db"]) <= 6000
    assert view["turn"]["period_frames"] == pytest.approx(view["turn"]["period_s"] * view["rate_hz"])
    damage = server.get(f"/api/takes/{take_a}/damage")
    assert len(damage["repairs"]) == view["repairs_count"] > 0
    assert all(0.0 <= row[6] < 1.0 for row in damage["repairs"])
