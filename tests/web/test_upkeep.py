"""Looking after the shelf through the interface: interrupted takes, the index, checks, and what outlives a restart."""

from __future__ import annotations

import shutil
import threading
import time
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from sidekeep.devices.inputs import SoundInput
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.model.cuts import SideCuts
from sidekeep.model.finding import Finding
from sidekeep.model.news import News
from sidekeep.service.house.events import EventHub
from sidekeep.service.house.jobs.job import Job
from sidekeep.service.house.takes.doubts import findings_of_side
from sidekeep.service.house.turntable import turntable as turntable_room
from sidekeep.service.house.turntable.last_evening import KEPT_S, broken_off, keep_evening
from sidekeep.service.house.turntable.session_view import SessionView
from sidekeep.service.house.turntable.turntable import Turntable
from sidekeep.service.recording.take_close import only_one_taker
from sidekeep.service.recording.take_session import TakeSession
from tests.web.conftest import RunningServer

SLEEVE = "Nan Okoro - Salt Hours (1979)\nSide A\nA1 Lamp Oil 3:00\n"


def leave_open(folder: Path, side: str = "A", seconds: int = 3) -> None:
    """A take as a pulled plug leaves it: sound, and nobody who closed it."""
    place = folder / "takes" / f"{side}-1"
    place.mkdir(parents=True)
    with TakeWriter(place / "take.wav", rate_hz=44_100, channels=2, bits=24) as writer:
        noise = np.random.default_rng(2).integers(-9000, 9000, (44_100 * seconds, 2))
        writer.append(noise.astype(np.int32))


@pytest.fixture
def planned(fresh: RunningServer) -> tuple[RunningServer, str, Path]:
    record = fresh.ask("POST", "/api/records", {"text": SLEEVE}).json()["id"]
    (place,) = [path.parent for path in fresh.house.shelf.glob("*/record.toml")]
    return fresh, record, place


def test_an_interrupted_take_is_told_and_closed_with_all_its_sound(
    planned: tuple[RunningServer, str, Path],
) -> None:
    server, record, place = planned
    assert server.get("/api/interrupted") == {"takes": []}
    leave_open(place)
    (told,) = server.get("/api/interrupted")["takes"]
    assert (told["record"], told["title"], told["side"]) == (record, "Salt Hours", "A")
    answer = server.ask("POST", "/api/interrupted/close").json()
    assert answer["left"] == []
    assert [(take["side"], take["length_s"]) for take in answer["takes"]] == [("A", pytest.approx(3.0))]
    (take,) = server.get(f"/api/records/{record}")["takes"]
    assert take["length_frames"] == 3 * 44_100
    assert [job["kind"] for job in server.get("/api/jobs")["jobs"]] == ["survey"]
    assert server.get("/api/interrupted") == {"takes": []}


def test_nothing_is_put_in_order_while_a_side_is_recorded(planned: tuple[RunningServer, str, Path]) -> None:
    server, _, place = planned
    leave_open(place)
    with only_one_taker(server.house.shelf):
        assert server.get("/api/interrupted") == {"takes": []}
        for path in ("/api/interrupted/close", "/api/index"):
            refused = server.ask("POST", path)
            assert (refused.status, refused.json()["error"]["code"]) == (409, "recording-onto-shelf")
    assert len(server.get("/api/interrupted")["takes"]) == 1


def test_folders_that_came_and_went_by_hand_are_found_by_reading_them_again(
    planned: tuple[RunningServer, str, Path],
) -> None:
    server, _, place = planned
    moved = place.with_name("Under another name")
    shutil.move(place, moved)
    assert server.ask("POST", "/api/index").json() == {"records": 1}
    (record,) = server.get("/api/records")["records"]
    assert (record["title"], record["state"]) == ("Salt Hours", "planned")
    shutil.rmtree(moved)
    assert server.ask("POST", "/api/index").json() == {"records": 0}


def test_a_check_says_what_it_could_not_check(full_shelf: Path, tmp_path: Path) -> None:
    shutil.copytree(full_shelf, tmp_path / "shelf")
    server = RunningServer(tmp_path / "shelf")
    try:
        (record,) = server.get("/api/records")["records"]
        (place,) = [path.parent for path in (tmp_path / "shelf").glob("*/record.toml")]
        leave_open(place, "C")
        job = server.ask("POST", f"/api/records/{record['id']}/verify", {"decode_flac": True}).json()
        until = time.monotonic() + 120
        while (now := server.get(f"/api/jobs/{job['id']}"))["state"] in ("waiting", "running"):
            assert time.monotonic() < until
            time.sleep(0.02)
        assert (now["result"]["ok"], now["result"]["complete"]) == (True, False)
        (left,) = now["result"]["places"][0]["unchecked"]
        assert left.startswith("takes/C-1 has no take.json")
    finally:
        server.close()


def test_what_came_of_an_evening_outlives_a_restart(tmp_path: Path) -> None:
    view = {"record": "r", "sides": ["A"], "phase": "done", "taken": ["A"]}

    def turntable() -> Turntable:
        return Turntable(tmp_path, EventHub(), lambda *_: None)

    assert turntable().last() is None
    keep_evening(tmp_path, (time.time(), view))
    assert turntable().last() == view
    keep_evening(tmp_path, (time.time() - KEPT_S - 1, view))
    assert turntable().last() is None
    for torn in ("", "[1]", '{"record": 1}', '["now", {}]', "[1e400, 2]"):
        (tmp_path / ".last-evening.json").write_text(torn)
        assert turntable().last() is None


def test_an_evening_that_sidekeep_did_not_survive_is_told_of_as_it_was(tmp_path: Path) -> None:
    """Kept while it goes on; a kill in the middle of side B left a page with the evening before."""
    view = SessionView(
        record="r", sides=("A", "B"), then_copies=(), phase="recording", side="B", take="takes/B-1"
    )
    keep_evening(tmp_path, broken_off(view.view()))
    last = Turntable(tmp_path, EventHub(), lambda *_: None).last()
    assert last is not None
    assert (last["record"], last["phase"], last["side"]) == ("r", "done", "B")
    assert [(news["code"], news["facts"]) for news in last["news"]] == [("broken-off", {"side": "B"})]


def test_an_interrupted_take_that_arming_found_is_told_on_the_page(
    planned: tuple[RunningServer, str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """So is whatever else is said before the evening is there: that the input is muted, say."""
    server, record, place = planned
    leave_open(place)
    ends = threading.Event()
    muted = News(code="input-muted", severity="act")
    card = SoundInput(
        key="card", name="a card", channels=2, rate_hz=44_100, bits=24, device=None, notes=(muted,)
    )
    monkeypatch.setattr(turntable_room, "input_in_use", lambda: card)
    monkeypatch.setattr(TakeSession, "run", lambda session: ends.wait(60.0) and session.takes)
    try:
        armed = server.ask("POST", "/api/session", {"record": record, "sides": ["A"], "survey": False})
        assert armed.status == 200, armed.body
        told = server.get("/api/session")["session"]["news"]
        assert [(news["code"], news["side"]) for news in told] == [
            ("repaired", "A"),
            ("input", ""),
            ("input-muted", ""),
        ]
    finally:
        ends.set()


def test_copies_that_were_to_follow_an_evening_are_not_forgotten_by_a_restart(
    planned: tuple[RunningServer, str, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sidekeep was killed while the last side was surveyed: the copies are not there, and that is told until they are asked for."""
    server, record, _ = planned
    card = SoundInput(key="card", name="a card", channels=2, rate_hz=44_100, bits=24, device=None)
    monkeypatch.setattr(turntable_room, "input_in_use", lambda: card)
    monkeypatch.setattr(TakeSession, "run", lambda session: [SimpleNamespace(side="A")])
    then = {"copies": ["lossless"]}
    sent = {"record": record, "sides": ["A"], "then": then, "survey": False}
    assert server.ask("POST", "/api/session", sent).status == 200
    until = time.monotonic() + 60.0
    while server.house.turntable._is_at_work():
        assert time.monotonic() < until
        time.sleep(0.02)

    def told_after_a_restart() -> list[str]:
        last = Turntable(server.house.shelf, EventHub(), lambda *_: None).last()
        assert last is not None
        return [news["code"] for news in last["news"]]

    assert told_after_a_restart() == ["input", "copies-unmade"]
    ended = Job(job_id="1", kind="survey", record=record, arguments={}, asked_utc="", state="failed")
    server.house._job_ended(ended)
    assert told_after_a_restart() == ["input"]


def test_findings_of_a_take_belong_to_one_of_its_sides() -> None:
    sides = [
        SideCuts(side=name, needle_down_frame=down, needle_up_frame=up, music_start_frame=down, music_stop_frame=up)
        for name, down, up in (("A", 1000, 5000), ("B", 8000, 12_000))
    ]  # fmt: skip

    def found(start: int) -> Finding:
        return Finding(kind="dropout", severity="look", start_frame=start, stop_frame=start + 10)

    all_of_them = [found(start) for start in (0, 1000, 4000, 6000, 8000, 13_000)]
    told = {side.side: [each.start_frame for each in findings_of_side(side, sides, all_of_them)] for side in sides}  # fmt: skip
    assert told == {"A": [0, 1000, 4000, 6000], "B": [8000, 13_000]}
    assert findings_of_side(sides[0], [], all_of_them) == all_of_them


def test_a_recipe_goes_out_as_a_file_and_comes_in_as_one(full_shelf: Path, tmp_path: Path) -> None:
    shutil.copytree(full_shelf, tmp_path / "shelf")
    server = RunningServer(tmp_path / "shelf")
    try:
        (summary,) = server.get("/api/records")["records"]
        path = f"/api/records/{summary['id']}"

        def change(edit: dict[str, Any]) -> Any:
            return server.ask("POST", f"{path}/edits", {"edit": edit})

        file = server.ask("GET", f"{path}/recipe/file")
        assert (file.status, file.headers["content-disposition"]) == (200, "attachment")
        text = file.body.decode()
        wanted = text.replace('size = "even"', 'size = "gentle"  # an old pressing')
        assert wanted != text
        assert change({"kind": "recipe-text", "text": wanted}).status == 200
        assert server.get(f"{path}/recipe")["choices"]["mend"]["size"] == "gentle"
        assert b'size = "gentle"' in server.ask("GET", f"{path}/recipe/file").body
        for wrong in (
            "no recipe",
            '[mend]\nsize = "huge"',
            "[levels]\n",
            '[copies]\nforms = ["lossless=20"]',
        ):
            refused = change({"kind": "recipe-text", "text": wrong})
            assert (refused.status, refused.json()["error"]["text"].count("\n")) == (400, 0), wrong
        assert server.ask("POST", f"{path}/undo", {}).status == 200
        assert server.get(f"{path}/recipe")["choices"]["mend"]["size"] == "even"
    finally:
        server.close()
