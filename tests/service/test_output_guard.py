"""No output of any verb is, links to, or lies inside an input, a take or a bag, with --replace or without."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path

import pytest
import soundfile

from sidekeep.cli.main import main
from sidekeep.errors import ParameterError
from sidekeep.files.guard import OutputGuard
from tests.small_record import RATE_HZ, small_record


@pytest.fixture
def take(tmp_path: Path) -> Path:
    """A recording in a take's folder, read-only, with its facts."""
    folder = tmp_path / "shelf" / "Record" / "takes" / "A-1"
    folder.mkdir(parents=True)
    (tmp_path / "shelf" / "Record" / "record.toml").write_text('id = "1"\n', "utf-8")
    soundfile.write(folder / "take.wav", small_record().a.audio[: 3 * RATE_HZ], RATE_HZ, subtype="PCM_24")
    (folder / "take.json").write_text(json.dumps({"files": []}), "utf-8")
    (folder / "take.wav").chmod(0o444)
    return folder / "take.wav"


def hard(link: Path, target: Path) -> Path:
    link.hardlink_to(target)
    return link


def soft(link: Path, target: Path) -> Path:
    link.symlink_to(target)
    return link


WAYS: dict[str, Callable[[Path, Path], Path]] = {
    "itself": lambda folder, take: take,
    "by another spelling": lambda folder, take: take.parent / ".." / "A-1" / "take.wav",
    "a hard link": lambda folder, take: hard(folder / "out.wav", take),
    "a link": lambda folder, take: soft(folder / "out.wav", take),
    "through a linked folder": lambda folder, take: soft(folder / "way", take.parent) / "take.wav",
    "beside it in the take": lambda folder, take: take.parent / "out.wav",
}


@pytest.mark.parametrize("option", ["out", "taken out"])
@pytest.mark.parametrize("way", WAYS)
def test_mend_never_writes_over_a_take(
    take: Path, tmp_path: Path, way: str, option: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = take.read_bytes()
    output = WAYS[way](tmp_path, take)
    names = [str(output)] if option == "out" else [str(tmp_path / "fine.wav"), "--taken-out", str(output)]
    assert main(["mend", str(take), *names, "--replace"]) == 2
    assert "cannot be written" in capsys.readouterr().err
    assert take.read_bytes() == before
    assert sorted(path.name for path in take.parent.iterdir()) == ["take.json", "take.wav"]


def test_mend_does_not_write_two_files_into_one(take: Path, tmp_path: Path) -> None:
    out = str(tmp_path / "out.wav")
    assert main(["mend", str(take), out, "--taken-out", out, "--replace"]) == 2
    assert not (tmp_path / "out.wav").exists()


def test_mend_keeps_the_recording_beside_which_it_lies(tmp_path: Path) -> None:
    """A recording whose name looks like a temporary name of the output."""
    recording = tmp_path / "out.wav.part"
    soundfile.write(recording, small_record().a.audio[: 3 * RATE_HZ], RATE_HZ, subtype="PCM_24", format="WAV")
    before = recording.read_bytes()
    assert main(["mend", str(recording), str(tmp_path / "out.wav"), "--replace"]) == 0
    assert recording.read_bytes() == before


@pytest.mark.parametrize("verb", ["transfer", "adopt", "plan", "demo"])
@pytest.mark.parametrize("place", ["take", "bag"])
def test_no_verb_writes_into_a_take_or_a_bag(
    verb: str, place: str, take: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = take.parent
    if place == "bag":
        folder = tmp_path / "bag"
        (folder / "data").mkdir(parents=True)
        (folder / "bagit.txt").write_text("BagIt-Version: 1.0\n", "utf-8")
    before = sorted(folder.rglob("*"))
    sleeve = tmp_path / "sleeve.txt"
    sleeve.write_text("Marrow Lane - The Orchard Hours (1974)\nSide A\nA1 Dew on the Crates\n", "utf-8")
    inside = str(folder / "new")
    line = {
        "transfer": ["transfer", str(take), "--out", inside],
        "adopt": ["adopt", str(take), "--shelf", inside],
        "plan": ["shelf", "--shelf", inside, "plan", str(sleeve)],
        "demo": ["demo", "--out", inside],
    }[verb]
    assert main(line) == 2
    assert "where nothing is ever changed" in capsys.readouterr().err
    assert sorted(folder.rglob("*")) == before


def test_a_link_to_another_take_of_the_shelf_is_seen(take: Path, tmp_path: Path) -> None:
    out = hard(tmp_path / "out.wav", take)
    with pytest.raises(ParameterError, match="is a link to"):
        OutputGuard(shelf=tmp_path / "shelf").check(out)


def test_what_harms_nothing_is_let_through(take: Path, tmp_path: Path) -> None:
    (tmp_path / "old.wav").write_bytes(b"x")
    os.symlink(tmp_path / "nowhere", tmp_path / "dangling.wav")
    OutputGuard([take], shelf=tmp_path / "shelf").check(
        tmp_path / "new.wav",
        tmp_path / "old.wav",
        tmp_path / "dangling.wav",
        tmp_path / "shelf" / "Record" / "copies",
    )
