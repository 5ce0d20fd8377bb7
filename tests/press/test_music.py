"""The demo record as a whole, at 32 kHz to save time, and the null set."""

from __future__ import annotations

import re

import numpy as np
import pyebur128
import pytest

from sidekeep.errors import ParameterError
from sidekeep.press.music import demo_record as demo
from sidekeep.press.music.demo_record import (
    DemoPiece,
    demo_pieces,
    demo_pieces_in_turn,
    demo_record,
    demo_sleeve_text,
)
from sidekeep.press.music.filters import pass_band
from sidekeep.press.music.first_side import lantern, soundings
from sidekeep.press.music.nullset import BORROWED, SOUNDS, null_set, null_sound
from sidekeep.press.music.tone import Array

RATE_HZ = 32_000


@pytest.fixture(scope="module")
def sides() -> dict[str, list[DemoPiece]]:
    return {"A": demo_pieces("A", RATE_HZ), "B": demo_pieces("B", RATE_HZ)}


def all_pieces(sides: dict[str, list[DemoPiece]]) -> list[DemoPiece]:
    return [*sides["A"], *sides["B"]]


def loudness_lufs(audio: Array) -> float:
    """BS.1770 integrated loudness by an independent library."""
    meter = pyebur128.R128State(2, RATE_HZ, pyebur128.MeasurementMode.MODE_I)
    meter.add_frames(np.ascontiguousarray(audio).ravel(), audio.shape[0])
    return float(pyebur128.get_loudness_global(meter))


def short_levels_db(audio: Array, window_s: float) -> Array:
    window = int(window_s * RATE_HZ)
    count = audio.shape[0] // window
    power = np.mean(audio[: count * window].reshape(count, window * 2) ** 2, axis=1)
    return 10.0 * np.log10(power + 1e-20)


def test_sleeve_text_follows_the_contract() -> None:
    lines = demo_sleeve_text().splitlines()
    assert re.fullmatch(r"[^-]+ - [^-]+ \(\d{4}\)", lines[0])
    assert [line for line in lines if line.startswith("Side")] == ["Side A", "Side B"]
    tracks = [line for line in lines if re.fullmatch(r"[AB][1-4] .+ \d:\d\d", line)]
    assert [line[:2] for line in tracks] == ["A1", "A2", "A3", "A4", "B1", "B2", "B3", "B4"]


def test_record_and_sleeve_text_agree() -> None:
    text = demo_sleeve_text()
    record = demo_record()
    assert text.startswith(f"{record.artist} - {record.title} ({record.year})\n")
    assert record.track_count == 8
    assert all(f"{track.position} {track.title} " in text for side in record.sides for track in side.tracks)


def test_pieces_match_the_sleeve(sides: dict[str, list[DemoPiece]]) -> None:
    for side in demo_record().sides:
        pieces = sides[side.name]
        assert [piece.title for piece in pieces] == [track.title for track in side.tracks]
        for piece, track in zip(pieces, side.tracks):
            assert track.duration_s is not None
            assert abs(piece.audio.shape[0] / RATE_HZ - track.duration_s) < 1.0
            assert 25.0 <= track.duration_s <= 45.0


def test_levels_are_sane(sides: dict[str, list[DemoPiece]]) -> None:
    loudness = {}
    for piece in all_pieces(sides):
        assert piece.audio.shape[1] == 2
        assert np.all(np.isfinite(piece.audio))
        assert np.max(np.abs(piece.audio)) < 0.98
        assert np.max(np.abs(np.mean(piece.audio, axis=0))) < 1e-4
        loudness[piece.title] = loudness_lufs(piece.audio)
        assert -30.0 < loudness[piece.title] < -14.0
    assert loudness["Saltmarket Parade"] > loudness["Lantern Drift"] + 6.0


def test_stereo_is_true(sides: dict[str, list[DemoPiece]]) -> None:
    for piece in all_pieces(sides):
        left, right = piece.audio.T
        apart_db = 10.0 * np.log10(np.sum((left - right) ** 2) / np.sum((left + right) ** 2))
        assert -20.0 < apart_db < 0.0
        balance_db = 10.0 * np.log10(np.sum(left**2) / np.sum(right**2))
        assert abs(balance_db) < 3.0


def test_pieces_begin_and_end_at_zero_but_for_the_segue(sides: dict[str, list[DemoPiece]]) -> None:
    assert [piece.boundary for piece in all_pieces(sides)] == [*["gap"] * 6, "segue", "gap"]
    for index, piece in enumerate(sides["A"] + sides["B"]):
        if piece.boundary == "gap":
            assert np.max(np.abs(piece.audio[0])) < 1e-6
        if index != 5:
            assert np.max(np.abs(piece.audio[-1])) < 1e-6


def test_segue_joins_without_a_seam(sides: dict[str, list[DemoPiece]]) -> None:
    before, after = sides["B"][1].audio, sides["B"][2].audio
    half = RATE_HZ // 10
    joined = np.concatenate([before[-half:], after[:half]])
    # Sound on both sides of the seam, and no step across it larger than the music's own.
    assert np.sqrt(np.mean(joined[:half] ** 2)) > 0.003
    assert np.sqrt(np.mean(joined[half:] ** 2)) > 0.003
    steps = np.max(np.abs(np.diff(joined[: half + 2], axis=0)), axis=1)
    assert steps[half - 1] <= np.max(steps[: half - 1])


def test_last_piece_fades_away(sides: dict[str, list[DemoPiece]]) -> None:
    audio = sides["B"][3].audio
    levels_db = short_levels_db(audio, 2.45)  # one bar
    assert np.all(np.diff(levels_db[-4:]) < 0.0)
    assert short_levels_db(audio[-RATE_HZ // 2 :], 0.5)[0] < np.median(levels_db) - 45.0


def test_quiet_piece_has_pauses_inside(sides: dict[str, list[DemoPiece]]) -> None:
    levels_db = short_levels_db(sides["A"][3].audio, 0.1)
    quiet = levels_db < np.max(levels_db) - 50.0
    edges = np.flatnonzero(np.diff(np.concatenate([[0], quiet, [0]])))
    inside = [
        (start, stop) for start, stop in zip(edges[::2], edges[1::2]) if start > 5 and stop < quiet.size - 5
    ]
    assert sum(stop - start >= 4 for start, stop in inside) >= 3
    assert max(stop - start for start, stop in inside) <= 20


def test_treble_and_bass_are_both_there(sides: dict[str, list[DemoPiece]]) -> None:
    for piece in all_pieces(sides):
        whole = np.mean(piece.audio**2)
        for low_hz, high_hz, share_db in ((30.0, 250.0, -20.0), (250.0, 2500.0, -8.0), (5000.0, 1e9, -46.0)):
            band = np.mean(pass_band(piece.audio, low_hz, high_hz, RATE_HZ, 6) ** 2)
            assert 10.0 * np.log10(band / whole) > share_db, (piece.title, low_hz)


def test_same_seed_same_samples() -> None:
    for compose in (soundings, lantern):
        first, again, other = (compose(RATE_HZ, 4.0, np.random.default_rng(seed)) for seed in (3, 3, 4))
        assert np.array_equal(first, again)
        assert not np.array_equal(first, other)


def test_the_first_piece_comes_before_the_others_are_played(
    sides: dict[str, list[DemoPiece]], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(demo, "ledger", None)
    pieces = demo_pieces_in_turn("A", RATE_HZ)
    first = next(pieces)
    assert (first.title, first.boundary) == (sides["A"][0].title, "gap")
    np.testing.assert_array_equal(first.audio, sides["A"][0].audio)
    with pytest.raises(TypeError):
        next(pieces)


def test_a_side_that_is_not_there_is_refused() -> None:
    with pytest.raises(ParameterError, match="must be A or B"):
        demo_pieces("C", RATE_HZ)  # type: ignore[arg-type]
    with pytest.raises(ParameterError, match="at least 32000"):
        demo_pieces("A", 22_050)


def test_null_set_is_clean_and_loud_enough() -> None:
    seconds = 2.5
    rate_hz = 44_100
    sounds = null_set(rate_hz, seconds)
    assert [name for name, _ in sounds] == list(SOUNDS)
    assert set(BORROWED) < set(SOUNDS)
    for name, audio in sounds:
        assert audio.shape == (round(seconds * rate_hz), 2), name
        assert np.all(np.isfinite(audio)), name
        assert np.max(np.abs(audio)) == pytest.approx(10 ** (-3 / 20)), name
        assert np.all(audio[0] == 0.0), name
        assert 20 * np.log10(np.sqrt(np.mean(audio**2))) > -40.0, name


def test_null_set_has_no_groove_noise() -> None:
    """Between the notes of the solo trumpet and the castanets there is nothing at all."""
    for name in ("solo-trumpet", "castanets", "claves"):
        audio = null_sound(name, 44_100, 4.0)
        quietest = np.min(np.max(np.abs(audio[: 4 * 44_100 // 441 * 441].reshape(-1, 441 * 2)), axis=1))
        assert quietest < 1e-4, name


def test_null_sounds_repeat_and_differ_by_seed() -> None:
    first, again, other = (null_sound("brass-section", 44_100, 2.0, seed) for seed in (1, 1, 2))
    assert np.array_equal(first, again)
    assert not np.array_equal(first, other)


def test_null_sound_says_what_it_has() -> None:
    with pytest.raises(ParameterError, match="brass-section"):
        null_sound("kazoo", 44_100, 3.0)
    with pytest.raises(ParameterError, match="at least 2"):
        null_sound("piano", 44_100, 1.0)
