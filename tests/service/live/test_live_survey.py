"""The surveying process as the session has it: it finishes what was recorded, and its death costs nothing."""

from __future__ import annotations

import os
import shutil
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.model.recipe import Recipe
from sidekeep.service.live.follower import LiveSurvey
from sidekeep.service.recording.take_close import close_recorded
from sidekeep.service.transfers import copies
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake
from sidekeep.shelf.surveys.kept_survey import newest_key
from sidekeep.shelf.take_bin import relabel_take
from tests.service.live.test_followed_take import kept, pieces, record_folder
from tests.small_record import RATE_HZ, small_record

WAIT_S = 240.0
"""How long a loaded machine may need; nothing is measured here."""


@pytest.fixture
def folder(tmp_path: Path) -> RecordFolder:
    return record_folder(tmp_path)


@pytest.fixture
def live() -> Iterator[LiveSurvey]:
    survey = LiveSurvey()
    yield survey
    survey.close()
    assert survey.process_id is None


def record(folder: RecordFolder, live: LiveSurvey, audio: np.ndarray, side: str = "A") -> Path:
    """What the capture and the session do, up to the closed file."""
    path = folder.new_take_folder(side) / "take.wav"
    with TakeWriter(path, rate_hz=RATE_HZ, channels=2, bits=24) as writer:
        live.begun(path, path.parent, side)
        for piece in pieces(audio, 3):
            writer.append(piece)
            writer.sync()
            time.sleep(0.01)
    return path


def finish(folder: RecordFolder, live: LiveSurvey, path: Path, side: str = "A") -> ShelfTake:
    live.ended(path)
    take = close_recorded(folder, path, side=side)
    live.closed(take)
    return take


def test_the_lift_leaves_a_survey_on_the_shelf(folder: RecordFolder, live: LiveSurvey) -> None:
    take = finish(folder, live, record(folder, live, small_record().a.audio))
    assert live.settle(WAIT_S)
    told = live.poll()
    assert told[0]["code"] == "live-begun"
    assert told[-1]["code"] == "live-settled"
    assert {(event["side"], event["take"]) for event in told} == {("A", "takes/A-1")}
    assert set(told[0]) == {"code", "side", "take", "at_frame", "facts"}
    mine = kept(folder)
    state = {event["code"]: event["facts"] for event in live.state()}
    assert state["live-damage"]["total"] == len(state["live-damage"]["repairs"])
    assert state["live-turns"]["first_turn"] == 0
    shutil.rmtree(folder.path / take.folder / "surveys")
    copies.survey_record(folder, folder.choose_takes(), copies._sleeve(folder), Recipe())
    assert kept(folder) == mine


def test_a_side_that_gets_another_name_is_not_listened_to_again(
    folder: RecordFolder, live: LiveSurvey, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As the session does it for a side that was another one: the take is closed anew under its new name."""
    take = finish(folder, live, record(folder, live, small_record().b.audio))
    assert live.settle(WAIT_S)
    before = newest_key(folder.path / take.folder)
    take = relabel_take(folder, take, "B")
    live.closed(take)
    assert live.settle(WAIT_S)
    assert newest_key(folder.path / take.folder) != before
    assert [(event["side"], event["code"]) for event in live.poll()][-1] == ("B", "live-settled")
    monkeypatch.setattr(copies, "listen_to", None)
    (used,) = copies.survey_record(folder, folder.choose_takes(), copies._sleeve(folder), Recipe())
    assert [track.title for track in used.survey.cuts.sides[0].tracks] == ["Third Rail", "Fourth Wall"]


def test_killed_at_any_time_the_survey_is_made_afterwards(folder: RecordFolder, live: LiveSurvey) -> None:
    path = record(folder, live, small_record().a.audio)
    assert live.process_id is not None
    os.kill(live.process_id, signal.SIGKILL)
    finish(folder, live, path)
    assert live.settle(WAIT_S)  # nothing of it is awaited any more, and that is told
    given_up = [event["facts"] for event in live.poll() if event["code"] == "live-given-up"]
    assert given_up == [{"reason": "died"}]
    (found,) = copies.survey_record(folder, folder.choose_takes(), copies._sleeve(folder), Recipe())
    assert len(found.survey.cuts.sides[0].tracks) == 2
    second = finish(folder, live, record(folder, live, small_record().b.audio, "B"), "B")
    assert live.settle(WAIT_S)  # a process that died with one side is there again for the next
    assert newest_key(folder.path / second.folder) is not None


def test_a_dropped_side_leaves_only_its_sound(folder: RecordFolder, live: LiveSurvey) -> None:
    path = record(folder, live, small_record().a.audio[: 8 * RATE_HZ])
    live.ended(path)
    live.dropped(path)
    until_s = time.monotonic() + WAIT_S
    while len(list(path.parent.iterdir())) > 1 and time.monotonic() < until_s:
        time.sleep(0.05)
    assert [each.name for each in path.parent.iterdir()] == ["take.wav"]


def test_trouble_is_one_line_and_ends_this_side_only(folder: RecordFolder, live: LiveSurvey) -> None:
    odd = folder.new_take_folder("A") / "take.wav"
    odd.write_text("this is not a take, it is a text that lies where one should be")
    live.begun(odd, odd.parent, "A")
    finish(folder, live, record(folder, live, small_record().b.audio, "B"), "B")
    assert live.settle(WAIT_S)
    told = live.poll()
    trouble = next(event for event in told if event["code"] == "live-given-up")
    assert trouble["facts"]["reason"] == "trouble"
    assert "does not begin like a take" in trouble["facts"]["text"]
    assert told[-1]["code"] == "live-settled"
