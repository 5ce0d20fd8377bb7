"""A take goes to its record's bin and comes back whole, through the interface."""

from __future__ import annotations

import hashlib
from pathlib import Path

from sidekeep.service.shelf.verify import verify
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.record_lock import at_work
from tests.web.conftest import RunningServer
from tests.web.test_edits import only, own  # noqa: F401  (a fixture)


def _sums(folder: Path) -> dict[str, str]:
    return {
        path.name: hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.iterdir()
        if path.is_file() and path.name != "take.json"
    }


def test_a_take_goes_to_the_bin_and_comes_back_whole(own: RunningServer) -> None:  # noqa: F811
    record = only(own)
    take = next(each for each in record["takes"] if each["side"] == "A")
    folder: RecordFolder = own.house.library.folder(record["id"])
    before = _sums(folder.path / "takes" / "A-1")
    assert record["binned"] == []
    stale = own.ask("POST", f"/api/takes/{take['id']}/discard", {"revision": record["revision"] + 7})
    assert (stale.status, stale.json()["error"]["code"]) == (409, "changed-elsewhere")
    watcher, _, _ = own.house.news.watch(lambda: None)

    gone = own.ask("POST", f"/api/takes/{take['id']}/discard", {"revision": record["revision"]})
    assert gone.status == 200, gone.body
    now = gone.json()["record"]
    assert {event["kind"] for event in watcher.take()[0]} >= {"record", "shelf"}
    assert [each["side"] for each in now["takes"]] == ["B"]
    assert now["state"] == "partly taken"
    assert own.get("/api/records")["records"][0]["state"] == "partly taken"
    (binned,) = now["binned"]
    assert (binned["side"], binned["number"]) == ("A", 1)
    assert _sums(folder.path / "takes" / ".bin" / "A-1") == before
    assert own.ask("GET", f"/api/takes/{take['id']}/view").status == 404
    assert own.ask("POST", f"/api/takes/{take['id']}/discard", {}).status == 404

    back = own.ask("POST", f"/api/takes/{binned['id']}/restore", {"revision": now["revision"]})
    assert back.status == 200, back.body
    assert [each["id"] for each in back.json()["record"]["takes"]] == [each["id"] for each in record["takes"]]
    assert back.json()["record"]["sides"] == record["sides"]  # its cuts too
    assert _sums(folder.path / "takes" / "A-1") == before
    assert own.ask("POST", f"/api/takes/{binned['id']}/restore", {}).status == 404


def test_nothing_moves_while_a_job_is_at_work(own: RunningServer) -> None:  # noqa: F811
    record = only(own)
    with at_work(own.house.library.folder(record["id"]).path, "writing copies"):
        refused = own.ask("POST", f"/api/takes/{record['takes'][0]['id']}/discard", {})
    assert refused.status == 409
    assert "writing copies" in refused.json()["error"]["text"]
    assert own.ask("POST", "/api/takes/..%2f..%2fA-1/discard", {}).status == 405
    assert len(only(own)["takes"]) == 2


def test_an_emptied_bin_is_gone_for_good_and_nothing_is_missed(own: RunningServer) -> None:  # noqa: F811
    record = only(own)
    folder = own.house.library.folder(record["id"])
    take = next(each for each in record["takes"] if each["side"] == "A")
    now = own.ask("POST", f"/api/takes/{take['id']}/discard", {}).json()["record"]
    path = f"/api/records/{record['id']}/bin"
    assert own.ask("DELETE", path, {"revision": now["revision"] + 1}).status == 409
    assert (folder.path / "takes" / ".bin" / "A-1").is_dir()
    emptied = own.ask("DELETE", path, {"revision": now["revision"]})
    assert emptied.status == 200, emptied.body
    assert emptied.json()["record"]["binned"] == []
    assert not (folder.path / "takes" / ".bin" / "A-1").exists()
    results = list(verify(own.house.shelf, [str(folder.path)]))
    assert results
    assert all(result.result.ok for result in results)


def test_a_record_in_the_shelfs_bin_is_gone_for_good_when_it_is_emptied(own: RunningServer) -> None:  # noqa: F811
    record = only(own)
    assert own.ask("DELETE", f"/api/records/{record['id']}").status == 200
    assert [each["id"] for each in own.get("/api/bin")["records"]] == [record["id"]]
    assert own.ask("DELETE", "/api/bin").json() == {"removed": 1}
    assert own.get("/api/bin")["records"] == []
    assert own.ask("POST", f"/api/records/{record['id']}/restore").status == 404
