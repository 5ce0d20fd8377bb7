"""What goes wrong around a survey behind the needle ends that survey, and leaves nothing lying about."""

from __future__ import annotations

import io
import json
import queue
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sidekeep.errors import SidekeepError
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.service.live.followed_take import FollowedTake
from sidekeep.service.live.process import FollowedTakes
from sidekeep.service.recording.take_close import close_recorded
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.take_bin import bin_take
from tests.outside import files_no_larger_than
from tests.service.live.test_followed_take import pieces, record_folder
from tests.small_record import RATE_HZ, small_record

SMALL_BYTES = 20_000


@pytest.fixture
def folder(tmp_path: Path) -> RecordFolder:
    return record_folder(tmp_path)


def recorded(folder: RecordFolder, audio: np.ndarray) -> Path:
    path = folder.new_take_folder("A") / "take.wav"
    with TakeWriter(path, rate_hz=RATE_HZ, channels=2, bits=24) as writer:
        for piece in pieces(audio, 3):
            writer.append(piece)
    return path


def names(place: Path) -> list[str]:
    return sorted(path.name for path in place.rglob("*"))


@pytest.fixture
def no_room(folder: RecordFolder) -> Iterator[Path]:
    """A recorded side, and files that cannot grow past 20 kB: as on a disk that is full, writing fails and so does closing."""
    path = recorded(folder, small_record().a.audio)
    with files_no_larger_than(SMALL_BYTES):
        yield path


def test_a_full_disk_ends_the_survey_and_gets_its_room_back(folder: RecordFolder, no_room: Path) -> None:
    """The recording needs every byte that is left: no draft may stay."""
    out, orders = io.BytesIO(), queue.Queue[dict[str, Any] | None]()
    orders.put({"do": "begin", "path": str(no_room), "record": str(folder.path), "side": "A"})
    orders.put({"do": "ended", "path": str(no_room)})
    orders.put(
        {"do": "closed", "path": str(no_room), "sha256": "0" * 64, "place": str(no_room.parent), "side": "A"}
    )
    orders.put(None)
    FollowedTakes(out, orders).run()
    told = [json.loads(line) for line in out.getvalue().splitlines()]
    assert [each["facts"]["reason"] for each in told if each["code"] == "live-given-up"] == ["trouble"]
    assert names(no_room.parent) == ["take.wav"]


def followed(folder: RecordFolder, path: Path) -> FollowedTake:
    """Its survey up to the lift."""
    take = FollowedTake(path, folder, "A")
    while take.advance() is not None:
        pass
    take.conclude()
    return take


def test_a_take_put_aside_at_the_lift_takes_no_draft_along(folder: RecordFolder) -> None:
    """The person discards it while its survey is concluded: the folder lies in the bin by the time the survey hears of it."""
    path = recorded(folder, small_record().a.audio[: 8 * RATE_HZ])
    survey = followed(folder, path)
    binned = bin_take(folder, close_recorded(folder, path, side="A"), "discard")
    survey.abandon()
    assert names(folder.path / binned.folder) == ["take.json", "take.wav"]


def test_a_record_that_got_another_name_keeps_its_sound_and_no_folder_of_the_old_name_comes_back(
    folder: RecordFolder,
) -> None:
    path = recorded(folder, small_record().a.audio[: 8 * RATE_HZ])
    survey = followed(folder, path)
    sha256 = close_recorded(folder, path, side="A").files[0].sha256
    renamed = folder.path.rename(folder.path.with_name("another name"))
    with pytest.raises(SidekeepError):
        survey.keep(sha256)
    survey.abandon()
    assert not folder.path.exists()
    assert (renamed / "takes" / "A-1" / "take.wav").is_file()
