"""Copies as they are ready: what is encoded while the next side plays is used, and the files are those made in one go."""

from __future__ import annotations

import hashlib
from dataclasses import replace
from pathlib import Path

import pytest
import soundfile

from sidekeep.copies.run import exact
from sidekeep.copies.run import run as copies_run
from sidekeep.model.recipe import LevelSettings, Recipe
from sidekeep.service import shelf as shelf_service
from sidekeep.service.copies import copy_record, prepare_copies
from sidekeep.service.live.evening import CopiesAsReady
from sidekeep.service.recipes import recipe_from
from sidekeep.service.transferred import TransferOptions
from sidekeep.shelf.recipe_file import write_recipe
from sidekeep.shelf.record_folder import RecordFolder
from tests.small_record import RATE_HZ, SLEEVE, small_record

KINDS = ("lossless", "portable")
PLAIN = recipe_from(size="none")
"""Nothing is mended: what is prepared, used and made anew does not depend on it."""


def side_file(folder: Path, letter: str) -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / f"side-{letter}.wav"
    audio = (small_record().a if letter == "A" else small_record().b).audio
    soundfile.write(path, audio, RATE_HZ, subtype="PCM_24")
    return path


def adopt(shelf: Path, folder: RecordFolder, letter: str) -> None:
    path = side_file(shelf.parent / "in", letter)
    shelf_service.adopt([path], shelf=shelf, record_name=str(folder.path), side_letters=[letter])


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
    return [path for path in found if path.suffix in (".flac", ".mp3") and ".making" not in path.parts]


@pytest.fixture
def encoded(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Every file an encoder was begun for."""
    begun: list[str] = []
    sink, lossy = exact.open_sink, copies_run.encode_lossy

    def open_sink(path, *args, **settings):  # type: ignore[no-untyped-def]
        begun.append(path.suffix)
        return sink(path, *args, **settings)

    def encode_lossy(planned, *args, **settings):  # type: ignore[no-untyped-def]
        begun.append(planned.suffix)
        return lossy(planned, *args, **settings)

    monkeypatch.setattr(exact, "open_sink", open_sink)
    monkeypatch.setattr(copies_run, "encode_lossy", encode_lossy)
    return begun


@pytest.mark.parametrize("target", ["none", "peak"])
def test_what_was_prepared_is_used_and_is_the_same(tmp_path: Path, encoded: list[str], target: str) -> None:
    """With one gain for the record too: side A holds the highest peak, so side B leaves the gain as it is."""
    recipe = replace(PLAIN, level=LevelSettings(target=target))  # type: ignore[arg-type]
    shelf, folder = planned(tmp_path, recipe)
    adopt(shelf, folder, "A")
    assert prepare_copies(shelf, str(folder.path), KINDS) == 4
    assert sorted(encoded) == [".flac", ".flac", ".mp3", ".mp3"]
    assert sums(folder) == {}  # nothing has a name yet
    encoded.clear()
    adopt(shelf, folder, "B")
    copy_record(shelf, str(folder.path), options=TransferOptions(kinds=KINDS))
    assert sorted(encoded) == [".flac", ".flac", ".mp3", ".mp3"]  # side B's
    (tmp_path / "again").mkdir()
    other_shelf, other = planned(tmp_path / "again", recipe)
    for letter in "AB":
        adopt(other_shelf, other, letter)
    copy_record(other_shelf, str(other.path), options=TransferOptions(kinds=KINDS))
    assert len(sums(folder)) == 8
    assert sums(folder) == sums(other)


def test_a_gain_that_changes_makes_them_anew(tmp_path: Path, encoded: list[str]) -> None:
    shelf, folder = planned(tmp_path, PLAIN)
    adopt(shelf, folder, "B")
    prepare_copies(shelf, str(folder.path), KINDS)
    encoded.clear()
    adopt(shelf, folder, "A")  # louder
    copy_record(shelf, str(folder.path), options=TransferOptions(kinds=KINDS))
    assert len(encoded) == 8
    assert not list((folder.path / "copies").rglob(".making"))


def test_kinds_that_join_sides_wait(tmp_path: Path) -> None:
    shelf, folder = planned(tmp_path, PLAIN)
    adopt(shelf, folder, "A")
    assert prepare_copies(shelf, str(folder.path), ("cd", "master")) == 0


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
    assert copies.answer() == {"files": 4}
    assert copies.answer() is None
