"""A check holds the record like any other job: what it reads is not written meanwhile."""

from __future__ import annotations

import threading
from pathlib import Path

from sidekeep.files.bounded import kept_json
from sidekeep.service.shelf.verify import verify
from sidekeep.shelf.record_lock import HOLDER, Holder, at_work
from tests.service.test_edits import made_record


def test_a_record_at_work_is_told_as_not_checked_and_waited_for_when_it_is_named(tmp_path: Path) -> None:
    record = made_record(tmp_path / "shelf" / "record").path
    held, let_go = threading.Event(), threading.Event()

    def work() -> None:
        with at_work(record, "recording side B"):
            held.set()
            let_go.wait(120.0)

    thread = threading.Thread(target=work)
    thread.start()
    assert held.wait(120.0)
    (checked,) = verify(record.parent, [])
    assert checked.result.checked_files == 0
    assert not checked.result.is_complete
    assert "recording side B" in checked.result.unchecked[0]

    told: list[str] = []

    def progress(share: float, doing: str = "") -> None:
        told.append(doing)
        let_go.set()

    (checked,) = verify(record.parent, ["record"], progress=progress)
    thread.join()
    assert "recording side B" in told[0]
    assert checked.result.unchecked == ()


def test_the_record_is_held_while_it_is_checked(tmp_path: Path) -> None:
    record = made_record(tmp_path / "shelf" / "record").path
    (record / "takes" / "A-1" / "take.wav").write_bytes(b"x")
    doing = []

    def progress(share: float, what: str = "") -> None:
        holder = kept_json(record / HOLDER, Holder)
        doing.append(holder.doing if holder else "")

    verify(record.parent, [], progress=progress)
    assert set(doing) == {"verifying"}
