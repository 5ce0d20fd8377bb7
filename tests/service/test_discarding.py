"""A record that somebody works on is not moved away under their hands."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from sidekeep.errors import RecordBusy
from sidekeep.service.house.library import Library
from sidekeep.service.shelf.records import rebuild
from sidekeep.shelf.record_lock import at_work
from tests.service.test_edits import made_record


def test_a_record_at_work_is_not_discarded_and_a_free_one_comes_back_whole(tmp_path: Path) -> None:
    record = made_record(tmp_path / "shelf" / "record")
    rebuild(record.path.parent)
    library = Library(record.path.parent)
    held, let_go = threading.Event(), threading.Event()

    def work() -> None:
        with at_work(record.path, "writing copies"):
            held.set()
            let_go.wait(120.0)

    thread = threading.Thread(target=work)
    thread.start()
    assert held.wait(120.0)
    with pytest.raises(RecordBusy, match="writing copies"):
        library.discard(record.record_id)
    let_go.set()
    thread.join()
    record_id, files = record.record_id, sorted(path.name for path in record.path.rglob("*.json"))
    library.discard(record_id)
    assert not record.path.exists()
    library.restore(record_id)
    back = library.folder(record_id)
    assert sorted(path.name for path in back.path.rglob("*.json")) == files
    with at_work(back.path, "writing copies"):
        pass
