"""Tracks of ``aac`` end to end are the side, in three decoders that know nothing of each other's habits.

The end is stated in both known ways: the edit list of ISO/IEC 14496-12, section 8.6.6, and the text of delay, padding
and length in the metadata (common practice, no source).
"""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from mutagen.mp4 import MP4
from numpy.typing import NDArray

from sidekeep.files.tags.sound_edit import read_sound_edit
from tests.copies.feeder import FOLDER, Feeder
from tests.outside import library


def by_pyav(path: Path) -> NDArray[np.float64]:
    av = library("av")
    with av.open(str(path)) as container:
        blocks = [frame.to_ndarray().T for frame in container.decode(audio=0)]
    return np.concatenate(blocks).astype(np.float64)


def by_ffmpeg(path: Path) -> NDArray[np.float64]:
    command = ["ffmpeg", "-v", "error", "-i", str(path), "-f", "f32le", "-"]
    raw = subprocess.run(command, check=True, capture_output=True).stdout
    return np.frombuffer(raw, "<f4").reshape(-1, 2).astype(np.float64)


def by_faad(path: Path) -> NDArray[np.float64]:
    """This one plays all packets and leaves the edit list to its caller: the skip is taken off here, the end is its
    own."""
    out = path.with_suffix(".faad.wav")
    subprocess.run(["faad", "-q", "-b", "4", "-o", str(out), str(path)], check=True, capture_output=True)
    audio, _ = soundfile.read(out, always_2d=True)
    edit = read_sound_edit(path)
    assert edit is not None
    # It swallows the first packet, which only primes the overlap.
    before = len(audio) - edit.length_frames
    assert before in (edit.skip_frames, edit.skip_frames - 1024)
    return np.asarray(audio[before:])


@pytest.fixture(scope="module")
def side(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[Path], NDArray[np.float64]]:
    feeder = Feeder(tmp_path_factory.mktemp("aac"), lengths=((61_007, 50_111, 49_152, 48_001),))
    feeder.record = feeder.record.__class__(
        artist="The Wicker Boats", title="Tallow Wharf Almanac", year=1971
    )
    feeder.copies("aac")
    return sorted((feeder.out / FOLDER / "aac").glob("*.m4a")), feeder.played(0)


@pytest.mark.outside
@pytest.mark.parametrize("reader", [by_ffmpeg, by_pyav, by_faad])
def test_tracks_end_to_end_are_the_side(
    side: tuple[list[Path], NDArray[np.float64]],
    reader: Callable[[Path], NDArray[np.float64]],
    program: Callable[[str], str],
) -> None:
    if reader is not by_pyav:
        program("ffmpeg" if reader is by_ffmpeg else "faad")
    paths, played = side
    tracks = [reader(path) for path in paths]
    assert [len(track) for track in tracks] == [61_007, 50_111, 49_152, 48_001]
    whole = np.concatenate(tracks)
    rest = whole - played
    power = np.mean(played**2)
    assert 10 * np.log10(np.mean(rest**2) / power) < -24.0
    for cut in np.cumsum([len(track) for track in tracks])[:-1]:
        near = rest[cut - 256 : cut + 256]
        assert 10 * np.log10(np.mean(near**2) / power) < -20.0


def test_the_end_is_stated_in_both_ways(side: tuple[list[Path], NDArray[np.float64]]) -> None:
    for path, length in zip(side[0], (61_007, 50_111, 49_152, 48_001), strict=True):
        edit = read_sound_edit(path)
        assert edit is not None
        assert edit.length_frames == length
        assert (edit.skip_frames + length) % 1024 == 0
        (text,) = MP4(path).tags["----:com.apple.iTunes:iTunSMPB"]
        numbers = [int(word, 16) for word in bytes(text).decode().split()]
        assert numbers[:4] == [0, edit.skip_frames, 0, length]
        assert len(numbers) == 12


def test_chapters_keep_the_edit(tmp_path: Path) -> None:
    """One file for the record is written anew with its chapters: what it says of its ends must come along."""
    feeder = Feeder(tmp_path)
    feeder.copies("record-aac")
    (path,) = tmp_path.rglob("*.m4a")
    edit = read_sound_edit(path)
    frames = sum(stop - start for side in feeder.sides for start, stop in side.spans)
    assert edit is not None
    assert edit.length_frames == frames
    assert len(by_pyav(path)) == frames
