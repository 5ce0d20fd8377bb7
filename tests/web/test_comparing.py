"""Two takes of one side through the interface: asked for, kept with the record, read again, refused where it makes no sense."""

from __future__ import annotations

import io
import time
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
import soundfile

from sidekeep.service.shelf.adopting import adopt
from tests.flow.comparison.pairs import RATE, play
from tests.web.conftest import RunningServer

SLEEVE = "The Wicker Boats - Tallow Wharf Almanac (1971)\nSide A\nA1 Lamp Oil\nA2 Slack Water\n"


@pytest.fixture(scope="module")
def two_takes(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[RunningServer, list[str]]]:
    folder = tmp_path_factory.mktemp("compared")
    (folder / "tallow.txt").write_text(SLEEVE)
    for name, take in (("old.wav", play(1)), ("new.wav", play(2, gain=0.8, ticks=(20.3,)))):
        soundfile.write(folder / name, np.clip(take.audio[: 27 * RATE], -1, 1), RATE, subtype="PCM_24")
    shelf = folder / "shelf"
    adopt([folder / "old.wav"], shelf=shelf, sleeve_path=folder / "tallow.txt")
    adopt([folder / "new.wav"], shelf=shelf, record_name="tallow", side_letters=["A"])
    server = RunningServer(shelf)
    try:
        (record,) = server.get("/api/records")["records"]
        takes = server.get(f"/api/records/{record['id']}")["takes"]
        yield server, [take["id"] for take in takes]
    finally:
        server.close()


def wait(server: RunningServer, job: dict[str, Any], seconds: float = 200.0) -> dict[str, Any]:
    until = time.monotonic() + seconds
    while time.monotonic() < until:
        job = server.get(f"/api/jobs/{job['id']}")
        if job["state"] not in ("waiting", "running"):
            return job
        time.sleep(0.1)
    raise AssertionError(f"the job is still {job['state']}")


def are_compared(server: RunningServer, old: str, new: str) -> None:
    """As the test before has left it; by itself a test asks for it."""
    if server.ask("GET", f"/api/takes/{new}/compare?with={old}").status == 404:
        wait(server, server.ask("POST", f"/api/takes/{new}/compare", {"old": old}).json())


def test_what_changed_is_found_and_kept(two_takes: tuple[RunningServer, list[str]]) -> None:
    server, (old, new) = two_takes
    assert server.ask("GET", f"/api/takes/{new}/compare?with={old}").status == 404
    asked = server.ask("POST", f"/api/takes/{new}/compare", {"old": old})
    job = wait(server, asked.json())
    assert job["state"] == "done", job["error"]
    assert {finding["code"] for finding in job["result"]["findings"]} >= {"new-marks"}
    kept = server.get(f"/api/takes/{new}/compare?with={old}")
    assert kept["same"] is True
    assert len(kept["marks"]["new"]) == 1
    page = server.ask("GET", f"/api/takes/{new}/compare/report?with={old}")
    assert page.status == 200
    assert b"<svg" in page.body


def test_both_are_heard_laid_on_each_other_at_equal_level(two_takes: tuple[RunningServer, list[str]]) -> None:
    server, (old, new) = two_takes
    are_compared(server, old, new)
    kept = server.get(f"/api/takes/{new}/compare?with={old}")
    heard, (mark,) = kept["heard"], kept["marks"]["new"]

    def sound(start_frame: int, stop_frame: int, what: str) -> Any:
        path = f"/api/takes/{new}/compare/sound?with={old}&start_frame={start_frame}&stop_frame={stop_frame}&as={what}"
        answer = server.ask("GET", path)
        assert answer.status == 200, answer.body
        samples, rate_hz = soundfile.read(io.BytesIO(answer.body), always_2d=True)
        assert rate_hz == heard["rate_hz"]
        return samples

    rate = heard["rate_hz"]
    start, stop = round(17.3 * rate), round(24.7 * rate)
    both = sound(start, stop, "both")
    before, after = both[:, :2], both[:, 2:]
    np.testing.assert_array_equal(before, sound(start, stop, "old"))
    np.testing.assert_array_equal(after, sound(start, stop, "new"))
    differs = sound(start, stop, "difference")
    np.testing.assert_allclose(differs, after - before, atol=1e-6)
    (place,) = server.house.shelf.glob("*/takes/A-1")
    taken, taken_hz = soundfile.read(next(place.glob("*.wav")), always_2d=True)
    assert taken_hz == rate  # the old take is the ruler: its samples are untouched
    np.testing.assert_allclose(before, taken[start:stop], atol=1e-6)
    # A 24th of the music's power and less is left where nothing changed; the new tick is what stands out.
    tick = (
        round((mark["start_s"] - kept["alignment"]["offset_s"]) / kept["alignment"]["speed_ratio"] * rate)
        - start
    )
    quiet = np.r_[0 : tick - rate // 10, tick + rate // 10 : len(differs)]
    assert np.mean(differs[quiet] ** 2) < np.mean(before[quiet] ** 2) / 24
    assert abs(int(np.argmax(np.abs(differs).max(axis=1))) - tick) < rate // 200
    assert np.mean(after[quiet] ** 2) == pytest.approx(np.mean(before[quiet] ** 2), rel=0.02)
    # Pieces that follow each other are the whole: a page asks for one after the other and lets no gap be heard.
    cut = start + round(2.9 * rate)
    np.testing.assert_allclose(
        np.concatenate([sound(start, cut, "new"), sound(cut, stop, "new")]), after, atol=2e-6
    )


def test_what_cannot_be_heard_of_both_is_told(two_takes: tuple[RunningServer, list[str]]) -> None:
    server, (old, new) = two_takes
    are_compared(server, old, new)
    path = f"/api/takes/{new}/compare/sound?with={old}"
    for asked in (
        "start_frame=9&stop_frame=9",
        "start_frame=0&stop_frame=9000&as=mended",
    ):
        assert server.ask("GET", f"{path}&{asked}").status == 400
    assert server.ask("GET", f"{path.replace(old, new)}&start_frame=0&stop_frame=9").status == 400
    (kept,) = server.house.shelf.glob("*/comparisons/*/alignment.npz")
    whole = kept.read_bytes()
    for damaged in (whole[: len(whole) // 2], b"", None):
        if damaged is None:
            kept.unlink()
        else:
            kept.write_bytes(damaged)
        assert server.get(f"/api/takes/{new}/compare?with={old}")["heard"] is None
        refused = server.ask("GET", f"{path}&start_frame=90000&stop_frame=99000")
        assert (refused.status, refused.json()["error"]["code"]) == (404, "not-laid")
    kept.write_bytes(whole)


def test_a_take_is_not_compared_with_itself(two_takes: tuple[RunningServer, list[str]]) -> None:
    server, (old, _) = two_takes
    assert server.ask("POST", f"/api/takes/{old}/compare", {"old": old}).status == 400
    assert server.ask("GET", f"/api/takes/{old}/compare?with=nonsense").status == 404


def test_takes_are_combined_into_a_new_one_beside_them(two_takes: tuple[RunningServer, list[str]]) -> None:
    server, (old, new) = two_takes
    asked = server.ask("POST", f"/api/takes/{old}/combine", {"others": [new]})
    job = wait(server, asked.json())
    assert job["state"] == "done", job["error"]
    (record,) = server.get("/api/records")["records"]
    takes = server.get(f"/api/records/{record['id']}")["takes"]
    assert [take["number"] for take in takes] == [1, 2, 3]
    assert takes[2]["id"] == job["result"]["take"]
    assert server.ask("POST", f"/api/takes/{old}/combine", {"others": [old]}).status == 400
    assert server.ask("POST", f"/api/takes/{old}/combine", {"others": []}).status == 400


def test_a_reminder_is_kept_told_and_taken_away(two_takes: tuple[RunningServer, list[str]]) -> None:
    server, _ = two_takes
    (record,) = server.get("/api/records")["records"]
    assert record["play_again_after"] is None
    path = f"/api/records/{record['id']}/again"
    kept = server.ask("PUT", path, {"after": "2099-01-31"})
    assert kept.status == 200, kept.body
    assert kept.json()["play_again_after"] == "2099-01-31"
    assert server.get("/api/records")["records"][0]["play_again_after"] == "2099-01-31"
    assert server.ask("PUT", path, {"after": "next year"}).status == 400
    assert server.ask("PUT", path, {"after": 7}).status == 400
    assert server.ask("PUT", path, {"after": ""}).json()["play_again_after"] is None
