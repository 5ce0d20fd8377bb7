"""The master bag: takes untouched, documents beside them, the same bag again, another one refused."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.copies.kept.verify import verify_folder
from sidekeep.copies.master.build import MasterPlan, MasterTake
from sidekeep.errors import AudioFileError, CopyError
from sidekeep.files.checksum import file_sha256
from sidekeep.files.wave.bext import Bext, history_line
from sidekeep.files.writing.sinks import open_sink
from tests.copies.feeder import Feeder, tree
from tests.outside import library

FOLDER = "The Wicker Boats - Tallow Wharf Almanac (1971)"
BEXT = Bext(
    description="Tallow Wharf Almanac side A",
    originator="sidekeep",
    origination_date="2026-11-25",
    origination_time="20:15:00",
    coding_history=history_line("ANALOGUE", text="turntable, cartridge")
    + history_line("PCM", rate_hz=48_000, bits=24, text="converter"),
)


@pytest.fixture
def takes(tmp_path: Path, rng: np.random.Generator) -> Path:
    folder = tmp_path / "takes"
    folder.mkdir()
    numbers = rng.integers(-(2**23), 2**23, (20_000, 2), dtype=np.int64).astype(np.int32)
    own = Bext(description="as the recorder wrote it", originator="another recorder")
    with open_sink(folder / "a.wav", "bwf", rate_hz=48_000, channels=2, bits=24, bext=own) as sink:
        sink.write_int(numbers)
    soundfile.write(folder / "plain.wav", numbers << 8, 48_000, subtype="PCM_24")
    soundfile.write(folder / "b.flac", numbers << 8, 48_000, subtype="PCM_24")
    soundfile.write(folder / "c.aiff", numbers >> 8 << 16, 48_000, subtype="PCM_16")
    soundfile.write(folder / "float.wav", numbers / 2.0**23 * 1.5, 48_000, subtype="FLOAT")
    soundfile.write(folder / "lossy.ogg", numbers / 2.0**23 * 0.1, 48_000)
    return folder


def plan(takes: Path, *names: str) -> MasterPlan:
    return MasterPlan(
        takes=tuple(
            MasterTake(
                path=takes / name,
                name=f"side {chr(65 + n)}",
                sha256=file_sha256(takes / name) if (takes / name).exists() else "",
                bext=BEXT,
            )
            for n, name in enumerate(names)
        ),
        documents={"sleeve.txt": b"The Wicker Boats - Tallow Wharf Almanac\n", "cuts.toml": b"x = 1\n"},
        info={"Source-Organization": "Umberlatch", "External-Description": "Tallow Wharf Almanac"},
    )


def test_every_sort_of_take(tmp_path: Path, takes: Path) -> None:
    feeder = Feeder(tmp_path / "out")
    written = feeder.copies(
        "lossless,master",
        master=plan(takes, "a.wav", "plain.wav", "b.flac", "c.aiff", "float.wav", "lossy.ogg"),
    )
    data = tmp_path / "out" / FOLDER / "master" / "data"
    assert {path.relative_to(data).as_posix() for path in data.rglob("*") if path.is_file()} == {
        "sleeve.txt",
        "cuts.toml",
        "recordings-sha256.txt",
        "takes/side A.wav",
        "takes/side B.wav",
        "takes/side C.wav",
        "takes/side D.wav",
        "takes/side E.wav",
        "takes/side F.ogg",
    }
    # With bext, float and lossy ones: the very file. The others: the very samples, in a wave file with bext.
    assert (data / "takes" / "side A.wav").read_bytes() == (takes / "a.wav").read_bytes()
    assert (data / "takes" / "side E.wav").read_bytes() == (takes / "float.wav").read_bytes()
    assert (data / "takes" / "side F.ogg").read_bytes() == (takes / "lossy.ogg").read_bytes()
    for name, source in (("B", "plain.wav"), ("C", "b.flac"), ("D", "c.aiff")):
        got, rate_hz = soundfile.read(data / "takes" / f"side {name}.wav", dtype="int32")
        wanted, _ = soundfile.read(takes / source, dtype="int32")
        np.testing.assert_array_equal(got, wanted)
        assert rate_hz == 48_000
    result = verify_folder(tmp_path / "out")
    assert result.ok
    assert not result.extra
    assert {each.action for each in written} == {"made"}


def test_the_bag_is_valid_and_its_takes_carry_their_history(tmp_path: Path, takes: Path) -> None:
    """By the bagit package (RFC 8493) and by wavinfo (EBU Tech 3285)."""
    bagit = library("bagit")
    wavinfo = library("wavinfo")
    Feeder(tmp_path / "out").copies("master", master=plan(takes, "plain.wav"))
    bag = bagit.Bag(str(tmp_path / "out" / FOLDER / "master"))
    assert bag.is_valid()
    assert bag.info["Source-Organization"] == "Umberlatch"
    info = wavinfo.WavInfoReader(str(tmp_path / "out" / FOLDER / "master" / "data" / "takes" / "side A.wav"))
    assert info.bext.description == "Tallow Wharf Almanac side A"
    assert info.bext.originator_date == "2026-11-25"
    assert "A=PCM,F=48000,W=24,M=stereo,T=converter" in info.bext.coding_history


def test_only_a_master_needs_no_sound_fed(tmp_path: Path, takes: Path) -> None:
    feeder = Feeder(tmp_path / "out")
    written = feeder.copies("master", master=plan(takes, "a.wav"))
    assert feeder.fed == 0
    assert {each.kind for each in written} == {"master"}


def test_again_is_the_same_and_another_is_refused(tmp_path: Path, takes: Path) -> None:
    feeder = Feeder(tmp_path / "out")
    feeder.copies("lossless,master", master=plan(takes, "a.wav", "b.flac"))
    before = tree(tmp_path / "out")
    written = feeder.copies("lossless,master", master=plan(takes, "a.wav", "b.flac"))
    assert {each.action for each in written} == {"kept"}
    assert tree(tmp_path / "out") == before
    with pytest.raises(CopyError, match="holds another master"):
        feeder.copies("lossless,master", master=plan(takes, "b.flac"))
    assert tree(tmp_path / "out") == before
    feeder.copies("lossless,master", master=plan(takes, "b.flac"), replace_existing=True)
    assert verify_folder(tmp_path / "out").ok
    assert not (tmp_path / "out" / FOLDER / "master" / "data" / "takes" / "side B.wav").exists()


def test_a_take_that_is_gone_is_one_line(tmp_path: Path, takes: Path) -> None:
    with pytest.raises(AudioFileError, match="does not exist"):
        Feeder(tmp_path / "out").copies("master", master=plan(takes, "gone.wav"))
    assert not (tmp_path / "out" / FOLDER).exists()


def test_a_full_disk_leaves_no_half_bag(small_disk: Path, takes_elsewhere: Callable[[], Path]) -> None:
    with pytest.raises(CopyError, match=r"disk is full|grows past"):
        Feeder(small_disk / "out").copies("master", master=plan(takes_elsewhere(), "big.wav"))
    assert not (small_disk / "out" / FOLDER / "master").exists()


@pytest.fixture
def takes_elsewhere(tmp_path_factory: pytest.TempPathFactory) -> Callable[[], Path]:
    """A take larger than the small disk, made by a child that has no limit."""

    def make() -> Path:
        folder = tmp_path_factory.mktemp("big")
        import subprocess
        import sys

        code = (
            "import resource, sys, numpy, soundfile\n"
            "soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)\n"
            "resource.setrlimit(resource.RLIMIT_FSIZE, (hard, hard))\n"
            "soundfile.write(sys.argv[1], numpy.zeros((200000, 2)), 48000, subtype='PCM_24')\n"
        )
        subprocess.run([sys.executable, "-c", code, str(folder / "big.wav")], check=True)
        return folder

    return make
