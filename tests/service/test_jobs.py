"""Long work in a process of its own: queue, progress, cancel within half a second, nothing half-written."""

from __future__ import annotations

import os
import shutil
import signal
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from sidekeep.errors import NotThere, ParameterError
from sidekeep.files.atomic import part_path
from sidekeep.service.house.events import EventHub
from sidekeep.service.house.house import House
from sidekeep.service.house.jobs.queue import Jobs
from sidekeep.service.shelf.adopting import adopt
from sidekeep.shelf.record_lock import at_work
from tests.small_record import small_record


@pytest.fixture(scope="module")
def taken(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shelf with one side taken and nothing done with it yet."""
    folder = tmp_path_factory.mktemp("jobs")
    files, sleeve = small_record().write(folder)
    adopt(files[:1], shelf=folder / "shelf", sleeve_path=sleeve)
    return folder / "shelf"


@pytest.fixture
def house(taken: Path, tmp_path: Path) -> Iterator[House]:
    shutil.copytree(taken, tmp_path / "shelf")
    opened = House(tmp_path / "shelf")
    yield opened
    opened.close()


def wait_for(
    house: House, job_id: str, until: Callable[[dict[str, Any]], bool], seconds: float = 240.0
) -> dict[str, Any]:
    end = time.monotonic() + seconds
    while time.monotonic() < end:
        view = house.jobs.view(job_id)
        if until(view):
            return view
        time.sleep(0.01)
    raise AssertionError(view)


def ended(view: dict[str, Any]) -> bool:
    return view["state"] in ("done", "failed", "cancelled")


def leftovers(shelf: Path) -> list[Path]:
    return [
        path
        for path in shelf.glob("*/**/*")  # the list of jobs itself, right on the shelf, may be on its way
        if path.name.endswith(".part") or path.name.startswith((".sidekeep-", ".making"))
    ]


def only_record(house: House) -> str:
    (entry,) = house.library.entries()
    return entry.record_id


def is_usable(house: House, record: str) -> None:
    """The record is free and the queue goes on, with work that takes the record's lock as any other."""
    check = house.ask_for("verify", record, decode_flac=False)
    assert wait_for(house, check["id"], ended)["state"] == "done"


def test_a_record_is_surveyed_and_copied_and_verified_one_after_the_other(house: House) -> None:
    record = only_record(house)
    watcher, _, _ = house.news.watch(lambda: None)
    survey = house.ask_for("survey", record)
    copies = house.ask_for("copies", record, kinds=["lossless"], replace=False)
    check = house.ask_for("verify", record, decode_flac=False)
    assert (
        house.ask_for("verify", record, decode_flac=False)["id"] == check["id"]
    )  # asked for twice, done once
    found = wait_for(house, survey["id"], ended)
    assert found["state"] == "done", found
    assert found["result"]["repairs"] > 0
    made = wait_for(house, copies["id"], ended)
    assert made["state"] == "done", made
    assert {file["name"].split("/")[0] for file in made["result"]["files"]} >= {"lossless"}
    checked = wait_for(house, check["id"], ended)
    assert checked["result"]["ok"]
    news: list[dict[str, Any]] = []
    told: list[str] = []
    end = time.monotonic() + 60.0
    while time.monotonic() < end and not (
        told[-1:] == ["done"] and "record" in {each["kind"] for each in news}
    ):
        news += watcher.take()[0]
        told = [
            event["job"]["state"]
            for event in news
            if event["kind"] == "job" and event["job"]["id"] == survey["id"]
        ]
        time.sleep(0.02)
    assert told[0] == "waiting"
    assert told[-1] == "done"
    assert any(event["kind"] == "record" for event in news)


@pytest.mark.parametrize(("kind", "after_share"), [("survey", 0.0), ("survey", 0.6), ("copies", 0.6)])
def test_cancelling_is_quick_and_leaves_nothing_half_written(
    house: House, kind: str, after_share: float
) -> None:
    record = only_record(house)
    more: dict[str, Any] = {"kinds": ["lossless", "portable"], "replace": False} if kind == "copies" else {}
    job = house.ask_for(kind, record, **more)
    wait_for(
        house,
        job["id"],
        lambda view: ended(view) or (view["state"] == "running" and view["share"] >= after_share),
    )
    stopped = house.jobs.cancel(job["id"])
    assert stopped["state"] in ("cancelled", "done")
    assert leftovers(house.shelf) == []
    is_usable(house, record)


def test_work_cancelled_while_its_process_is_being_started_never_begins(
    house: House, monkeypatch: pytest.MonkeyPatch
) -> None:
    record = only_record(house)
    starting, go_on = threading.Event(), threading.Event()
    start = house.jobs._worker

    def slow_start() -> Any:
        starting.set()
        go_on.wait(120.0)
        return start()

    monkeypatch.setattr(house.jobs, "_worker", slow_start)
    job = house.ask_for("survey", record)
    assert starting.wait(120.0)
    threading.Timer(0.05, go_on.set).start()
    assert house.jobs.cancel(job["id"])["state"] == "cancelled"
    assert leftovers(house.shelf) == []
    is_usable(house, record)


def test_a_side_that_is_being_recorded_outlives_the_sent_in_one_that_waited_for_it(house: House) -> None:
    """The recording holds the record, the sent one waits, side B begins, and then the person thinks better of it."""
    record = only_record(house)
    folder = house.library.folder(record)
    (house.shelf / ".uploads").mkdir()
    (house.shelf / ".uploads" / "sent").write_bytes((folder.path / "takes/A-1/take.wav").read_bytes())
    recording, over = threading.Event(), threading.Event()

    def evening() -> None:
        with at_work(folder.path, "recording"):
            recording.set()
            over.wait(240.0)

    thread = threading.Thread(target=evening)
    thread.start()
    try:
        assert recording.wait(120.0)
        job = house.ask_for("adopt", record, upload="sent", name="side A.wav", sides="A")
        wait_for(house, job["id"], lambda view: ended(view) or "recording" in view["doing"])
        growing = folder.new_take_folder("B") / "take.wav"
        growing.write_bytes(b"the sound of side B")
        assert house.jobs.cancel(job["id"])["state"] == "cancelled"
        assert growing.read_bytes() == b"the sound of side B"
    finally:
        over.set()
        thread.join()


def test_work_that_is_deaf_is_ended_and_cleared_up(house: House) -> None:
    """A stopped process stands for work that hears no interrupt, such as one long call into a library."""
    record = only_record(house)
    job = house.ask_for("survey", record)
    # it runs from the moment its worker is being started, and may be cut short once it has been given to it
    wait_for(house, job["id"], lambda view: house.jobs._jobs[job["id"]].is_given or ended(view))
    process = house.jobs._process
    assert process is not None
    os.kill(process.pid or 0, signal.SIGSTOP)
    folder = house.library.folder(record).path
    mine = part_path(folder / "cuts.toml")
    half = folder / mine.name.replace(f"-{os.getpid()}-", f"-{process.pid}-")
    for path in (half, mine):
        path.write_bytes(b"half")
    process_id = process.pid or 0
    assert house.jobs.cancel(job["id"])["state"] == "cancelled"
    with pytest.raises(ProcessLookupError):
        os.kill(process_id, 0)
    assert not half.exists()
    assert leftovers(house.shelf) == [mine], "what somebody else is writing this moment stays"


def test_a_worker_that_the_system_ends_is_a_failed_job_and_the_next_one_runs(house: House) -> None:
    record = only_record(house)
    job = house.ask_for("survey", record)
    # it runs from the moment its worker is being started, and may be cut short once it has been given to it
    wait_for(house, job["id"], lambda view: house.jobs._jobs[job["id"]].is_given or ended(view))
    process = house.jobs._process
    assert process is not None
    process.kill()
    failed = wait_for(house, job["id"], ended)
    assert (failed["state"], failed["error"]["code"]) == ("failed", "ended")
    is_usable(house, record)


def test_what_ran_when_everything_was_killed_reads_as_interrupted(house: House) -> None:
    record = only_record(house)
    house.ask_for("survey", record)
    # Another house on the same shelf, as after a kill: it reads what the first had noted before it answered.
    other = Jobs(house.shelf, EventHub())
    try:
        (job,) = other.views()
        assert (job["state"], job["error"]["code"]) == ("failed", "interrupted")
    finally:
        other.close()


def test_errors_of_the_work_come_back_with_code_and_sentence(house: House) -> None:
    record = house.library.create("Ada Thorn - Copper Weather (1979)\n\nSide A\nA1 Salt Road 3:10\n")
    failed = wait_for(house, house.ask_for("survey", record)["id"], ended)
    assert failed["state"] == "failed"
    assert failed["error"]["code"] == "no-takes"
    assert "no takes" in failed["error"]["text"]


def test_waiting_jobs_can_be_cancelled_and_unknown_ones_are_not_there(house: House) -> None:
    record = only_record(house)
    first = house.ask_for("survey", record)
    second = house.ask_for("verify", record, decode_flac=False)
    assert house.jobs.cancel(second["id"])["state"] == "cancelled"
    house.jobs.cancel(first["id"])
    with pytest.raises(NotThere):
        house.jobs.cancel("nothing")
    with pytest.raises(NotThere):
        house.ask_for("rm -rf", record)


def test_kinds_are_checked_before_anything_is_queued() -> None:
    from sidekeep.service.choices.kinds import check_kinds

    assert check_kinds(["lossless", "lossless"]) == ["lossless"]
    for wrong in ([], ["../x"], ["lossless", "8-track"]):
        with pytest.raises(ParameterError):
            check_kinds(wrong)


def test_closing_ends_the_worker_at_once(taken: Path, tmp_path: Path) -> None:
    shutil.copytree(taken, tmp_path / "shelf")
    opened = House(tmp_path / "shelf")
    job = opened.ask_for("survey", only_record(opened))
    wait_for(opened, job["id"], lambda view: view["state"] == "running")
    closing = threading.Thread(target=opened.close)
    closing.start()
    closing.join(120.0)
    assert not closing.is_alive()
    assert leftovers(opened.shelf) == []
