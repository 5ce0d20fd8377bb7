"""Small runs of the properties of ``./run bench fuzz``, and the faults found by hand, each by name."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from benchmarks.fuzz_properties import PROPERTIES
from hypothesis import HealthCheck, given, settings

from sidekeep.cli.main import main
from sidekeep.errors import ParameterError, ShelfError
from sidekeep.files.bounded import decode_json
from sidekeep.files.pictures.artwork import load_picture
from sidekeep.files.reading.reader import open_take
from sidekeep.shelf.index.index_faults import CATALOGUE
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import read_take

SLEEVE = "Nan Okoro - Salt Tables (1970)\nSide A\nA1 Lamp 0:02\n"


@pytest.mark.parametrize("name", PROPERTIES)
def test_any_input(name: str) -> None:
    strategy, check = PROPERTIES[name]

    @settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
    @given(strategy)
    def holds(material: object) -> None:
        check(material)

    holds()


@pytest.fixture
def shelf(tmp_path: Path) -> Path:
    """A shelf with one planned record."""
    (tmp_path / "sleeve.txt").write_text(SLEEVE)
    assert main(["shelf", "--shelf", str(tmp_path / "shelf"), "plan", str(tmp_path / "sleeve.txt")]) == 0
    return tmp_path / "shelf"


def listed(shelf: Path, capsys: pytest.CaptureFixture[str]) -> str:
    capsys.readouterr()
    assert main(["shelf", "--shelf", str(shelf), "list"]) == 0
    return capsys.readouterr().out


@pytest.mark.parametrize("damage", ["empty", "not one", "torn", "folder"])
def test_a_damaged_index_is_set_aside_and_made_again(
    shelf: Path, damage: str, capsys: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    path = shelf / CATALOGUE
    whole = path.read_bytes()
    for each in shelf.glob(f"{CATALOGUE}*"):
        each.unlink()
    if damage == "folder":
        path.mkdir()
    else:
        path.write_bytes({"empty": b"", "not one": b"x" * 5000, "torn": whole[:2048]}[damage])
    assert "Salt Tables" in listed(shelf, capsys)
    if damage != "empty":
        assert len([record for record in caplog.records if "set aside" in record.message]) == 1
        assert len(list(shelf.glob(f"{CATALOGUE}.damaged-*"))) == 1
    assert "Salt Tables" in listed(shelf, capsys)


@pytest.mark.parametrize("text", [b"id = [", b"\xff\xfe\0", b'id = "\\ud800"'])
def test_one_broken_record_does_not_empty_the_list(
    shelf: Path,
    tmp_path: Path,
    text: bytes,
    capsys: pytest.CaptureFixture[str],
    caplog: pytest.LogCaptureFixture,
) -> None:
    (tmp_path / "other.txt").write_text(SLEEVE.replace("Salt Tables", "Low Water"))
    assert main(["shelf", "--shelf", str(shelf), "plan", str(tmp_path / "other.txt")]) == 0
    (next(shelf.glob("*Low Water*")) / "record.toml").write_bytes(text)
    assert main(["shelf", "--shelf", str(shelf), "rebuild"]) == 0
    assert "Salt Tables" in listed(shelf, capsys)
    assert "Low Water" in caplog.text


@pytest.mark.parametrize("text", ["null", "[]", "5", '{"schema": 1, "files": []}', "[" * 5000])
def test_facts_of_any_shape_are_told_with_their_place(shelf: Path, text: str) -> None:
    (record,) = [folder.parent for folder in shelf.glob("*/record.toml")]
    take = record / "takes" / "A-1"
    take.mkdir()
    (take / "take.json").write_text(text)
    with pytest.raises(ShelfError, match=r"take\.json cannot be read"):
        read_take(take, record)


@pytest.mark.parametrize("text", ["[" * 10_000, '{"a":' * 10_000])
def test_json_nested_too_deeply_is_told_in_our_words(text: str) -> None:
    with pytest.raises(ValueError, match=r"^brackets in it are nested too deeply$"):
        decode_json(text)


def test_use_that_is_no_table_is_told(shelf: Path) -> None:
    (record,) = [folder.parent for folder in shelf.glob("*/record.toml")]
    (record / "record.toml").write_text('id = "x"\nuse = 4\n')
    with pytest.raises(ShelfError, match="use"):
        RecordFolder(record).chosen_takes()


@pytest.mark.skipif(os.name == "nt", reason="names are text on Windows")
def test_a_name_that_is_no_text_is_read_and_printed(tmp_path: Path) -> None:
    path = tmp_path / os.fsdecode(b"side-\xff.wav")
    soundfile.write(tmp_path / "plain.wav", np.zeros((1000, 2)), 44_100, subtype="PCM_16")
    for subtype in ("PCM_16", "PCM_U8"):
        soundfile.write(tmp_path / "plain.wav", np.zeros((1000, 2)), 44_100, subtype=subtype)
        shutil.copy(tmp_path / "plain.wav", path)
        assert open_take([path]).format.length_frames == 1000
    soundfile.write(tmp_path / "plain.flac", np.zeros((1000, 2)), 44_100, subtype="PCM_16")
    other = path.with_suffix(".flac")
    shutil.copy(tmp_path / "plain.flac", other)
    assert open_take([other]).format.length_frames == 1000


@pytest.mark.parametrize("value", [1e155, -1e300, 3e38])
def test_a_sample_beyond_any_level_is_no_number(tmp_path: Path, value: float) -> None:
    audio = np.zeros((1000, 2))
    audio[500] = value
    soundfile.write(tmp_path / "take.wav", audio, 44_100, subtype="DOUBLE")
    read = open_take([tmp_path / "take.wav"]).read(0, 1000)
    assert np.isnan(read[500]).all()
    assert (read[:500] == 0.0).all()


@pytest.mark.parametrize(
    "words",
    [
        ["list"], ["plan", "SLEEVE"], ["rebuild"], ["styluses", "X"],
    ],
)  # fmt: skip
def test_a_shelf_that_is_a_file_is_called_one(
    tmp_path: Path, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("x")
    (tmp_path / "sleeve.txt").write_text(SLEEVE)
    given_words = [str(tmp_path / "sleeve.txt") if word == "SLEEVE" else word for word in words]
    assert main(["shelf", "--shelf", str(tmp_path / "file"), *given_words]) == 2
    assert "is a file" in capsys.readouterr().err


@pytest.mark.parametrize("hours", ["nan", "inf", "-1", "1e9"])
def test_hours_are_numbers(tmp_path: Path, hours: str) -> None:
    for option in ("--hours-before", "--remind-at"):
        assert main(["shelf", "--shelf", str(tmp_path / "s"), "styluses", "X", option, hours]) == 2


@pytest.mark.parametrize("letters", ["²", "ß", "1", "AA", "../..", "A,²", "\udcff"])
def test_sides_are_plain_letters(tmp_path: Path, letters: str) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros((1000, 2)), 44_100, subtype="PCM_16")
    assert main(["adopt", str(tmp_path / "a.wav"), "--shelf", str(tmp_path / "s"), "--sides", letters]) == 2
    assert main(["survey", str(tmp_path / "a.wav"), "--sides", letters]) == 2


def test_one_file_is_not_two_sides(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros((1000, 2)), 44_100, subtype="PCM_16")
    (tmp_path / "b.wav").symlink_to(tmp_path / "a.wav")
    words = [str(tmp_path / "a.wav"), str(tmp_path / "b.wav"), "--sides", "A,B"]
    assert main(["adopt", *words, "--shelf", str(tmp_path / "s")]) == 2
    assert "are the same file" in capsys.readouterr().err


def test_a_take_is_not_moved_onto_itself(shelf: Path, tmp_path: Path) -> None:
    soundfile.write(tmp_path / "a.wav", np.zeros((1000, 2)), 44_100, subtype="PCM_16")
    words = ["--shelf", str(shelf), "--record", "salt"]
    assert main(["adopt", str(tmp_path / "a.wav"), *words]) == 0
    (take,) = shelf.glob("*/takes/A-1/take.wav")
    assert main(["adopt", str(take), "--move", *words]) == 2
    assert take.exists()


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="no such device here")
def test_a_device_is_no_picture() -> None:
    with pytest.raises(
        ParameterError, match=r"^the picture /dev/zero is a folder, a pipe or a device, not a file$"
    ):
        load_picture(Path("/dev/zero"))


@pytest.mark.parametrize("per_turn", [4, 6, 8])
def test_a_tone_with_nothing_beside_it(
    per_turn: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Half of full scale, of 4, 6 and 8 samples a turn, as in EBU Tech 3341, cases 15 to 18: no noise is left in any band."""
    rate, count = 48_000, 4 * 48_000
    tone = 0.5 * np.sin(2 * np.pi * np.arange(count) / per_turn + np.deg2rad(67.5))
    tone[:240] *= np.linspace(0.0, 1.0, 240)
    tone[-240:] *= np.linspace(1.0, 0.0, 240)
    soundfile.write(tmp_path / "tone.wav", np.stack([tone, tone], axis=1), rate, subtype="PCM_24")
    assert main(["survey", str(tmp_path / "tone.wav"), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert "no-music" in [finding["kind"] for finding in found["findings"]]
    level = found["level"]
    assert -6.4 <= level["true_peak_dbtp"] <= -5.8
