"""Joins in loud music: tracks of lossy kinds, each decoded by itself and put end to end, are as good where they meet as
elsewhere. The encoders are given what is heard before and after."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from sidekeep.copies.run import lossy
from sidekeep.copies.run.run import CopyRun
from sidekeep.copies.run.spill import SpillWriter, spill_edge
from sidekeep.files.codecs.mp3 import read_info, tag_checksum
from sidekeep.files.writing.sink import FileSink
from sidekeep.files.writing.sinks import open_sink
from tests.copies.feeder import FOLDER, Feeder

LENGTHS = (46_003, 38_507, 30_001)


def loud(frames: int) -> NDArray[np.float64]:
    """Partials and hiss, never still: what a join in the middle of a piece meets."""
    rng = np.random.default_rng(5)
    time_s = np.arange(frames) / 48_000
    audio = 0.02 * rng.standard_normal((frames, 2))
    for hz in 110.0 * 2.0 ** (rng.choice(25, 7, replace=False) / 12.0):
        for partial in range(1, 6):
            audio += np.sin(2 * np.pi * hz * partial * time_s + rng.uniform(0, 6))[:, None] * (
                rng.uniform(0.4, 1.0, 2) / partial
            )
    return np.asarray(audio * (0.7 / np.abs(audio).max()))


@pytest.fixture(scope="module")
def side(tmp_path_factory: pytest.TempPathFactory) -> Feeder:
    feeder = Feeder(tmp_path_factory.mktemp("joins"), lengths=(LENGTHS,), gain=1.0)
    feeder.takes[0] = loud(len(feeder.takes[0]))
    feeder.copies("portable,portable-small,aac")
    return feeder


def by_ffmpeg(path: Path) -> NDArray[np.float64]:
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-f", "f32le", "-"]
    raw = subprocess.run(command, check=True, capture_output=True).stdout
    return np.frombuffer(raw, "<f4").reshape(-1, 2).astype(np.float64)


def by_mpg123(path: Path) -> NDArray[np.float64]:
    command = ["mpg123", "-q", "-e", "f32", "-s", str(path)]
    raw = subprocess.run(command, check=True, capture_output=True).stdout
    return np.frombuffer(raw, "<f4").reshape(-1, 2).astype(np.float64)


@pytest.mark.outside
@pytest.mark.parametrize(
    ("kind", "reader"),
    [
        ("portable", by_ffmpeg),
        ("portable", by_mpg123),
        ("portable-small", by_ffmpeg),
        ("portable-small", by_mpg123),
        ("aac", by_ffmpeg),
    ],
)
def test_joins_are_no_louder_than_the_rest(
    side: Feeder,
    kind: str,
    reader: Callable[[Path], NDArray[np.float64]],
    program: Callable[[str], str],
) -> None:
    program("ffmpeg" if reader is by_ffmpeg else "mpg123")
    tracks = [reader(path) for path in sorted((side.out / FOLDER / kind).glob("*.m[p4]?"))]
    assert [len(track) for track in tracks] == list(LENGTHS)
    rest = np.concatenate(tracks) - side.played(0)
    near = np.zeros(len(rest), bool)
    for cut in np.cumsum(LENGTHS)[:-1]:
        near[cut - 240 : cut + 240] = True
    # The first moments of the side, which nothing comes before, are not of a join.
    elsewhere = ~near & (np.arange(len(rest)) > 20_000)
    over_db = 10 * np.log10(np.mean(rest[near] ** 2) / np.mean(rest[elsewhere] ** 2))
    assert over_db < 1.5


def test_one_track_made_anew_has_its_neighbours(side: Feeder, tmp_path: Path) -> None:
    """A single file that is missing is the same again, though its neighbours are not made."""
    whole = Feeder(tmp_path, lengths=((20_011, 21_013, 20_507),))
    whole.copies("portable,aac")
    paths = [path for kind in ("portable", "aac") for path in sorted((whole.out / FOLDER / kind).glob("02*"))]
    before = [path.read_bytes() for path in paths]
    for path in paths:
        path.unlink()
    whole.copies("portable,aac")
    assert [path.read_bytes() for path in paths] == before


def test_a_track_made_lower_has_its_neighbours_as_low(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The sound around a track gets the track's gain: a step in level would be a click for the encoder."""
    feeder = Feeder(tmp_path, lengths=((10_011, 11_013, 9_000),), gain=1.0, peak=0.999)
    given = []

    def watched(path: Path, kind: str, **form: Any) -> FileSink:
        given.append((form["before"], form["after"]))
        return open_sink(path, kind, **form)

    monkeypatch.setattr(lossy, "open_sink", watched)
    with CopyRun(feeder.plan("portable", lossy_ceiling_dbtp=-3.0), threads=1) as run:
        feeder.feed(run)
        (lowered_db,) = {each.lowered_db for each in run.finish() if each.length_frames}
    assert lowered_db > 2.5
    gain = 10 ** (-lowered_db / 20)
    played = feeder.played(0)
    before, after = given[-2]
    assert before == pytest.approx(played[10_011 - 1152 : 10_011] * gain, abs=1e-6)
    assert after == pytest.approx(played[21_024 : 21_024 + 1152] * gain, abs=1e-6)
    assert given[-3][0] is None
    assert given[-1][1] is None


@pytest.mark.parametrize("channels", [1, 2])
def test_the_encoders_own_checksum_of_its_tag_is_ours(tmp_path: Path, channels: int) -> None:
    """The encoder writes the CRC-16 of its tag frame; ours over the same bytes is the same, and so in a file whose
    delay was stated anew."""
    sound = loud(9_000)[:, :channels]
    at = 36 if channels == 2 else 21
    for name, before in (("alone", None), ("second", sound[:1152])):
        path = tmp_path / f"{name}.mp3"
        with open_sink(path, "mp3-320", rate_hz=48_000, channels=channels, before=before) as sink:
            sink.write(sound)
        head = path.read_bytes()[:1024]
        end = at + 120 + 34
        assert int.from_bytes(head[end : end + 2], "big") == tag_checksum(head[:end])
        info = read_info(head)
        assert info is not None
        assert info.length_frames == 9_000
        assert info.delay == 576 + (0 if before is None else 1152)


def test_edges_of_a_spill(tmp_path: Path) -> None:
    sound = np.arange(20, dtype=np.float64).reshape(10, 2)
    writer = SpillWriter(tmp_path / "a.f32")
    writer.write(sound)
    writer.close()
    spill = (tmp_path / "a.f32", 2)
    assert np.array_equal(spill_edge(spill, 2, 3, at_end=True), sound[-3:])
    assert np.array_equal(spill_edge(spill, 2, 3, at_end=False), sound[:3])
    assert np.array_equal(spill_edge(spill, 2, 30, at_end=True), sound)
    assert spill_edge(None, 2, 3, at_end=True) is None
    mono = spill_edge((tmp_path / "a.f32", 1), 2, 2, at_end=True)
    assert np.array_equal(mono, [[18.0, 18.0], [19.0, 19.0]])
