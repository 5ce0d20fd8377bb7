"""Comparing and combining through the front door: files, takes on the shelf, what is kept, what is refused."""

from __future__ import annotations

import json
import shutil
import threading
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.cli.main import main
from sidekeep.errors import SidekeepError
from sidekeep.files.reading.reader import open_source
from sidekeep.service.comparing import compare as comparing
from sidekeep.service.comparing.combine import combine
from sidekeep.service.shelf.adopting import adopt
from sidekeep.shelf.adopt import adopt_take
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import at_work
from tests.flow.comparison.pairs import RATE, SHORT, play
from tests.outside import files_no_larger_than

SLEEVE = "The Wicker Boats - Tallow Wharf Almanac (1971)\nSide A\nA1 Lamp Oil 0:11\nA2 Slack Water 0:11\n"


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("takes")
    paths = []
    for name, take in (("old.wav", play(1)), ("new.wav", play(2, ticks=(20.3,)))):
        soundfile.write(folder / name, np.clip(take.audio[:SHORT], -1, 1), RATE, subtype="PCM_24")
        paths.append(folder / name)
    return paths[0], paths[1]


@pytest.fixture(scope="module")
def shelf(files: tuple[Path, Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    shelf = tmp_path_factory.mktemp("shelf")
    sleeve = shelf.parent / "tallow.txt"
    sleeve.write_text(SLEEVE)
    adopt([files[0]], shelf=shelf, sleeve_path=sleeve)
    adopt([files[1]], shelf=shelf, record_name="tallow", side_letters=["A"])
    return shelf


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    code = main([str(word) for word in words])
    out, err = capsys.readouterr()
    return code, out, err


def test_two_files(files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "compare", *files, "--json", "--out", tmp_path / "a year")
    values = json.loads(out)
    assert code == 1
    assert values["same"] is True
    assert len(values["marks"]["new"]) == 1
    page = (tmp_path / "a year" / "report.html").read_text()
    assert "<svg" in page
    assert "audio/mpeg" in page
    assert json.loads((tmp_path / "a year" / "comparison.json").read_text())["marks"] == values["marks"]
    # made again over itself, but not over anything of somebody else's
    assert run(capsys, "compare", *files, "--out", tmp_path / "a year")[0] == 1


def test_two_that_combine_takes_of_one_record_take_turns(shelf: Path, tmp_path: Path) -> None:
    """Each would take the next free number for its own: the one that comes second waits, and says for whom."""
    shutil.copytree(shelf, tmp_path / "shelf")
    (record,) = [path.parent for path in (tmp_path / "shelf").glob("*/record.toml")]
    takes = [f"{record}/{path.name}" for path in sorted((record / "takes").iterdir())][:2]
    held, let_go, told = threading.Event(), threading.Event(), []

    def work() -> None:
        with at_work(record, "combining other takes"):
            held.set()
            let_go.wait(120.0)

    def progress(share: float, doing: str = "") -> None:
        told.append(doing)
        let_go.set()

    thread = threading.Thread(target=work)
    thread.start()
    assert held.wait(120.0)
    made = combine(tmp_path / "shelf", takes, progress=progress)
    thread.join()
    assert "combining other takes" in told[0]
    assert made.take is not None
    assert (record / made.take.folder / "take.wav").is_file()


def test_what_was_heard_is_told_though_it_cannot_be_kept(
    files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A full disk threw a minute of listening away."""
    (tmp_path / "plain").write_text("x")
    code, out, err = run(capsys, "compare", *files, "--out", tmp_path / "plain" / "a year")
    assert code == 2
    assert "tick" in out
    assert err.splitlines()[-1].startswith("sidekeep: cannot write")


@pytest.mark.parametrize("form", ["mp3", "ogg"])
def test_a_lossy_file_beside_a_whole_one(
    form: str, files: tuple[Path, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """One sentence says what is not compared and why, and nothing of it is claimed; the new tick is found all the same."""
    audio, _ = soundfile.read(files[1])
    lossy = tmp_path / f"new.{form}"
    soundfile.write(lossy, audio, RATE, format=form.upper())
    code, out, err = run(capsys, "compare", files[0], lossy, "--json")
    assert code == 1, err
    values = json.loads(out)
    said = {one["kind"]: one["text"] for one in values["findings"]}
    assert set(said) - {"unchanged", "compare-band"} == {"compare-lossy", "new-marks"}
    assert (
        f"new.{form} is a lossy file: treble, surface noise and distortion were not compared"
        in said["compare-lossy"]
    )
    assert "treble" not in said.get("unchanged", "")
    assert len(values["marks"]["new"]) == 1


@pytest.mark.parametrize("name", ["report.html", "comparison.json"])
def test_what_is_not_of_these_takes_is_refused_before_anything_is_heard(
    name: str,
    files: tuple[Path, Path],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    (tmp_path / name).write_text("{}")
    monkeypatch.setattr(comparing, "compare_takes", None)
    code, _, err = run(capsys, "compare", *files, "--out", tmp_path)
    assert code == 2
    assert f"{name} exists already" in err
    assert [path.name for path in tmp_path.iterdir()] == [name], "nothing half is left beside it"


def test_two_takes_on_the_shelf_are_kept_with_the_record(
    shelf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run(capsys, "compare", "tallow/A-1", "A-2", "--shelf", shelf)
    assert code == 1
    assert "New: 1 single tick" in out
    record = next(shelf.glob("*Tallow*"))
    kept = json.loads((record / "comparisons" / "A-1 and A-2" / "comparison.json").read_text())
    assert kept["old_taken_utc"]


def test_a_combined_take_stands_beside_its_sources(shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    record = RecordFolder(next(shelf.glob("*Tallow*")))
    before = {take.folder: take.files for take in record.takes()}
    code, out, err = run(capsys, "combine", "tallow/A-2", "A-1", "--shelf", shelf, "--json")
    assert code == 0, err
    values = json.loads(out)
    assert values["replaced_frames"] > 0
    takes = {take.folder: take for take in record.takes()}
    made = takes["takes/A-3"]
    assert made.how == "combined"
    assert made.original_name == "A-2 + A-1"
    assert made.length_frames == takes["takes/A-2"].length_frames
    assert {folder: takes[folder].files for folder in before} == before


def test_a_playing_does_not_count_twice(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A combined take holds it already. That is known before anything is listened to."""
    sleeve, sound = tmp_path / "tallow.txt", tmp_path / "take.wav"
    sleeve.write_text(SLEEVE)
    soundfile.write(sound, np.zeros((800, 2)), 8000, subtype="PCM_24")
    record = adopt([sound], shelf=tmp_path / "shelf", sleeve_path=sleeve).folder
    form = open_source(sound).format
    for how, name in (("adopted", "take.wav"), ("combined", "A-1 + A-2")):
        adopt_take(record, "A", [sound], form, how=how, original_name=name)  # type: ignore[arg-type]
    code, _, err = run(capsys, "combine", "tallow/A-1", "A-3", "--shelf", tmp_path / "shelf")
    assert (code, len(err.strip().splitlines())) == (2, 1)
    assert "A-3 was itself combined from A-1" in err


def on_disk(folder: Path) -> dict[str, tuple[int, int]]:
    """Every file of a shelf, with its length and time; the index has its own log beside it."""
    return {
        path.relative_to(folder).as_posix(): (path.stat().st_size, path.stat().st_mtime_ns)
        for path in folder.rglob("*")
        if path.is_file() and not path.name.startswith("shelf.sqlite")
    }


def test_room_for_a_combined_take_is_asked_for_before_the_work(
    shelf: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A take for the shelf is there twice for a moment; a file of its own once."""
    size = SHORT * 2 * 3
    worked: list[bool] = []

    def prepare(*_: object) -> None:
        worked.append(True)
        raise KeyboardInterrupt

    monkeypatch.setattr("sidekeep.service.comparing.combine.prepare", prepare)
    for out, free, is_enough in (
        (None, 2 * size, False),
        (None, 2 * size + (9 << 20), True),
        (tmp_path / "better.wav", size, False),
        (tmp_path / "better.wav", size + (5 << 20), True),
        (tmp_path / "not there" / "better.wav", None, True),  # a disk that cannot be asked is tried
    ):
        if free is not None:
            usage = shutil.disk_usage(tmp_path)._replace(free=free)
            monkeypatch.setattr(
                "sidekeep.service.comparing.made_take.shutil.disk_usage", lambda _, u=usage: u
            )
        else:
            monkeypatch.undo()
            monkeypatch.setattr("sidekeep.service.comparing.combine.prepare", prepare)
        worked.clear()
        with pytest.raises(
            KeyboardInterrupt if is_enough else SidekeepError, match=None if is_enough else "make room first"
        ):
            combine(shelf, ["tallow/A-2", "A-1"], out_path=out)
        assert worked == ([True] if is_enough else [])


def test_ctrl_c_and_a_full_disk_leave_nothing_half_made(shelf: Path, tmp_path: Path) -> None:
    """Stopped while the sound is written, and written to a disk that ends there."""
    before = on_disk(shelf)

    def stop(share: float, what: str) -> None:
        if share > 0.7:
            raise KeyboardInterrupt

    for out in (None, tmp_path / "better.wav"):
        with pytest.raises(KeyboardInterrupt):
            combine(shelf, ["tallow/A-2", "A-1"], out_path=out, progress=stop)
    with files_no_larger_than(2_000_000), pytest.raises(SidekeepError, match="cannot write"):
        combine(shelf, ["tallow/A-2", "A-1"], out_path=tmp_path / "better.wav")
    assert on_disk(shelf) == before
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("compare", "OLD", "OLD"), "same recording"),
        (("compare", "nowhere.wav", "OLD"), "neither a file nor a take"),
        (("compare", "tallow/A-9", "OLD"), "has no take A-9"),
        (("compare", "OLD", "A-1"), "which record"),
        (("combine", "OLD"), "at least two"),
        (("combine", "OLD", "NEW"), "--out FILE.wav"),
        (("combine", "OLD", "NEW", "--out", "x.flac"), "a name that ends in .wav"),
        (("combine", "OLD", "NEW", "--out", "OLD", "--replace"), "cannot be written"),
    ],
)
def test_what_cannot_be_is_one_line(
    files: tuple[Path, Path],
    shelf: Path,
    words: tuple[str, ...],
    said: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    named = {"OLD": str(files[0]), "NEW": str(files[1])}
    code, _, err = run(capsys, *(named.get(word, word) for word in words), "--shelf", shelf)
    assert code == 2
    assert said in err
    assert len(err.strip().splitlines()) == 1
