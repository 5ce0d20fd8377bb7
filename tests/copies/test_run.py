"""The run over a record: right samples, joined tracks, same bytes again, nothing half, nothing lost."""

from __future__ import annotations

import gc
import io
import shutil
import unicodedata
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from mutagen.id3 import ID3
from PIL import Image

from sidekeep.copies.kept.history import MAKING_FOLDER
from sidekeep.copies.kept.manifest import read_manifest
from sidekeep.copies.run import lossy_files
from sidekeep.copies.run.run import CopyRun
from sidekeep.dsp.output.resample import resample
from sidekeep.errors import CopyError, ParameterError
from sidekeep.files.checksum import file_sha256
from sidekeep.files.pictures.artwork import Picture, PictureKind, prepare_picture
from sidekeep.files.writing.sink import FileSink
from sidekeep.model.recipe import CopySettings
from sidekeep.wording.findings import finding_text
from tests.copies.feeder import FOLDER, Feeder, decoded, record, tree
from tests.quantising import quantise

EVERY = "lossless,portable,portable-small,aac,phone,alac,wav,aiff,side,record,record-aac,record-opus,cd"


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Feeder:
    """All kinds of a small record at 96 kHz, made once."""
    feeder = Feeder(tmp_path_factory.mktemp("copies"), rate_hz=96_000, lengths=((61_007, 52_111), (420_000,)))
    feeder.written = feeder.copies(EVERY)
    return feeder


def files(feeder: Feeder, kind: str) -> list[Path]:
    return [each.path for each in feeder.written if each.kind == kind and each.length_frames]


def test_names_and_folders(finished: Feeder) -> None:
    names = [path.relative_to(finished.out).as_posix() for path in files(finished, "lossless")]
    assert names == [
        f"{FOLDER}/lossless/01 Lamp Oil.flac",
        f"{FOLDER}/lossless/02 Grüße.flac",
        f"{FOLDER}/lossless/03 Tide Table.flac",
    ]
    assert not (finished.out / FOLDER / MAKING_FOLDER).exists()
    assert not list(finished.out.rglob("*.part"))


@pytest.mark.parametrize("kind", ["lossless", "alac", "wav", "aiff", "side", "record"])
def test_exact_kinds_hold_the_dithered_record_and_join(finished: Feeder, kind: str) -> None:
    record_frames = np.concatenate([finished.played(0), finished.played(1)])
    wanted = quantise(record_frames, bits=24, seed=1)
    got = np.concatenate([decoded(path) for path in files(finished, kind)])
    np.testing.assert_array_equal(np.rint(got * 2**23).astype(np.int32), wanted)


@pytest.mark.parametrize(
    ("kind", "least_snr_db"),
    [("portable", 20.0), ("portable-small", 18.0), ("aac", 20.0), ("phone", 15.0), ("record-aac", 20.0)],
)
def test_lossy_tracks_join_to_the_side_without_a_lost_frame(
    finished: Feeder, kind: str, least_snr_db: float
) -> None:
    wanted = np.concatenate(
        [resample(finished.played(side), rate_hz=96_000, new_rate_hz=48_000) for side in range(2)]
    )
    got = np.concatenate([decoded(path) for path in files(finished, kind)])
    assert len(got) == len(wanted)

    def snr_db(lag: int) -> float:
        a, b = wanted[50 : len(wanted) - 50], got[50 + lag : len(got) - 50 + lag]
        return float(10.0 * np.log10((a**2).sum() / ((a - b) ** 2).sum()))

    # Opus leaves its own delay of a fraction of a frame; every other codec is aligned exactly.
    assert max((-1, 0, 1), key=snr_db) in ((0,) if kind != "phone" else (-1, 0))
    assert snr_db(0) > least_snr_db


def test_cd_tracks_are_whole_cd_frames_and_join(finished: Feeder) -> None:
    got = [np.rint(decoded(path) * 2**15).astype(np.int32) for path in files(finished, "cd")]
    assert all(len(track) % 588 == 0 for track in got)
    # The two short tracks of side A cannot be CD tracks of their own (4 s), so all three are one.
    assert len(got) == 1
    place, whole = 0, []
    for side in range(2):
        at_44 = resample(finished.played(side), rate_hz=96_000, new_rate_hz=44_100)
        padded = np.zeros((-(-len(at_44) // 588) * 588, 2))
        padded[: len(at_44)] = at_44
        whole.append(quantise(padded, bits=16, seed=1, start_frame=place))
        place += len(padded)
    np.testing.assert_array_equal(np.concatenate(got), np.concatenate(whole))
    assert [finding.kind for finding in finished.findings] == ["cd-short-track"]


def test_the_manifest_lists_every_file_with_its_checksum(finished: Feeder) -> None:
    folder = finished.out / FOLDER
    sums = read_manifest(folder)
    assert set(sums) == set(tree(folder)) - {"manifest-sha256.txt"}
    assert all(file_sha256(folder / path) == digest for path, digest in sums.items())
    written = {each.path.relative_to(folder).as_posix(): each.sha256 for each in finished.written}
    assert written.items() <= sums.items()


def test_a_second_run_keeps_everything_and_needs_no_sound(finished: Feeder) -> None:
    before = tree(finished.out)
    with CopyRun(finished.plan(EVERY)) as run:
        assert not any(run.needs_side(side.side) for side in run.plan.sides)
        written = run.finish()
    assert {each.action for each in written} == {"kept"}
    assert tree(finished.out) == before


def test_accents_that_a_disk_stored_apart_are_no_other_files(finished: Feeder, tmp_path: Path) -> None:
    """As copies come back from a disk that does so: each was made again beside the old one, under the same name to the eye."""
    shutil.copytree(finished.out, tmp_path / "old")
    apart = [path for path in (tmp_path / "old").rglob("*") if not path.name.isascii()]
    for path in apart:
        path.rename(path.with_name(unicodedata.normalize("NFD", path.name)))
    old = Feeder(tmp_path / "old", rate_hz=96_000, lengths=finished.lengths)
    with CopyRun(old.plan(EVERY)) as run:
        written = run.finish()
    assert len(apart) > 5
    assert {each.action for each in written} == {"kept"}
    assert tree(tmp_path / "old") == tree(finished.out)


def test_the_same_copies_in_another_place_are_the_same_bytes(finished: Feeder, tmp_path: Path) -> None:
    again = Feeder(tmp_path, rate_hz=96_000, lengths=finished.lengths, block_frames=70_001)
    again.copies(EVERY)
    assert tree(tmp_path) == tree(finished.out)


def test_a_new_title_tags_anew_and_gives_the_bytes_of_a_fresh_run(finished: Feeder, tmp_path: Path) -> None:
    shutil.copytree(finished.out, tmp_path / "old")
    changed = record((("Lamp Oil", "Grüße aus Übersee"), ("Tide Table",)), label="Umberlatch")
    old = Feeder(tmp_path / "old", record=changed, rate_hz=96_000, lengths=finished.lengths)
    with CopyRun(old.plan(EVERY)) as run:
        assert not any(run.needs_side(side.side) for side in run.plan.sides)
        written = run.finish()
    assert {each.action for each in written if each.length_frames} == {"tagged"}
    fresh = Feeder(tmp_path / "fresh", record=changed, rate_hz=96_000, lengths=finished.lengths)
    fresh.copies(EVERY)
    assert tree(tmp_path / "old") == tree(tmp_path / "fresh")


def test_samples_nobody_touched_stay_as_recorded(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path, gain=1.0, is_exact=True)
    written = feeder.copies("lossless")
    got = np.concatenate([decoded(each.path) for each in written if each.length_frames])
    np.testing.assert_array_equal(got, np.concatenate([feeder.played(0), feeder.played(1)]))


def test_mono_and_spans_that_do_not_adjoin(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path, channels=1, rate_hz=44_100)
    first, second = feeder.sides[0].spans
    feeder.sides[0] = replace(feeder.sides[0], spans=(first, (second[0] + 3_001, second[1])))
    written = feeder.copies("lossless,portable,side,cd,record-opus")
    lossless = [decoded(each.path) for each in written if each.kind == "lossless" and each.length_frames]
    assert [len(track) for track in lossless] == [31_007, 26_111 - 3_001, 28_000]
    assert lossless[0].shape[1] == 1
    (cd,) = [decoded(each.path) for each in written if each.kind == "cd" and each.length_frames]
    assert cd.shape[1] == 2
    np.testing.assert_array_equal(cd[:, 0], cd[:, 1])
    portable = [each for each in written if each.kind == "portable" and each.length_frames]
    assert [len(decoded(each.path)) for each in portable] == [31_007, 26_111 - 3_001, 28_000]


def test_sides_of_different_rates(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path)
    feeder.sides[1] = replace(feeder.sides[1], rate_hz=44_100)
    written = feeder.copies("lossless,portable,record")
    assert [soundfile.info(str(each.path)).samplerate for each in written if each.path.suffix == ".flac"] == [
        48_000,
        48_000,
        44_100,
        48_000,
    ]
    assert [len(decoded(each.path)) for each in written if each.path.suffix == ".mp3"] == [
        31_007,
        26_111,
        28_000,
    ]


def test_other_word_length_and_rate(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path, rate_hz=96_000, lengths=((61_007, 52_111),))
    written = feeder.copies(
        "lossless,aiff,side",
        settings=CopySettings(forms=("lossless=16,48000", "aiff=16,48000", "side=16,48000")),
    )
    wanted = quantise(resample(feeder.played(0), rate_hz=96_000, new_rate_hz=48_000), bits=16, seed=1)
    for kind in ("lossless", "aiff", "side"):
        paths = [each.path for each in written if each.kind == kind and each.length_frames]
        assert {soundfile.info(str(path)).subtype for path in paths} == {"PCM_16"}
        got = np.concatenate([decoded(path) for path in paths])
        np.testing.assert_array_equal(np.rint(got * 2**15).astype(np.int32), wanted)
    with pytest.raises(ParameterError, match="must be 16 or 24"):
        feeder.plan("lossless", settings=CopySettings(forms=("lossless=20",)))


def test_pictures_go_into_every_file_and_beside_them(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path, lengths=((9_600,), (9_600,)), record=record((("One",), ("Two",))))
    teal, red = art("front", "teal"), art("back", "red")
    written = feeder.copies("lossless,portable,phone,aac", pictures=[red, teal])
    for each in written:
        if each.length_frames and each.path.suffix != ".opus":
            content = each.path.read_bytes()
            assert teal.data in content
            assert red.data in content
    for kind in ("lossless", "portable", "phone", "aac"):
        assert (feeder.plan(kind).folder / kind / "cover.jpg").read_bytes() == teal.data
    again = feeder.copies("lossless,portable,phone,aac", pictures=[art("front", "gold")])
    assert feeder.fed == 0
    assert {each.action for each in again if each.length_frames} == {"tagged"}
    assert teal.data not in again[0].path.read_bytes()


def art(kind: PictureKind, colour: str) -> Picture:
    out = io.BytesIO()
    Image.new("RGB", (90, 90), colour).save(out, "PNG")
    return prepare_picture(out.getvalue(), kind)


# -- level ------------------------------------------------------------------------------------------------


def test_a_lossy_kind_that_passes_the_ceiling_is_made_lower_for_all_tracks_alike(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    feeder = Feeder(tmp_path / "hot", peak=1.0, gain=0.999)
    written = feeder.copies("lossless,portable", lossy_ceiling_dbtp=-1.0)
    lowered = {each.lowered_db for each in written if each.path.suffix == ".mp3"}
    assert len(lowered) == 1
    (lowered_db,) = lowered
    assert 0.9 < lowered_db < 3.0
    from sidekeep.dsp.level.true_peak import measure_true_peak

    peaks = [
        measure_true_peak(decoded(each.path), rate_hz=48_000)
        for each in written
        if each.path.suffix == ".mp3"
    ]
    assert 10 ** (-2.0 / 20) < max(peaks) <= 10 ** (-1.0 / 20)
    tags = [ID3(each.path) for each in written if each.path.suffix == ".mp3"]
    track_peaks = [float(each["TXXX:REPLAYGAIN_TRACK_PEAK"].text[0]) for each in tags]
    assert track_peaks == pytest.approx(peaks, abs=1e-5)
    assert {float(each["TXXX:REPLAYGAIN_ALBUM_PEAK"].text[0]) for each in tags} == {max(track_peaks)}
    assert "portable copies were made" in finding_text(feeder.findings[0], 1)
    with CopyRun(feeder.plan("lossless,portable", lossy_ceiling_dbtp=-1.0)) as run:
        assert not any(run.needs_side(side.side) for side in run.plan.sides)
        run.finish()
    # A run that broke off while making them lower comes to the same level.
    half = Feeder(tmp_path / "half", peak=1.0, gain=0.999)
    real = lossy_files.encode_lossy
    calls: list[float] = []

    def dies(*arguments: Any, lowered_db: float, **options: Any) -> Any:
        calls.append(lowered_db)
        if len([each for each in calls if each > 0.0]) == 2:
            raise RuntimeError("power")
        return real(*arguments, lowered_db=lowered_db, **options)

    with monkeypatch.context() as patch:
        patch.setattr(lossy_files, "encode_lossy", dies)
        with pytest.raises(CopyError, match="power"):
            half.copies("lossless,portable", lossy_ceiling_dbtp=-1.0)
    half.copies("lossless,portable", lossy_ceiling_dbtp=-1.0)
    assert half.fed == 0
    assert tree(tmp_path / "half") == tree(tmp_path / "hot")
    # A copy made later gets the level of its sisters.
    before = tree(tmp_path)
    (tmp_path / "hot" / FOLDER / "portable" / "02 Grüße.mp3").unlink()
    levels: list[float] = []

    def counted(*arguments: Any, lowered_db: float, **options: Any) -> Any:
        levels.append(lowered_db)
        return real(*arguments, lowered_db=lowered_db, **options)

    monkeypatch.setattr(lossy_files, "encode_lossy", counted)
    feeder.copies("lossless,portable", lossy_ceiling_dbtp=-1.0)
    assert levels == [lowered_db]
    assert tree(tmp_path) == before


def test_clipping_in_exact_copies_is_a_finding(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path, gain=3.0)
    feeder.copies("lossless")
    assert [finding.kind for finding in feeder.findings] == ["copies-clipped"]
    assert feeder.findings[0].severity == "look"
    # dither decides about the few samples within a step of full scale
    sound = np.concatenate([feeder.played(side).reshape(-1) for side in range(2)])
    most, least = (int((np.abs(sound) > 1.0 + away).sum()) for away in (-(2.0**-21), 2.0**-21))
    assert least <= feeder.findings[0].facts["samples"] <= most
    assert least > 100


def test_a_finished_file_is_let_go(tmp_path: Path) -> None:
    """An encoder holds megabytes: a record of many tracks must not gather them."""
    feeder = Feeder(tmp_path / "out")
    with CopyRun(feeder.plan("lossless,portable")) as run:
        feeder.feed(run)
        run.finish()
        gc.collect()
        sinks = [found for found in gc.get_objects() if isinstance(found, FileSink)]
        assert [sink.path for sink in sinks if sink.path.is_relative_to(tmp_path)] == []
