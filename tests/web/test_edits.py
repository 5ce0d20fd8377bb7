"""Edits through the interface: kept, told to everybody, taken back; one repair left and heard."""

from __future__ import annotations

import io
import shutil
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.web.conftest import RunningServer


@pytest.fixture
def own(full_shelf: Path, tmp_path: Path) -> Iterator[RunningServer]:
    """A server on a copy of the full shelf that may be changed."""
    shutil.copytree(full_shelf, tmp_path / "shelf")
    running = RunningServer(tmp_path / "shelf")
    yield running
    running.close()


def only(server: RunningServer) -> Any:
    (summary,) = server.get("/api/records")["records"]
    return server.get(f"/api/records/{summary['id']}")


def edit(server: RunningServer, record: Any, change: dict[str, Any]) -> Any:
    return server.ask(
        "POST", f"/api/records/{record['id']}/edits", {"edit": change, "revision": record["revision"]}
    )


def start_of(record: Any, track: int) -> int:
    side = next(side for side in record["sides"] if side["side"] == "A")
    return int(side["cuts"]["tracks"][track - 1]["start_frame"])


def test_a_mark_is_moved_told_and_taken_back_also_by_another_server(own: RunningServer) -> None:
    record = only(own)
    before = start_of(record, 2)
    watcher, _, _ = own.house.news.watch(lambda: None)
    moved = edit(
        own, record, {"kind": "move-mark", "side": "A", "track": 2, "edge": "start", "frame": before + 4410}
    )
    assert moved.status == 200, moved.body
    assert start_of(moved.json()["record"], 2) == before + 4410
    assert any(event["kind"] == "record" for event in watcher.take()[0])
    stale = edit(own, record, {"kind": "retitle", "side": "A", "track": 1, "title": "Other"})
    assert (stale.status, stale.json()["error"]["code"]) == (409, "changed-elsewhere")
    other = RunningServer(own.house.shelf)  # as after a restart
    try:
        now = only(other)
        assert now["can_undo"]
        back = other.ask("POST", f"/api/records/{now['id']}/undo", {"revision": now["revision"]}).json()
        assert start_of(back["record"], 2) == before
        again = other.ask("POST", f"/api/records/{now['id']}/redo", {"revision": back["revision"]}).json()
        assert start_of(again["record"], 2) == before + 4410
        assert len(other.get(f"/api/records/{now['id']}/history")["entries"]) >= 3
    finally:
        other.close()


def heard(server: RunningServer, take: str, span: tuple[int, int], version: str) -> Any:
    answer = server.ask(
        "GET", f"/api/takes/{take}/sound?start_frame={span[0]}&stop_frame={span[1]}&as={version}"
    )
    return soundfile.read(io.BytesIO(answer.body), always_2d=True)[0]


def test_one_repair_is_left_and_heard_at_once_and_mended_again(own: RunningServer) -> None:
    record = only(own)
    take = next(side["chosen_take"] for side in record["sides"] if side["side"] == "A")
    rows = own.get(f"/api/takes/{take}/damage")["repairs"]
    alone = [row for row in rows if row[2] - row[1] < 500 and not any(
        other is not row and other[1] < row[2] + 50 and other[2] > row[1] - 50 for other in rows)]  # fmt: skip
    repair, start, stop, *_ = max(alone, key=lambda row: row[5])
    span = (start, stop)
    mended = heard(own, take, span, "mended")
    played = heard(own, take, span, "played")
    assert not np.array_equal(mended, played)
    left = edit(own, record, {"kind": "leave", "repair": repair})
    assert left.status == 200, left.body
    np.testing.assert_array_equal(heard(own, take, span, "mended"), played)
    now = own.get(f"/api/takes/{take}/damage")["repairs"]
    assert [row[0] for row in now if row[7]] == [repair]
    edit(own, left.json()["record"], {"kind": "mend", "repair": repair})
    np.testing.assert_array_equal(heard(own, take, span, "mended"), mended)


@pytest.mark.parametrize(
    ("status", "change"),
    [
        (400, {}),
        (400, {"kind": "explode"}),
        (400, {"kind": "move-mark", "side": "A"}),
        (404, {"kind": "move-mark", "side": "Z", "track": 1, "edge": "start", "frame": 5}),
        (400, {"kind": "move-mark", "side": "A", "track": 1, "edge": "start", "frame": -(10**15)}),
        (400, {"kind": "retitle", "side": "A", "track": 10**9, "title": "x"}),
    ],
)
def test_odd_edits_are_one_line_errors(own: RunningServer, status: int, change: dict[str, Any]) -> None:
    record = only(own)
    answer = edit(own, record, change)
    assert answer.status == status, answer.body
    assert "\n" not in answer.json()["error"]["text"]
    assert only(own)["revision"] == record["revision"]


def test_what_a_recipe_does_to_the_level_counts_without_the_repairs_that_are_left(own: RunningServer) -> None:
    """With everything left a take measures as it was recorded, and that is what the effect is made of."""
    record = only(own)
    before = own.get(f"/api/records/{record['id']}/recipe")["effect"]["mended"]
    takes = [own.house.takes.get(found.take_id) for found in own.house.library.takes(record["id"])]
    for take in takes:
        survey = take.survey()
        assert survey is not None
        assert take.levels() is survey.mended
    edit(own, record, {"kind": "leave", "below_db": 1000.0})
    for take in takes:
        survey, levels = take.survey(), take.levels()
        assert survey is not None
        assert levels is not None
        np.testing.assert_allclose(levels.peaks, survey.recorded.peaks, rtol=1e-9)
        np.testing.assert_allclose(levels.powers, survey.recorded.powers, rtol=1e-9)
        key, left, _ = take._levels or ("", frozenset(), levels)
        take._levels = (key, left, replace(levels, peaks=2.0 * levels.peaks))
    after = own.get(f"/api/records/{record['id']}/recipe")["effect"]["mended"]
    assert after["true_peak_dbtp"] == pytest.approx(before["true_peak_dbtp"] + 6.02, abs=0.3)


def test_changes_that_overtake_each_other_are_made_in_the_order_of_their_revisions(
    fresh: RunningServer, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A page that goes sends them all at once."""
    monkeypatch.setattr("sidekeep.service.house.library.AHEAD_S", 60.0)
    record = fresh.ask("POST", "/api/records", {"text": "Nan Okoro - Salt Hours (1979)"}).json()
    path = f"/api/records/{record['id']}/edits"

    def note(text: str, ahead: int) -> Any:
        edit = {"kind": "notes", "text": text}
        return fresh.ask("POST", path, {"edit": edit, "revision": record["revision"] + ahead})

    with ThreadPoolExecutor(1) as other:
        second = other.submit(note, "second", 1)
        first = note("first", 0)
        assert (first.status, second.result(60).status) == (200, 200)
    entries = fresh.get(f"/api/records/{record['id']}/history")["entries"]
    assert [each["facts"]["text"] for each in entries if each["code"] == "notes"] == ["first", "second"]
    assert note("far ahead", 1000).status == 409


def test_a_sleeve_that_is_put_right_has_the_sides_heard_once_more(own: RunningServer) -> None:
    """Where tracks are looked for depends on the printed times: those of a wrong sleeve stayed."""

    def surveys() -> int:
        return sum(job["kind"] == "survey" for job in own.get("/api/jobs")["jobs"])

    def put(text: str) -> Any:
        record = only(own)
        answer = own.ask(
            "PUT", f"/api/records/{record['id']}/sleeve", {"text": text, "revision": record["revision"]}
        )
        assert answer.status == 200, answer.body
        return answer.json()

    text = only(own)["sleeve_text"]
    before = surveys()
    put(text.replace("Dew on the Crates", "Dew on the Boxes"))
    assert surveys() == before  # a title moves no mark
    record = put(text.replace("0:08", "0:09", 1))
    assert surveys() == before + 1
    own.house.jobs.cancel(own.get("/api/jobs")["jobs"][-1]["id"])
    own.ask("POST", f"/api/records/{record['id']}/undo", {"revision": record["revision"]})
    assert surveys() == before + 2


def test_copies_of_an_earlier_name_say_so_until_the_sleeve_says_the_same_again(own: RunningServer) -> None:
    """Their folder keeps the name of a wrong sleeve until they are written again, and a page showed it without a word."""
    record = only(own)
    text = record["sleeve_text"]
    assert [each["is_named_now"] for each in record["copies"]] == [True]
    for name, is_now in (("Short Days", False), ("Small Hours", True)):
        sent = {"text": text.replace("Small Hours", name), "revision": only(own)["revision"]}
        assert own.ask("PUT", f"/api/records/{record['id']}/sleeve", sent).status == 200
        (copies,) = only(own)["copies"]
        assert (copies["name"], copies["is_named_now"]) == ("Vesna Or Nobody - Small Hours (1987)", is_now)
