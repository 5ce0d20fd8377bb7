"""A side taken through the interface, over a sound server of our own: from arming to copies."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

from sidekeep.service.house.turntable.session_view import SessionView
from sidekeep.service.recording.take_types import Act
from tests.devices.conftest import Deck, deck  # noqa: F401  (a fixture)
from tests.small_record import SLEEVE, small_record
from tests.web.conftest import RunningServer


@pytest.fixture(autouse=True)
def own_settings(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "settings"))


def until(seconds: float, found: Any) -> Any:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        value = found()
        if value:
            return value
        time.sleep(0.1)
    raise AssertionError("it did not come")


def is_waiting(process_id: int | None) -> bool:
    """Whether a process has come up and rests: on a loaded machine the survey behind the needle, at its low priority, needs longer to
    load and compile than the side lasts."""
    seen = set()
    for _ in range(10):
        state, *more = Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()
        seen.add((state, int(more[10]) + int(more[11])))
        time.sleep(0.1)
    return len(seen) == 1 and all(state == "S" and ticks > 30 for state, ticks in seen)


@pytest.mark.device
@pytest.mark.slow
def test_a_side_is_taken_and_its_copies_follow_by_themselves(
    deck: Deck,  # noqa: F811
    fresh: RunningServer,
    tmp_path: Path,
) -> None:
    files, _ = small_record().write(tmp_path)
    sleeve = SLEEVE.split("Side B")[0]
    record = fresh.ask("POST", "/api/records", {"text": sleeve}).json()["id"]
    found = fresh.get("/api/inputs")["inputs"]
    wanted = next(each["id"] for each in found if "deck" in each["id"])
    assert fresh.ask("POST", "/api/inputs/choose", {"input": wanted}).status == 200
    assert fresh.get("/api/state")["settings"]["input"] == wanted
    assert fresh.ask("POST", "/api/gauge", {"on": True}).json() == {"on": True}
    watcher, _, _ = fresh.house.news.watch(lambda: None)
    until(120, lambda: [event for event in watcher.take()[0] if event["kind"] == "meter"])
    begun = fresh.ask(
        "POST", "/api/session", {"record": record, "sides": ["A"], "then": {"copies": ["lossless"]}}
    )
    assert begun.status == 200, begun.body
    busy = fresh.ask("POST", "/api/session", {"record": record, "sides": ["A"]})
    assert (busy.status, busy.json()["error"]["code"]) == (409, "turntable-busy")
    until(
        120,
        lambda: (
            fresh.get("/api/session")["session"]["phase"] == "armed"
            and fresh.get("/api/session")["session"]["input_open"]
        ),
    )
    follower = fresh.house.turntable._live
    assert follower is not None
    until(240, lambda: is_waiting(follower.survey.process_id))
    player = deck.play(files[0])
    player.wait(120)
    until(120, lambda: fresh.get("/api/session")["session"] is None)
    last = fresh.get("/api/state")["last_session"]
    assert (last["record"], last["phase"]) == (record, "done")
    told: set[str] = set()

    def is_told() -> bool:
        """The side is followed while it plays, and pages hear of it."""
        told.update(event["code"] for event in watcher.take()[0] if event["kind"] == "live")
        return told >= {"live-begun", "live-turns"}

    until(120, is_told)
    (take,) = fresh.get(f"/api/records/{record}")["takes"]
    assert take["side"] == "A"
    survey = until(120, lambda: [job for job in fresh.get("/api/jobs")["jobs"] if job["kind"] == "survey"])[0]
    until(240, lambda: fresh.get(f"/api/jobs/{survey['id']}")["state"] in ("done", "failed"))
    unsure = [side["unsure"] for side in fresh.get(f"/api/records/{record}")["sides"]]
    # The machine played with gaps, say: then nothing is copied unasked. Sound lost while recording holds nothing up.
    if any(doubt["why"]["code"] != "lost-sound" for doubts in unsure for doubt in doubts):
        assert "copies" not in [job["kind"] for job in fresh.get("/api/jobs")["jobs"]]
    else:
        until(120, lambda: "copies" in [job["kind"] for job in fresh.get("/api/jobs")["jobs"]])


def test_what_cannot_be_is_refused_at_once(fresh: RunningServer) -> None:
    record = fresh.ask("POST", "/api/records", {"text": SLEEVE}).json()["id"]
    for body in ({"record": record, "sides": []}, {"record": record, "sides": ["../A"]}, {"record": record, "sides": ["A"], "then": {"copies": ["8-track"]}}):  # fmt: skip
        assert fresh.ask("POST", "/api/session", body).status == 400
    assert fresh.ask("POST", "/api/session", {"record": "nothing", "sides": ["A"]}).status == 404
    refused = fresh.ask("POST", "/api/session/act", {"do": "end"})
    assert (refused.status, refused.json()["error"]["code"]) == (409, "no-session")
    assert fresh.ask("POST", "/api/session/act", {"do": "explode"}).status == 400
    assert fresh.get("/api/session") == {"session": None}


def test_the_pile_keeps_its_order_and_forgets_what_is_gone(fresh: RunningServer) -> None:
    ids = [
        fresh.ask("POST", "/api/records", {"text": f"Ada Thorn - Part {number} (1979)\n"}).json()["id"]
        for number in range(3)
    ]
    assert fresh.ask("PUT", "/api/pile", {"records": [ids[2], ids[0], ids[2]]}).json() == {
        "pile": [ids[2], ids[0]]
    }
    fresh.ask("DELETE", f"/api/records/{ids[2]}")
    assert fresh.get("/api/state")["pile"] == [ids[0]]
    assert fresh.ask("PUT", "/api/pile", {"records": ["../x"]}).status == 404


class Asked:
    """Stands for a session at work: what it was asked."""

    def __init__(self) -> None:
        self.acts: list[Act] = []

    def act(self, act: Act) -> None:
        self.acts.append(act)


def test_an_act_that_means_another_take_or_record_is_refused(
    fresh: RunningServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A phone that slept still shows side A, or the record before; by now side B is being recorded."""
    asked = Asked()
    seen = SessionView(record="now", sides=("A", "B"), then_copies=(), phase="recording", side="B")
    seen.take = "takes/B-1"
    monkeypatch.setattr(fresh.house.turntable, "_session", asked)
    monkeypatch.setattr(fresh.house.turntable, "_view", seen)
    for sent, code in (
        ({"do": "discard", "take": "takes/A-1"}, "another-take"),
        ({"do": "again", "take": ""}, "another-take"),
        ({"do": "stop", "record": "before"}, "another-record"),
    ):
        refused = fresh.ask("POST", "/api/session/act", sent)
        assert (refused.status, refused.json()["error"]["code"]) == (409, code)
    assert asked.acts == []
    assert "side B has begun in the meantime" in fresh.ask("POST", "/api/session/act", {"do": "end", "take": "takes/A-1"}).json()["error"]["text"]  # fmt: skip
    assert fresh.ask("POST", "/api/session/act", {"do": "end", "record": "now", "take": "takes/B-1"}).status == 200  # fmt: skip
    assert (
        fresh.ask("POST", "/api/session/act", {"do": "end"}).status == 200
    )  # a script that looks at nothing
    assert [(act.do, act.take) for act in asked.acts] == [("end", "takes/B-1"), ("end", None)]
    monkeypatch.undo()
