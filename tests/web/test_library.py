"""Records by id: list, read, create, write the sleeve, discard, restore."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.small_record import SLEEVE
from tests.web.conftest import RunningServer

TEXT = "Ada Thorn - Copper Weather (1979)\n\nSide A\nA1 Salt Road 3:10\n"


def test_what_is_there_is_shown(server: RunningServer, full_shelf: Path) -> None:
    (summary,) = server.get("/api/records")["records"]
    assert (summary["artist"], summary["title"], summary["state"]) == (
        "Vesna Or Nobody",
        "Small Hours",
        "copied",
    )
    assert [side["state"] for side in summary["sides"]] == ["surveyed", "surveyed"]
    record = server.get(f"/api/records/{summary['id']}")
    assert record["sleeve_text"] == SLEEVE.replace("Side B", "\nSide B")
    assert [len(side["cuts"]["tracks"]) for side in record["sides"]] == [2, 2]
    assert all(str(full_shelf) not in str(value) for value in record.values())


def test_search_finds_by_words_and_state(server: RunningServer) -> None:
    assert len(server.get("/api/records?words=dew%20small")["records"]) == 1
    assert server.get("/api/records?words=nothing")["records"] == []
    assert server.get("/api/records?state=planned")["records"] == []


def test_a_record_comes_onto_an_empty_shelf_and_goes_to_the_bin_and_back(fresh: RunningServer) -> None:
    assert fresh.get("/api/records")["records"] == []
    made = fresh.ask("POST", "/api/records", {"text": TEXT}).json()
    assert made["sleeve_text"] == TEXT  # as it was typed
    address = f"/api/records/{made['id']}"
    assert fresh.ask("DELETE", address).status == 200
    assert fresh.get("/api/records")["records"] == []
    assert fresh.ask("GET", address).status == 404
    assert [each["id"] for each in fresh.get("/api/bin")["records"]] == [made["id"]]
    assert fresh.ask("POST", f"{address}/restore").json()["title"] == "Copper Weather"
    assert fresh.get("/api/bin")["records"] == []
    assert len(fresh.get("/api/records")["records"]) == 1


def test_a_stale_sleeve_is_told_and_nothing_is_overwritten(fresh: RunningServer) -> None:
    made = fresh.ask("POST", "/api/records", {"text": TEXT}).json()
    address = f"/api/records/{made['id']}/sleeve"
    first = fresh.ask("PUT", address, {"text": TEXT + "A2 Second 2:00\n", "revision": made["revision"]})
    assert first.status == 200
    stale = fresh.ask("PUT", address, {"text": TEXT + "A2 Other 9:00\n", "revision": made["revision"]})
    assert (stale.status, stale.json()["error"]["code"]) == (409, "changed-elsewhere")
    assert "Second" in fresh.get(f"/api/records/{made['id']}")["sleeve_text"]


@pytest.mark.parametrize(
    "body",
    [b"{", b"[]", b'{"text": 3}', b'{"words": "x"}', b"\xff\xfe", b'{"text": "' + b"x" * 400_000 + b'"}'],
)
def test_odd_bodies_are_one_line_errors(fresh: RunningServer, body: bytes) -> None:
    answer = fresh.ask("POST", "/api/records", body, {"Content-Type": "application/json"})
    assert answer.status == 400
    assert "\n" not in answer.json()["error"]["text"]


def test_titles_with_script_in_them_stay_text(fresh: RunningServer) -> None:
    text = (
        '<script>alert(1)</script> - "><img src=x onerror=alert(2)> (1980)\n\nSide A\nA1 </textarea> 3:00\n'
    )
    made = fresh.ask("POST", "/api/records", {"text": text})
    assert made.headers["content-type"] == "application/json"
    assert made.json()["artist"] == "<script>alert(1)</script>"
    names = [path.name for path in (fresh.house.shelf).iterdir()]
    assert not any("<" in name or ">" in name or '"' in name for name in names)


def test_a_folder_moved_by_hand_is_found_again(fresh: RunningServer) -> None:
    made = fresh.ask("POST", "/api/records", {"text": TEXT}).json()
    (folder,) = (path for path in fresh.house.shelf.iterdir() if path.is_dir())
    (fresh.house.shelf / "Weather").mkdir()
    folder.rename(fresh.house.shelf / "Weather" / "mine")
    assert fresh.get(f"/api/records/{made['id']}")["title"] == "Copper Weather"


def test_a_sleeve_is_read_as_it_is_typed(server: RunningServer) -> None:
    read = server.ask("POST", "/api/sleeve/read", {"text": TEXT}).json()
    assert read["record"]["sides"][0]["tracks"][0]["title"] == "Salt Road"
    assert [line["number"] for line in read["lines"]] == [1, 2, 3, 4]


@pytest.mark.parametrize("mount_point", [False, True])
def test_a_shelf_whose_disk_is_gone_is_no_empty_shelf(fresh: RunningServer, mount_point: bool) -> None:
    """Records planned in the folder the disk is mounted on would be hidden as soon as it is back."""
    record = fresh.ask("POST", "/api/records", {"text": TEXT}).json()["id"]
    assert len(fresh.get("/api/records")["records"]) == 1
    shelf = fresh.house.shelf
    away = shelf.rename(shelf.with_name("away"))
    if mount_point:
        shelf.mkdir()
    for method, path, body in (
        ("GET", "/api/records", None),
        ("GET", f"/api/records/{record}", None),
        ("POST", "/api/records", {"text": TEXT}),
    ):
        answer = fresh.ask(method, path, body)
        assert answer.status == 409
        assert answer.json()["error"]["code"] == "shelf-gone"
    assert fresh.get("/api/state")["shelf"]["writable"] is False
    assert not shelf.exists() or list(shelf.iterdir()) == []
    if mount_point:
        shelf.rmdir()
    away.rename(shelf)
    assert fresh.get(f"/api/records/{record}")["title"] == "Copper Weather"
