"""Copies as they are ready: what is encoded while the next side plays is used, and the files are those made in one go."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
import soundfile

from sidekeep.copies.master import build
from sidekeep.copies.run import exact_files, lossy_files
from sidekeep.copies.run.run import CopyRun
from sidekeep.files.wave.bext import Bext
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.model.recipe import LevelSettings, Recipe
from sidekeep.service.choices.recipes import recipe_from
from sidekeep.service.live import evening
from sidekeep.service.live.evening import CopiesAsReady
from sidekeep.service.recording.take_close import close_recorded
from sidekeep.service.shelf import adopting
from sidekeep.service.shelf import records as shelf_service
from sidekeep.service.transfers.copies import copy_record, prepare_copies
from sidekeep.service.transfers.transferred import TransferOptions
from sidekeep.shelf.choices.recipe_file import write_recipe
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.units import MINIMUM_DB
from tests.small_record import RATE_HZ, SLEEVE, small_record

KINDS = ("lossless", "portable", "cd")
PLAIN = recipe_from(size="none")
"""Nothing is mended: what is prepared, used and made anew does not depend on it."""


def side_file(folder: Path, letter: str, gain: float) -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / f"side-{letter}.wav"
    audio = gain * (small_record().a if letter == "A" else small_record().b).audio
    soundfile.write(path, audio, RATE_HZ, subtype="PCM_24")
    return path


def adopt(shelf: Path, folder: RecordFolder, letter: str, gain: float = 1.0) -> None:
    path = side_file(shelf.parent / "in", letter, gain)
    adopting.adopt([path], shelf=shelf, record_name=str(folder.path), side_letters=[letter])


def planned(tmp_path: Path, recipe: Recipe) -> tuple[Path, RecordFolder]:
    shelf = tmp_path / "shelf"
    sleeve = tmp_path / "sleeve.txt"
    sleeve.write_text(SLEEVE)
    folder = shelf_service.plan_record(shelf, sleeve)
    (folder.path / "recipe.toml").write_text(write_recipe(recipe))
    return shelf, folder


def sums(folder: RecordFolder) -> dict[str, str]:
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in named(folder)}


def named(folder: RecordFolder) -> list[Path]:
    """Copies that have their names."""
    found = (folder.path / "copies").rglob("*")
    return [
        path for path in found if path.suffix in (".flac", ".mp3", ".wav") and ".making" not in path.parts
    ]


@pytest.fixture
def encoded(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every file an encoder was begun for."""
    begun: list[str] = []
    sink, lossy = exact_files.open_sink, lossy_files.encode_lossy

    def open_sink(path, *args, **settings):  # type: ignore[no-untyped-def]
        begun.append(path.suffix)
        return sink(path, *args, **settings)

    def encode_lossy(planned, *args, **settings):  # type: ignore[no-untyped-def]
        begun.append(planned.suffix)
        return lossy(planned, *args, **settings)

    monkeypatch.setattr(exact_files, "open_sink", open_sink)
    monkeypatch.setattr(lossy_files, "encode_lossy", encode_lossy)
    return begun


@pytest.fixture
def fed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every side that went through a run."""
    sides: list[str] = []
    feed = CopyRun.feed

    def noted(self, side, *args, **settings):  # type: ignore[no-untyped-def]
        sides.append(side)
        feed(self, side, *args, **settings)

    monkeypatch.setattr(CopyRun, "feed", noted)
    return sides


@pytest.mark.parametrize(("target", "kinds"), [("none", ("lossless", "cd")), ("peak", KINDS)])
def test_what_was_prepared_is_used_and_is_the_same(
    tmp_path: Path, encoded: list[str], fed: list[str], target: str, kinds: tuple[str, ...]
) -> None:
    """With one gain for the record too: side A holds the highest peak, so side B leaves the gain as it is."""
    recipe = replace(PLAIN, level=LevelSettings(target=target))  # type: ignore[arg-type]
    shelf, folder = planned(tmp_path, recipe)
    adopt(shelf, folder, "A")
    suffixes = {"lossless": ".flac", "portable": ".mp3", "cd": ".wav"}
    side = sorted(2 * [suffixes[kind] for kind in kinds])
    assert prepare_copies(shelf, str(folder.path), kinds).files == len(side)
    assert sorted(encoded) == side
    assert sums(folder) == {}  # nothing has a name yet
    assert set(fed) == {"A"}
    encoded.clear()
    fed.clear()
    adopt(shelf, folder, "B")
    copy_record(shelf, str(folder.path), options=TransferOptions(kinds=kinds))
    assert sorted(encoded) == side  # side B's
    assert set(fed) == {"B"}
    (tmp_path / "again").mkdir()
    other_shelf, other = planned(tmp_path / "again", recipe)
    for letter in "AB":
        adopt(other_shelf, other, letter)
    copy_record(other_shelf, str(other.path), options=TransferOptions(kinds=kinds))
    assert len(sums(folder)) == 2 * len(side)
    assert sums(folder) == sums(other)


def test_what_was_prepared_for_another_gain_goes(tmp_path: Path) -> None:
    """A louder side plays: what waited for the gain before is of no use to anybody."""
    shelf, folder = planned(tmp_path, replace(PLAIN, level=LevelSettings(target="peak")))
    adopt(shelf, folder, "A")

    def waiting() -> set[str]:
        return {path.name for path in (folder.path / "copies").rglob("*") if path.suffix == ".flac"}

    files = prepare_copies(shelf, str(folder.path), ["lossless"]).files
    before = waiting()
    assert len(before) == files
    assert prepare_copies(shelf, str(folder.path), ["lossless"], least_peak_dbtp=3.0).files == files
    assert len(waiting()) == files
    assert not before & waiting()


@pytest.mark.parametrize("spoilt", [{"powers": "AAAA"}, {"length_frames": 5}, {"true_peak": -1.0}])
def test_levels_nobody_can_have_heard_are_heard_again(
    tmp_path: Path, fed: list[str], spoilt: dict[str, object]
) -> None:
    shelf, folder = planned(tmp_path, PLAIN)
    adopt(shelf, folder, "A")
    prepare_copies(shelf, str(folder.path), ["lossless"])
    (path,) = (folder.path / "copies").rglob("journal.json")
    journal = json.loads(path.read_text())
    next(iter(journal["heard"].values())).update(spoilt)
    path.write_text(json.dumps(journal))
    adopt(shelf, folder, "B")
    fed.clear()
    copy_record(shelf, str(folder.path), options=TransferOptions(kinds=["lossless"]))
    assert set(fed) == {"A", "B"}


def test_a_gain_that_changes_makes_them_anew(tmp_path: Path, encoded: list[str]) -> None:
    kinds = ("lossless", "cd")
    shelf, folder = planned(tmp_path, PLAIN)
    adopt(shelf, folder, "B")
    prepare_copies(shelf, str(folder.path), kinds)
    encoded.clear()
    adopt(shelf, folder, "A")  # louder
    copy_record(shelf, str(folder.path), options=TransferOptions(kinds=kinds))
    assert len(encoded) == 8
    assert not list((folder.path / "copies").rglob(".making"))


def test_the_peak_of_the_side_that_plays_decides_their_gain(
    tmp_path: Path, encoded: list[str], fed: list[str]
) -> None:
    """Side A is quieter here. What is prepared of it at the peak heard while B plays is what the record needs, and what was
    prepared before for its own peak is gone."""
    recipe = replace(PLAIN, level=LevelSettings(target="peak"))
    (tmp_path / "other").mkdir()
    other_shelf, other = planned(tmp_path / "other", recipe)
    adopt(other_shelf, other, "B")
    heard_dbtp = prepare_copies(other_shelf, str(other.path), ["lossless"]).true_peak_dbtp
    shelf, folder = planned(tmp_path, recipe)
    adopt(shelf, folder, "A", 0.25)
    alone = prepare_copies(shelf, str(folder.path), KINDS)
    assert alone.true_peak_dbtp < heard_dbtp
    before = waiting(folder)
    again = prepare_copies(shelf, str(folder.path), KINDS, least_peak_dbtp=heard_dbtp)
    assert again.true_peak_dbtp == heard_dbtp
    assert len(waiting(folder)) == len(before)
    assert not waiting(folder) & before
    encoded.clear()
    fed.clear()
    adopt(shelf, folder, "B")
    copy_record(shelf, str(folder.path), options=TransferOptions(kinds=KINDS))
    assert set(fed) == {"B"}
    assert len(encoded) == 6


def waiting(folder: RecordFolder) -> set[str]:
    """Audio and samples that have no name yet."""
    found = (folder.path / "copies").rglob(".making/*")
    return {path.name for path in found if path.suffix in (".flac", ".mp3", ".wav", ".f32")}


def take_side(folder: RecordFolder, letter: str) -> Path:
    """A side as the capture leaves it, with the chunk that says where it came from."""
    audio = (small_record().a if letter == "A" else small_record().b).audio
    path = folder.new_take_folder(letter) / "take.wav"
    bext = Bext(description=f"side {letter}", originator="sidekeep")
    with TakeWriter(path, rate_hz=RATE_HZ, channels=2, bits=24, bext=bext) as writer:
        writer.append(np.round(audio * (2**23 - 1)).astype(np.int32))
    close_recorded(folder, path, side=letter)
    return path


def prepared_takes(folder: RecordFolder) -> list[Path]:
    return sorted((folder.path / "copies").rglob(".making/*.take"))


def bag(folder: RecordFolder) -> dict[str, str]:
    """Checksums of the takes in the master."""
    (data,) = (folder.path / "copies").rglob("master/data")
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in (data / "takes").iterdir()}


@pytest.mark.parametrize("is_spoilt", [False, True])
def test_a_recorded_take_is_copied_for_the_master_while_the_next_one_plays(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, is_spoilt: bool
) -> None:
    shelf, folder = planned(tmp_path, PLAIN)
    side_a = take_side(folder, "A")
    assert prepare_copies(shelf, str(folder.path), ("record", "master")).files == 1
    assert prepare_copies(shelf, str(folder.path), ("record", "master")).files == 1  # it is there already
    (ready,) = prepared_takes(folder)
    assert ready.read_bytes() == side_a.read_bytes()
    if is_spoilt:
        ready.write_bytes(side_a.read_bytes()[:-1] + b"?")
    side_b = take_side(folder, "B")
    copied: list[Path] = []
    copy = build.copy_sha256

    def noted(source: Path, target: Path) -> str:
        copied.append(source)
        return copy(source, target)

    monkeypatch.setattr(build, "copy_sha256", noted)
    copy_record(shelf, str(folder.path), options=TransferOptions(kinds="master"))
    assert copied == ([side_a, side_b] if is_spoilt else [side_b])
    assert bag(folder) == {
        f"side {letter}.wav": hashlib.sha256(path.read_bytes()).hexdigest()
        for letter, path in (("A", side_a), ("B", side_b))
    }
    assert prepared_takes(folder) == []


def test_a_copy_for_the_master_that_breaks_off_is_not_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shelf, folder = planned(tmp_path, PLAIN)
    side_a = take_side(folder, "A")

    def killed(source: Path, target: Path) -> str:
        target.write_bytes(side_a.read_bytes()[:1000])
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(build, "copy_sha256", killed)
        with pytest.raises(KeyboardInterrupt):
            prepare_copies(shelf, str(folder.path), ("master",))
    assert [path.name for path in (folder.path / "copies").rglob(".making/*") if path.is_file()] == []
    with monkeypatch.context() as patch:
        little = SimpleNamespace(free=3 * side_a.stat().st_size)
        patch.setattr(build.shutil, "disk_usage", lambda place: little)
        assert prepare_copies(shelf, str(folder.path), ("master",)).files == 0  # the next side needs the room
    assert prepare_copies(shelf, str(folder.path), ("master",)).files == 1


def test_kinds_that_join_sides_wait(tmp_path: Path) -> None:
    shelf, folder = planned(tmp_path, PLAIN)
    adopt(shelf, folder, "A")
    assert prepare_copies(shelf, str(folder.path), ("record", "record-opus", "cd-image", "master")).files == 0


def test_the_process_prepares_and_stops_at_once(tmp_path: Path) -> None:
    shelf, folder = planned(tmp_path, PLAIN)
    adopt(shelf, folder, "A")
    copies = CopiesAsReady(shelf, KINDS)
    copies.start(folder.path)
    assert copies.is_running
    copies.close()
    assert not copies.is_running
    assert named(folder) == []
    copies.start(folder.path)
    process = copies._process
    assert process is not None
    process.wait(timeout=240.0)
    answer = copies.answer()
    assert answer is not None
    assert answer["files"] == 6
    assert copies.answer() is None


def level(take: str, at_s: float, peak_dbtp: float) -> dict[str, object]:
    return {
        "code": "live-level",
        "take": take,
        "side": take[-3],
        "at_frame": round(at_s * RATE_HZ),
        "facts": {"mended_true_peak_dbtp": peak_dbtp},
    }


class Prepared:
    """Stands in for the process that encodes: it is done when ``done`` says so."""

    def __init__(self) -> None:
        self.started_dbtp: list[float] = []
        self.is_running = False
        self._answer: dict[str, object] | None = None

    def start(self, record: Path, least_peak_dbtp: float) -> None:
        self.started_dbtp.append(least_peak_dbtp)
        self.is_running = True

    def done(self, peak_dbtp: float) -> None:
        self.is_running = False
        self._answer = {"files": 6, "true_peak_dbtp": peak_dbtp}

    def answer(self) -> dict[str, object] | None:
        told, self._answer = self._answer, None
        return told


def test_copies_are_prepared_again_for_a_peak_that_stands(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[dict[str, object]] = []

    def poll() -> list[dict[str, object]]:
        found = list(told)
        told.clear()
        return found

    quiet = SimpleNamespace(begun=lambda *_: None, dropped=lambda *_: None, ended=lambda *_: None, poll=poll)
    monkeypatch.setattr(evening, "LiveSurvey", lambda: quiet)
    copies = Prepared()
    monkeypatch.setattr(evening, "CopiesAsReady", lambda *_: copies)
    follower = evening.EveningFollower(tmp_path, kinds=["lossless"])

    def hear(*events: dict[str, object]) -> list[str]:
        told.extend(events)
        return [event["code"] for event in follower.news()]

    b = tmp_path / "record" / "takes" / "B-1"
    begun = {
        "code": "live-begun",
        "take": "takes/B-1",
        "side": "B",
        "at_frame": 0,
        "facts": {"rate_hz": RATE_HZ},
    }
    follower.begun(b / "take.wav", b, "B")
    hear({"code": "live-settled", "take": "takes/A-1", "side": "A", "at_frame": 9, "facts": {}}, begun)
    assert copies.started_dbtp == [MINIMUM_DB]
    hear(level("takes/B-1", 10.0, -2.0), level("takes/B-1", 80.0, -2.0))
    assert len(copies.started_dbtp) == 1  # the first are still being encoded
    copies.done(-6.0)
    assert "copies-prepared" in hear()
    assert copies.started_dbtp == [MINIMUM_DB, -2.0]
    copies.done(-2.0)
    hear(level("takes/A-1", 90.0, -1.0), level("takes/B-1", 90.0, -1.5), level("takes/B-1", 130.0, -1.4))
    hear(level("takes/B-1", 188.0, -1.4))
    assert len(copies.started_dbtp) == 2  # higher, but it has not stood for a minute
    hear(level("takes/B-1", 190.0, -1.4))
    assert copies.started_dbtp[2:] == [-1.4]
    copies.done(-1.4)
    hear(level("takes/B-1", 260.0, -1.4))
    assert len(copies.started_dbtp) == 3
    follower.dropped(b / "take.wav")  # a false start: its peak is none of the record's
    follower.begun(b / "take.wav", b, "B")
    assert copies.started_dbtp[3:] == [MINIMUM_DB]
