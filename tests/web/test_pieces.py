"""Two pieces of one side through the interface: known as such by what was told of them, put together, and taken apart again."""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from sidekeep.files.atomic import write_json
from sidekeep.model.news import News
from sidekeep.service.recording.take_close import close_recorded
from sidekeep.service.shelf.records import plan_sleeve
from sidekeep.shelf.take_bin import bin_take
from tests.flow.comparison.pairs import RATE
from tests.service.comparing.test_pieces import SLEEVE, lifted_at, lowered_at
from tests.web.conftest import RunningServer, record_of
from tests.web.test_comparing import wait


def in_pieces(shelf: Path) -> None:
    """A-1 in the bin, as the needle was lifted; A-2, its rest, told to begin there."""
    folder = plan_sleeve(shelf, SLEEVE)
    facts = {"length_s": 30.0, "printed_s": 44.0, "aside_s": 20.0, "aside": "A-1"}
    told = [News(code="beginning-aside", severity="act", side="A", facts=facts)]
    for audio, notes in ((lifted_at(20.0), []), (lowered_at(14.0), told)):
        place = folder.new_take_folder("A")
        soundfile.write(place / "take.wav", np.clip(audio, -1, 1), RATE, subtype="PCM_24")
        take = close_recorded(folder, place / "take.wav", side="A", notes=notes)
        if not notes:
            bin_take(folder, take, "lifted")


@pytest.fixture
def side(tmp_path: Path) -> Iterator[RunningServer]:
    in_pieces(tmp_path / "shelf")
    server = RunningServer(tmp_path / "shelf")
    yield server
    server.close()


def pieces_of(record: dict[str, Any]) -> list[str]:
    (side,) = record["sides"]
    found: list[str] = side["pieces"]
    return found


def test_pieces_are_known_put_together_and_taken_apart(side: RunningServer) -> None:
    record = record_of(side)
    (binned,), (rest,) = record["binned"], record["takes"]
    assert pieces_of(record) == [binned["id"], rest["id"]]
    first, second = pieces_of(record)
    refused = side.ask("POST", f"/api/takes/{first}/combine", {"others": [second]})
    assert refused.status == 404  # what lies in the bin is no take to average with
    asked = side.ask("POST", f"/api/takes/{first}/combine", {"others": [second], "pieces": True})
    job = wait(side, asked.json())
    assert job["state"] == "done", job["error"]
    _survey_is_over(side)
    (seam,) = job["result"]["seams"]
    assert seam["how"] == "music"
    record = record_of(side)
    (unsure,) = [each for each in record["sides"][0]["unsure"] if each["kind"] == "finding"]
    assert (unsure["why"]["code"], unsure["frame"]) == ("pieces-meet", seam["frame"])
    (line,) = side.get("/api/records")["records"]
    assert line["unsure_count"] == len(record["sides"][0]["unsure"])
    made = next(take for take in record["takes"] if take["chosen"])
    assert (made["id"], made["number"], made["original_name"]) == (job["result"]["take"], 3, "A-1 + A-2")
    assert pieces_of(record) == []
    assert side.ask("POST", f"/api/takes/{made['id']}/discard", {}).status == 200
    record = record_of(side)
    assert [take["id"] for take in record["takes"] if take["chosen"]] == [rest["id"]]


def _survey_is_over(server: RunningServer) -> None:
    """The one that follows by itself."""
    until_s = time.monotonic() + 200.0
    while not (surveys := [job for job in server.get("/api/jobs")["jobs"] if job["kind"] == "survey"]):
        assert time.monotonic() < until_s
        time.sleep(0.05)
    assert wait(server, surveys[-1])["state"] == "done"


@pytest.mark.parametrize(
    ("code", "facts", "binned", "is_piece"),
    [
        ("goes-on", {}, "", True),
        ("goes-on", {}, "lifted", True),
        ("begun", {"joined": True}, "lifted", True),
        ("begun", {"joined": True}, "", False),
        ("begun", {"joined": False}, "lifted", False),
        ("beginning-aside", {"aside": "A-7"}, "lifted", False),
        ("beginning-aside", {"aside": "A-1"}, "discard", False),
        ("loss", {"lost_s": 1.0}, "lifted", False),
    ],
)
def test_what_was_told_says_whether_it_is_a_piece(
    side: RunningServer, code: str, facts: dict[str, Any], binned: str, is_piece: bool
) -> None:
    folder = side.house.library.folder(record_of(side)["id"])
    (rest,), (aside,) = folder.takes(), folder.binned()
    note = News(code=code, severity="act", side="A", facts=facts)
    changed = dataclasses.replace(rest, notes=(note,))
    write_json(folder.path / rest.folder / "take.json", changed.facts(), replace=True)
    again = dataclasses.replace(aside, binned=binned)
    write_json(folder.path / aside.folder / "take.json", again.facts(), replace=True)
    if not binned:
        (folder.path / aside.folder).rename(folder.path / "takes" / "A-1")
    assert bool(pieces_of(record_of(side))) is is_piece
