"""The corners of a sleeve in its photograph are a choice of the record: kept, told, undone, and the picture follows."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from sidekeep.errors import ChangedElsewhere, NotThere, ParameterError
from sidekeep.service.choices import edits
from sidekeep.service.shelf.pictures import drop_picture, keep_picture, kept_pictures, move_corners
from sidekeep.service.transfers.copies import pictures_of
from sidekeep.shelf.record_folder import RecordFolder

CORNERS = [[0.1, 0.1], [0.6, 0.1], [0.6, 0.7], [0.1, 0.7]]


def photograph(shade: int = 90) -> bytes:
    """A slope from dark to bright, so that every cut of it looks another way."""
    held = io.BytesIO()
    slope = np.linspace(shade, 250, 400).astype(np.uint8)
    Image.fromarray(np.repeat(np.tile(slope, (300, 1))[..., None], 3, axis=2)).save(held, "JPEG", quality=95)
    return held.getvalue()


@pytest.fixture
def record(tmp_path: Path) -> RecordFolder:
    made = RecordFolder.create(tmp_path / "record", sleeve="Marrow Lane - The Orchard Hours (1974)\n")
    edits.choices(made)
    keep_picture(made, "front", photograph())
    return made


def front(record: RecordFolder) -> bytes:
    kept_pictures(record)
    return (record.path / "art" / "front.jpg").read_bytes()


def test_moved_corners_are_a_change_and_undo_draws_the_picture_as_it_was(record: RecordFolder) -> None:
    before, revision = front(record), edits.revision_of(record)
    move_corners(record, "front", CORNERS, expected_revision=revision)
    moved = front(record)
    assert moved != before
    assert edits.revision_of(record) == revision + 1
    assert edits.history(record)[-1].code == "picture-corners"
    edits.undo(record)
    assert front(record) == before
    (kept,) = kept_pictures(record)
    assert not kept.is_straightened
    edits.redo(record)
    assert front(record) == moved
    assert json.loads((record.path / "art/originals/front.json").read_text())["corners"] == CORNERS


def test_copies_carry_the_picture_as_its_corners_stand_after_an_undo(record: RecordFolder) -> None:
    (before,) = pictures_of(record)
    move_corners(record, "front", CORNERS)
    (moved,) = pictures_of(record)
    assert moved.data != before.data
    edits.undo(record)
    (again,) = pictures_of(record)
    assert again.data == before.data


def test_a_picture_that_came_is_no_change_to_undo_and_one_before_it_cannot_be(record: RecordFolder) -> None:
    with pytest.raises(ParameterError, match="nothing to undo"):
        edits.undo(record)
    move_corners(record, "front", CORNERS)
    keep_picture(record, "front", photograph(20))
    with pytest.raises(ChangedElsewhere):
        edits.undo(record)
    drop_picture(record, "front")
    assert kept_pictures(record) == []
    assert [entry.code for entry in edits.history(record)][-2:] == ["picture", "picture-away"]
    kept = {path.name for path in (record.path / "art" / ".bin").iterdir()}
    assert {"front-1.picture", "front-2.picture", "front-1.json", "front-2.json"} <= kept


def test_a_stale_page_and_a_picture_without_a_photograph_are_refused(record: RecordFolder) -> None:
    with pytest.raises(ChangedElsewhere):
        move_corners(record, "front", CORNERS, expected_revision=edits.revision_of(record) - 1)
    (record.path / "art" / "back.jpg").write_bytes(photograph())
    with pytest.raises(NotThere):
        move_corners(record, "back", CORNERS)


def test_corners_changed_in_the_file_are_taken_in_and_nonsense_loses_nothing(record: RecordFolder) -> None:
    before = front(record)
    path = record.path / "art/originals/front.json"
    facts = json.loads(path.read_text())
    path.write_text(json.dumps({**facts, "corners": CORNERS, "straightened": True}))
    assert front(record) != before
    assert edits.choices(record).can_undo
    edits.undo(record)
    assert front(record) == before
    path.write_text("{")
    assert edits.revision_of(record) > 0
    assert front(record) == before
    edits.undo(record)
    assert json.loads(path.read_text()) == facts


def test_a_pulled_plug_between_corners_and_picture_is_made_good_at_the_next_look(
    record: RecordFolder, monkeypatch: pytest.MonkeyPatch
) -> None:
    from sidekeep.service.shelf import pictures as room

    before = front(record)
    with monkeypatch.context() as patch:
        patch.setattr(room, "_draw", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        with pytest.raises(KeyboardInterrupt):
            move_corners(record, "front", CORNERS)
    assert (record.path / "art" / "front.jpg").read_bytes() == before
    assert front(record) != before
    later = os.stat(record.path / "art" / "front.jpg").st_mtime_ns
    kept_pictures(record)
    assert os.stat(record.path / "art" / "front.jpg").st_mtime_ns == later, "drawn once, not at every look"


def test_a_pipe_or_a_folder_by_the_name_of_a_picture_is_passed_over(record: RecordFolder) -> None:
    os.mkfifo(record.path / "art" / "back.jpg")
    (record.path / "art" / "label.png").mkdir()
    assert [picture.kind for picture in kept_pictures(record)] == ["front"]


PUT = """
import sys
from pathlib import Path
from sidekeep.service.shelf.pictures import keep_picture
from sidekeep.shelf.record_folder import RecordFolder
record, pictures = RecordFolder(Path(sys.argv[1])), [Path(name) for name in sys.argv[2:]]
print("ready", flush=True)
sys.stdin.readline()
for picture in pictures:
    keep_picture(record, "front", picture.read_bytes())
"""


def test_two_processes_that_put_pictures_lose_none_and_mix_none(record: RecordFolder, tmp_path: Path) -> None:
    sent = [photograph(shade) for shade in range(40, 56)]
    names = [tmp_path / f"{number}.jpg" for number in range(len(sent))]
    for name, data in zip(names, sent, strict=True):
        name.write_bytes(data)
    others = [
        subprocess.Popen(
            [sys.executable, "-c", PUT, str(record.path), *map(str, names[first::2])],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
        )
        for first in (0, 1)
    ]
    for other in others:
        assert other.stdout is not None
        assert other.stdout.readline() == "ready\n"
    for other in others:
        assert other.stdin is not None
        other.stdin.write("go\n")
        other.stdin.flush()
    for other in others:
        other.communicate(timeout=120)
        assert other.returncode == 0
    art = record.path / "art"
    current = (art / "originals" / "front.picture").read_bytes()
    kept = [path.read_bytes() for path in (art / ".bin").glob("front-*.picture")]
    assert sorted([*kept, current]) == sorted([*sent, photograph()])
    assert len(list((art / ".bin").glob("front-*.jpg"))) == len(sent)
    # What is shown is the photograph that is kept, not that of the other process.
    shown, own = (
        np.asarray(Image.open(io.BytesIO(data)).convert("L"), float) for data in (front(record), current)
    )
    assert shown.shape == own.shape
    assert np.abs(shown - own).mean() < 1.0
