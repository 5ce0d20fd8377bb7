"""Sides of one record may differ in rate and channels: every kind is made, and is each side's own sound."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.copies.kinds.table import KINDS
from sidekeep.copies.run.run import CopyRun
from sidekeep.files.checksum import file_sha256
from tests.copies.feeder import FOLDER, Feeder, decoded
from tests.copies.test_master import BEXT, MasterPlan, MasterTake

LONG_S = 4.05
"""Just long enough for a track of a CD: a shorter one is joined to the next."""


def mixed(folder: Path, second_hz: int, second_channels: int, track_s: float = 1.2) -> Feeder:
    """Side A at 48 kHz in stereo, side B otherwise; all three tracks about as long."""
    first = round(track_s * 48_000)
    lengths = ((first + 7, first - 89), (round(track_s * second_hz) + 123,))
    feeder = Feeder(folder, lengths=lengths)
    other = Feeder(folder, lengths=lengths, rate_hz=second_hz, channels=second_channels)
    feeder.sides[1], feeder.takes[1] = other.sides[1], other.takes[1]
    return feeder


@pytest.mark.parametrize(("second_hz", "second_channels"), [(44_100, 2), (48_000, 1), (96_000, 1)])
def test_every_kind_of_a_mixed_record(tmp_path: Path, second_hz: int, second_channels: int) -> None:
    feeder = mixed(tmp_path / "out", second_hz, second_channels, LONG_S)
    takes = []
    for name, side in zip(("A", "B"), (0, 1), strict=True):
        path = tmp_path / f"{name}.wav"
        soundfile.write(path, feeder.takes[side], feeder.sides[side].rate_hz, subtype="PCM_24")
        takes.append(MasterTake(path=path, name=f"side {name}", sha256=file_sha256(path), bext=BEXT))
    written = feeder.copies("all", master=MasterPlan(takes=tuple(takes)))
    kinds = {each.kind for each in written}
    assert kinds == set(KINDS)
    sounds = {each.path.relative_to(tmp_path / "out" / FOLDER).as_posix(): each.path for each in written}
    # The exact copy of side B is side B, at its own rate and channels, to the 24th bit and its dither.
    info = soundfile.info(sounds["lossless/03 Tide Table.flac"])
    assert (info.samplerate, info.channels) == (second_hz, second_channels)
    rest = decoded(sounds["lossless/03 Tide Table.flac"]) - feeder.played(1)
    assert np.abs(rest).max() < 2.5 * 2.0**-23
    rest = np.concatenate([decoded(sounds[f"lossless/{n}.flac"]) for n in ("01 Lamp Oil", "02 Grüße")])
    assert np.abs(rest - feeder.played(0)).max() < 2.5 * 2.0**-23
    # A CD and a file for the whole record hold both in one form; a mono side is on both channels there.
    for path in ("cd/03 Tide Table.wav", "record/Tallow Wharf Almanac.flac"):
        info = soundfile.info(sounds[path])
        assert info.channels == 2
    last = decoded(sounds["cd/03 Tide Table.wav"])
    if second_channels == 1:
        assert np.array_equal(last[:, 0], last[:, 1])
    assert abs(len(last) / 44_100 - (LONG_S + 123 / second_hz)) < 0.02


@pytest.mark.parametrize("turn", range(2))
def test_two_rates_meet_in_one_without_a_clash(tmp_path: Path, turn: int) -> None:
    """Portable copies go at each side's family rate, phone copies at 48 kHz: side A is needed at 48 kHz twice."""
    feeder = mixed(tmp_path / str(turn), 44_100, 2)
    feeder.copies("portable,phone,aac")
    assert len(list(tmp_path.rglob("*.opus"))) == 3


def test_one_rate_gives_the_bytes_it_gave(tmp_path: Path) -> None:
    """Dither is addressed by the place on the record at the rate of the file, whatever else is made."""
    both = mixed(tmp_path / "both", 44_100, 2)
    both.copies("lossless,record")
    alone = mixed(tmp_path / "alone", 44_100, 2)
    alone.copies("record")
    one, other = (tmp_path / name / FOLDER / "record" for name in ("both", "alone"))
    assert [file_sha256(path) for path in sorted(one.iterdir())] == [
        file_sha256(path) for path in sorted(other.iterdir())
    ]


def test_a_broken_mixed_run_goes_on(tmp_path: Path) -> None:
    feeder = mixed(tmp_path, 44_100, 1)
    plan = feeder.plan("record-aac,phone")
    run = CopyRun(plan)
    run.begin()
    feeder.feed(run, only=["A"])
    run.abandon()
    feeder.copies("record-aac,phone")
    assert len(list(tmp_path.rglob("*.m4a"))) == 1


def test_a_record_of_one_track_is_a_cd_and_its_image(tmp_path: Path) -> None:
    """Both are the same sound to the bit, and two files."""
    feeder = Feeder(tmp_path, lengths=((180_007,),))
    paths = [file.path for file in feeder.copies("cd,cd-image") if file.path.suffix == ".wav"]
    assert [path.parent.name for path in paths] == ["cd", "cd-image"]
    assert np.array_equal(*(soundfile.read(path, dtype="int16")[0] for path in paths))
