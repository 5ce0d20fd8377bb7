"""Copies of a record on the shelf: made once, made again the same, cut and titled as the person likes."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.cli.main import main
from sidekeep.press.disc.settings import clean_lp
from sidekeep.press.disc.side import Piece, press_side
from sidekeep.service.shelf import records as shelf_service
from sidekeep.service.shelf.adopting import adopt
from sidekeep.service.shelf.verify import verify
from sidekeep.service.transfers import listening
from sidekeep.service.transfers.copies import copy_record
from sidekeep.service.transfers.transferred import TransferOptions

RATE_HZ = 44_100
SLEEVE = (
    "Marrow Lane - The Orchard Hours (1974)\nSide A\nA1 Dew on the Crates 0:07\nA2 Eleven Ash Rungs 0:06\n"
)


def piece(seconds: float, pitch_hz: float) -> Piece:
    time_s = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    body = sum(np.sin(2 * np.pi * pitch_hz * k * time_s) / k for k in (1, 2, 3)) * 0.3
    edge = np.minimum(1.0, np.minimum(time_s, time_s[::-1]) / 0.05)
    return Piece(audio=np.stack([body * edge, body[::-1] * edge], axis=1), title="x")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shelf with one record, one side taken, its copies made."""
    folder = tmp_path_factory.mktemp("copies")
    pressed = press_side(
        [piece(7.0, 220.0), piece(6.0, 330.0)],
        rate_hz=RATE_HZ,
        settings=replace(clean_lp(), gap_s=2.0),
        seed=3,
    )
    soundfile.write(folder / "side A.wav", pressed.audio, RATE_HZ, subtype="PCM_24")
    (folder / "sleeve.txt").write_text(SLEEVE)
    shelf = folder / "shelf"
    adopt([folder / "side A.wav"], shelf=shelf, sleeve_path=folder / "sleeve.txt")
    copy_record(shelf, "orchard", options=TransferOptions(kinds="lossless"))
    return shelf


def contents(shelf: Path) -> dict[str, bytes]:
    copies = shelf_service.find_record(shelf, "orchard").path / "copies"
    return {path.name: path.read_bytes() for path in copies.rglob("*.flac")}


def test_the_second_run_keeps_what_is_there(made: Path) -> None:
    before = contents(made)
    assert len(before) == 2
    result, _ = copy_record(made, "orchard", options=TransferOptions(kinds="lossless"))
    assert {written.action for written in result.written if written.length_frames} == {"kept"}
    assert contents(made) == before


def test_a_corrected_title_is_a_new_tag_not_a_new_encoding(made: Path) -> None:
    folder = shelf_service.find_record(made, "orchard").path
    sleeve = folder / "sleeve.txt"
    sleeve.write_text(sleeve.read_text().replace("Eleven Ash Rungs", "Eleven Ash Rungss"))
    result, report = copy_record(made, "orchard", options=TransferOptions(kinds="lossless"))
    actions = {written.path.name: written.action for written in result.written if written.length_frames}
    assert actions == {"01 Dew on the Crates.flac": "kept", "02 Eleven Ash Rungss.flac": "tagged"}
    assert "Eleven Ash Rungss" in report.read_text()
    assert not list(folder.rglob("02 Eleven Ash Rungs.flac"))


def test_an_edited_cut_survives_and_moves_the_join(made: Path) -> None:
    folder = shelf_service.find_record(made, "orchard").path
    cuts = folder / "cuts.toml"
    text = cuts.read_text()
    starts = re.findall(r"^start_frame = (\d+)$", text, re.MULTILINE)
    moved = int(starts[1]) + 4410
    text = text.replace(f"start_frame = {starts[1]}", f"start_frame = {moved}")
    text = re.sub(rf"^start = .*\n(?=start_frame = {moved}$)", "", text, flags=re.MULTILINE)
    cuts.write_text(text)
    before = {path.name: soundfile.info(path).frames for path in folder.rglob("*.flac")}
    copy_record(made, "orchard", options=TransferOptions(kinds="lossless", replace=True))
    after = {path.name: soundfile.info(path).frames for path in folder.rglob("*.flac")}
    first, second = sorted(after)
    assert after[first] == before[first] + 4410
    assert after[second] == before[second] - 4410
    assert f"start_frame = {moved}" in cuts.read_text()


def test_verify_finds_one_flipped_bit(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = shelf_service.find_record(made, "orchard").path
    (checked,) = verify(made, ["orchard"])
    assert checked.result.ok
    assert shelf_service.list_records(made)[0].state == "verified"
    take = folder / "takes" / "A-1" / "take.wav"
    os.chmod(take, 0o644)
    raw = bytearray(take.read_bytes())
    raw[len(raw) // 2] ^= 1
    take.write_bytes(raw)
    assert main(["verify", "--shelf", str(made)]) == 1
    assert "changed: takes/A-1/take.wav" in capsys.readouterr().out
    assert shelf_service.list_records(made)[0].state == "copied"
    raw[len(raw) // 2] ^= 1
    take.write_bytes(raw)
    assert main(["verify", "--shelf", str(made), "orchard"]) == 0


def test_a_record_with_the_name_of_a_wrong_sleeve_is_told_once(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The copies get the right name, the record's folder keeps its own, which is told then and not again."""
    shelf = tmp_path / "shelf"
    shutil.copytree(made, shelf)
    folder = shelf_service.find_record(shelf, "orchard").path
    sleeve = folder / "sleeve.txt"
    sleeve.write_text(sleeve.read_text().replace("The Orchard Hours", "The Orchard House"))
    copies = ["copies", folder.name, "--shelf", str(shelf), "--copies", "lossless"]
    main(copies)
    said = " ".join(capsys.readouterr().out.split())
    assert f"{folder.name} was renamed to Marrow Lane - The Orchard House (1974)" in said
    assert "The folder of the record itself keeps its name. Rename it by hand if you like" in said
    main(copies)
    assert "keeps its name" not in capsys.readouterr().out
    # Renamed by hand it is found again.
    folder.rename(shelf / "Marrow Lane - The Orchard House (1974)")
    assert [entry.state for entry in shelf_service.list_records(shelf)] != ["gone"]


def test_copies_that_stay_are_told_of_a_take_that_changed(
    made: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Nothing is read of the take then, so that only the last check knows."""
    shelf = tmp_path / "shelf"
    shutil.copytree(made, shelf)
    folder = shelf_service.find_record(shelf, "orchard")
    take = next(folder.path.glob("takes/A-*/take.wav"))
    take.chmod(0o644)
    sound = take.read_bytes()
    copies = ["copies", "orchard", "--shelf", str(shelf), "--copies", "lossless"]
    main(copies)
    assert "changed after it was recorded" not in capsys.readouterr().out
    take.write_bytes(sound[:-100] + bytes(100))
    assert verify(shelf, ["orchard"])[0].result.changed == ("takes/A-1/take.wav",)
    capsys.readouterr()
    assert main(copies) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "Act: Take A-1 changed after it was recorded" in said
    assert "Restore its take.wav from a backup" in said
    take.write_bytes(sound)  # put right since: the check is old, and nothing is told
    main(copies)
    assert "changed after it was recorded" not in capsys.readouterr().out


def test_copies_of_another_take_are_refused_before_it_is_heard(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shelf = tmp_path / "shelf"
    shutil.copytree(made, shelf)
    other = tmp_path / "again.wav"
    sound, _ = soundfile.read(made.parent / "side A.wav", always_2d=True)
    soundfile.write(other, 0.9 * sound, RATE_HZ, subtype="PCM_24")
    adopt([other], shelf=shelf, record_name="orchard", side_letters=["A"])
    was = contents(shelf)
    with monkeypatch.context() as patched:
        patched.setattr(listening, "survey_take", lambda *_, **__: pytest.fail("was heard first"))
        assert main(["copies", "orchard", "--shelf", str(shelf), "--copies", "lossless"]) == 2
        said = " ".join(capsys.readouterr().err.split())
        assert "2 files are there already" in said
        assert "from other takes" in said
    assert contents(shelf) == was
    # Asked for it is done.
    assert main(["copies", "orchard", "--shelf", str(shelf), "--copies", "lossless", "--replace"]) == 1
    assert contents(shelf) != was


def test_two_jobs_on_one_record_wait_for_each_other(made: Path) -> None:
    """Both survey the same take and write the same copies: one after the other, and both to their end."""
    folder = shelf_service.find_record(made, "orchard").path
    for kept in folder.rglob("survey.json"):
        kept.unlink()
    words = [
        sys.executable,
        "-m",
        "sidekeep",
        "copies",
        "orchard",
        "--shelf",
        str(made),
        "--copies",
        "lossless",
    ]
    jobs = [
        subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True) for _ in range(2)
    ]
    said = [job.communicate(timeout=280)[0] for job in jobs]
    assert [job.returncode for job in jobs] == [1, 1], said  # a finding of the short sides is worth a look


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["copies", "orchard", "--copies", "wax"], "no kind of copies is called 'wax'"),
        (["copies", "absent"], "no record on the shelf matches 'absent'"),
        (["copies"], "name the record"),
        (["verify", "absent"], "no record on the shelf matches"),
    ],
)
def test_wrong_words_are_one_line(
    made: Path, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([words[0], "--shelf", str(made), *words[1:]]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
