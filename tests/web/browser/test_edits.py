"""Marks, repairs and what is unsure, by pointer and by keys.

The edits are answered by a stand-in in the browser's network, so that these tests judge the page alone: what it asks for, what it
shows then, and what it does when the record was changed elsewhere. Sound and pictures come from the real server.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from tests.web.browser.test_listening import SAMPLES, SPY, samples, sound, wait_for_pieces
from tests.web.browser.waiting import answered, drawn, settled_box, side_is_ready, until
from tests.web.conftest import RunningServer


class StandIn:
    """Keeps the record and the damage, applies what the page asks for, and remembers it."""

    def __init__(self, server: RunningServer, page: Any) -> None:
        self.server = server
        self.asked: list[dict[str, Any]] = []
        self.stale = False
        self.revision = 1
        summary = server.get("/api/records")["records"][0]
        self.record = server.get(f"/api/records/{summary['id']}")
        self.take = self.record["sides"][0]["chosen_take"]
        self.damage = server.get(f"/api/takes/{self.take}/damage")
        self.before: list[str] = []
        page.route(f"**/api/records/{summary['id']}", lambda route: self._answer(route, self._record()))
        page.route("**/edits", self._edit)
        page.route("**/undo", self._undo)
        page.route("**/damage", lambda route: self._answer(route, self.damage))
        page.route("**/sound?**", self._sound)

    @property
    def tracks(self) -> list[dict[str, Any]]:
        return list(self.record["sides"][0]["cuts"]["tracks"])

    def _record(self) -> dict[str, Any]:
        return {**self.record, "revision": self.revision, "can_undo": bool(self.before), "can_redo": False}

    @staticmethod
    def _answer(route: Any, value: Any, status: int = 200) -> None:
        route.fulfill(status=status, content_type="application/json", body=json.dumps(value))

    def _edit(self, route: Any) -> None:
        sent = json.loads(route.request.post_data)
        assert sent["revision"] == self.revision
        if self.stale:
            self.stale = False
            self.revision += 1
            error = {"code": "changed-elsewhere", "text": "changed elsewhere", "facts": {}}
            return self._answer(route, {"error": error, "record": self._record()}, 409)
        self.before.append(json.dumps([self.record, self.damage]))
        edit = sent["edit"]
        self.asked.append(edit)
        side = self.record["sides"][0]
        for track in side["cuts"]["tracks"]:
            if track["number"] == edit.get("track"):
                if edit["kind"] == "move-mark":
                    track[f"{edit['edge']}_frame"] = edit["frame"]
                if edit["kind"] == "retitle":
                    track["title"] = edit["title"]
                if edit["kind"] == "right":
                    side["unsure"] = [each for each in side["unsure"] if each["track"] != track["number"]]
        if edit["kind"] in ("leave", "mend"):
            for row in self.damage["repairs"]:
                if edit.get("repair") == row[0] or edit.get("of_kind") == row[4]:
                    row[7] = edit["kind"] == "leave"
        self.revision += 1
        return self._answer(route, {"revision": self.revision, "record": self._record()})

    def _undo(self, route: Any) -> None:
        self.record, self.damage = json.loads(self.before.pop())
        self.revision += 1
        self._answer(route, {"revision": self.revision, "record": self._record()})

    def _sound(self, route: Any) -> None:
        """As the server mends once a repair is left: there the sound as played."""
        from urllib.parse import parse_qs, urlsplit

        words = {name: values[0] for name, values in parse_qs(urlsplit(route.request.url).query).items()}
        left = [row for row in self.damage["repairs"] if row[7]]
        if words["as"] != "mended" or not left:
            return route.continue_()
        start, stop = int(words["start_frame"]), int(words["stop_frame"])
        samples = sound(self.server, self.take, start, stop, "mended").copy()
        played = sound(self.server, self.take, start, stop, "played")
        for row in left:
            samples[max(0, row[1] - start) : max(0, row[2] - start)] = played[
                max(0, row[1] - start) : max(0, row[2] - start)
            ]
        answer = self.server.ask(
            "GET", f"/api/takes/{self.take}/sound?start_frame={start}&stop_frame={stop}&as=played"
        )
        head = answer.body[: answer.body.index(b"data") + 8]
        return route.fulfill(
            status=200, content_type="audio/wav", body=head + samples.astype("<f4").tobytes()
        )


@pytest.fixture
def desk(server: RunningServer, open_page: Callable[..., Any]) -> tuple[Any, StandIn]:
    """The Side place of side A, with one thing unsure."""
    page = open_page(server, None, allow=("404", "409", "Failed to load"))
    page.context.add_init_script(SPY + SAMPLES)
    stand_in = StandIn(server, page)
    second = stand_in.tracks[1]
    stand_in.record["sides"][0]["unsure"] = [
        {
            "kind": "track-start",
            "track": 2,
            "frame": second["start_frame"],
            "why": {"code": "unsure-start", "facts": {"boundary": "gap"}},
        }
    ]
    page.goto(f"http://{server.host}/record/{stand_in.record['id']}/side/A")
    side_is_ready(page)
    return page, stand_in


def mark(page: Any, number: int, edge: str = "begins") -> Any:
    return page.get_by_role("slider", name=f"Track {number}").and_(
        page.locator(f".mark.{'start' if edge == 'begins' else 'stop'}")
    )


def test_a_dragged_mark_catches_the_music_and_lands_on_a_zero_crossing(
    desk: tuple[Any, StandIn], take_a: str
) -> None:
    page, stand_in = desk
    was = stand_in.tracks[1]["start_frame"]
    box = settled_box(mark(page, 2).locator("span"))
    x, y = box["x"] + 6, box["y"] + 10
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 60, y, steps=5)
    page.mouse.up()
    until(page, lambda: len(stand_in.asked) == 1)
    edit = stand_in.asked[0]
    assert (edit["kind"], edit["side"], edit["track"], edit["edge"]) == ("move-mark", "A", 2, "start")
    assert edit["frame"] > was
    around = sound(stand_in.server, take_a, edit["frame"] - 1, edit["frame"] + 1, "played").sum(axis=1)
    assert (around[0] <= 0) != (around[1] <= 0)
    page.locator("button:enabled", has_text="Undo").wait_for()
    page.keyboard.press("Control+z")
    until(page, lambda: stand_in.tracks[1]["start_frame"] == was)


def test_marks_are_nudged_by_keys(desk: tuple[Any, StandIn]) -> None:
    page, stand_in = desk
    for number, (key, frames) in enumerate(
        (("ArrowRight", 441), ("Shift+ArrowLeft", -1), ("PageUp", 44_100))
    ):
        was = stand_in.tracks[1]["start_frame"]
        mark(page, 2).focus()
        page.keyboard.press(key)
        until(page, lambda number=number: len(stand_in.asked) == number + 1)
        assert stand_in.asked[-1]["frame"] - was == frames, key
        answered(page)


def test_a_mark_that_is_moved_on_while_the_answer_is_on_its_way_does_not_jump_back(
    desk: tuple[Any, StandIn],
) -> None:
    page, stand_in = desk
    was = stand_in.tracks[1]["start_frame"]
    held: list[Any] = []
    page.route("**/edits", lambda route: held.append(route), times=1)
    mark(page, 2).focus()
    page.keyboard.press("ArrowRight")
    until(page, lambda: held)
    page.keyboard.press("ArrowRight")
    stand_in._edit(held[0])
    page.locator("button:enabled", has_text="Undo").wait_for()
    page.keyboard.press("ArrowRight")
    until(page, lambda: stand_in.asked[-1]["frame"] == was + 3 * 441)


def test_a_mark_put_back_while_the_first_move_is_on_its_way_is_put_back(desk: tuple[Any, StandIn]) -> None:
    page, stand_in = desk
    was = stand_in.tracks[1]["start_frame"]
    held: list[Any] = []
    page.route("**/edits", lambda route: held.append(route), times=1)
    mark(page, 2).focus()
    page.keyboard.press("ArrowRight")
    until(page, lambda: held)
    page.keyboard.press("ArrowLeft")
    page.wait_for_timeout(
        600
    )  # the nudge's moment passes before the answer comes; in another order it is true as well
    stand_in._edit(held[0])
    until(page, lambda: len(stand_in.asked) == 2)
    assert [edit["frame"] for edit in stand_in.asked] == [was + 441, was]


def test_undo_right_after_a_nudge_takes_the_nudge_back(desk: tuple[Any, StandIn]) -> None:
    page, stand_in = desk
    was = stand_in.tracks[1]["start_frame"]
    stand_in.before.append(json.dumps([stand_in.record, stand_in.damage]))
    mark(page, 2).focus()
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Control+z")
    until(page, lambda: stand_in.asked and stand_in.revision == 3)
    assert (stand_in.tracks[1]["start_frame"], len(stand_in.before)) == (was, 1)


@pytest.mark.parametrize("on_its_way", [False, True])
def test_a_nudge_just_made_is_sent_when_the_page_goes(desk: tuple[Any, StandIn], on_its_way: bool) -> None:
    """Also behind a move whose answer the page does not hear any more."""
    page, stand_in = desk
    was = stand_in.tracks[1]["start_frame"]
    mark(page, 2).focus()
    page.keyboard.press("ArrowRight")
    if on_its_way:
        held: list[Any] = []
        page.route("**/edits", lambda route: held.append(route), times=1)
        until(page, lambda: held)
        page.keyboard.press("ArrowRight")
        stand_in.revision += 1  # the server has made the first
    sent: list[Any] = []
    page.on("request", lambda request: sent.append(request) if request.url.endswith("/edits") else None)
    page.evaluate("dispatchEvent(new PageTransitionEvent('pagehide'))")
    until(page, lambda: sent)
    edit = json.loads(sent[0].post_data)
    assert (edit["revision"], edit["edit"]["frame"] - was) == ((2, 882) if on_its_way else (1, 441))


def test_a_mark_half_way_through_a_drag_is_where_it_was_after_a_reload(desk: tuple[Any, StandIn]) -> None:
    page, stand_in = desk
    was = mark(page, 2).get_attribute("aria-valuenow")
    box = settled_box(mark(page, 2).locator("span"))
    page.mouse.move(box["x"] + 6, box["y"] + 10)
    page.mouse.down()
    page.mouse.move(box["x"] + 66, box["y"] + 10, steps=5)
    page.reload()
    side_is_ready(page)
    page.mouse.up()
    answered(page)
    assert (stand_in.asked, mark(page, 2).get_attribute("aria-valuenow")) == ([], was)


def test_a_strip_without_a_height_is_drawn_without_a_fault(desk: tuple[Any, StandIn]) -> None:
    """As it is for a moment while its place is built up; ``open_page`` asks for pages without errors."""
    page, _ = desk
    strip = page.locator("canvas.strip")
    strip.evaluate(
        "strip => ['height', 'min-height'].forEach(each => strip.style.setProperty(each, '0', 'important'))"
    )
    page.wait_for_function("() => document.querySelector('canvas.strip').height === 1")
    drawn(page)


def test_a_title_being_typed_is_kept_when_the_page_is_left(desk: tuple[Any, StandIn]) -> None:
    page, _ = desk
    page.get_by_role("button", name="Second Sight").focus()
    page.keyboard.press("Enter")
    page.keyboard.type("Third Sight")
    sent: list[Any] = []
    page.on("request", lambda request: sent.append(request) if request.url.endswith("/edits") else None)
    page.evaluate("dispatchEvent(new PageTransitionEvent('pagehide'))")
    until(page, lambda: sent)
    assert json.loads(sent[0].post_data)["edit"]["title"] == "Third Sight"


def test_a_time_just_typed_is_kept_for_its_own_mark_when_another_is_chosen(
    desk: tuple[Any, StandIn],
) -> None:
    page, stand_in = desk
    mark(page, 2).focus()
    page.get_by_label("Time of this mark").fill("0:12.5")
    mark(page, 1).locator("span").click()
    until(page, lambda: stand_in.asked)
    answered(page)
    assert [(edit["track"], edit["edge"], edit["frame"]) for edit in stand_in.asked] == [
        (2, "start", round(12.5 * 44_100))
    ]


def test_a_time_being_typed_is_let_go_by_escape_and_by_putting_the_mark_back(
    desk: tuple[Any, StandIn],
) -> None:
    page, stand_in = desk
    mark(page, 2).focus()
    time = page.get_by_label("Time of this mark")
    was = time.input_value()
    assert was != ""  # it is there as soon as the field is
    time.fill("0:12.5")
    time.press("Escape")
    until(page, lambda: time.input_value() == was)
    time.fill("0:12.5")
    page.get_by_role("button", name="Put it back").click()
    page.get_by_text("The needle is at").wait_for()
    answered(page)
    assert stand_in.asked == []


def test_enter_says_that_it_is_right_and_nothing_is_unsure_any_more(desk: tuple[Any, StandIn]) -> None:
    page, stand_in = desk
    page.get_by_text("One thing is unsure").wait_for()
    page.keyboard.press("Enter")
    page.get_by_text("Nothing is unsure.").wait_for()
    assert stand_in.asked == [{"kind": "right", "side": "A", "track": 2}]


def test_a_title_is_put_right_in_place_by_keys_alone(desk: tuple[Any, StandIn]) -> None:
    page, stand_in = desk
    page.get_by_role("button", name="Second Sight").focus()
    page.keyboard.press("Enter")
    page.keyboard.type("Third Sight")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Third Sight").wait_for()
    page.keyboard.press("Enter")
    page.keyboard.type("Fourth Sight")
    page.keyboard.press("Escape")  # let go
    page.get_by_role("button", name="Third Sight").wait_for()
    assert [edit["title"] for edit in stand_in.asked] == ["Third Sight"]


def listen_to_the_largest(page: Any) -> None:
    """Around the largest damage, again and again."""
    page.get_by_text("The damage, by kind").click()
    page.locator(".largest button").first.click()
    page.keyboard.press("l")
    wait_for_pieces(page, 3)
    answered(page)


def test_a_repair_that_is_left_is_heard_at_once(desk: tuple[Any, StandIn], take_a: str) -> None:
    page, stand_in = desk
    listen_to_the_largest(page)
    page.keyboard.press("x")
    page.get_by_text("It is left as it is").wait_for()
    wait_for_pieces(page, 6)
    row = next(row for row in stand_in.damage["repairs"] if row[7])
    heard = page.evaluate(
        "[heard[1], heard[4]].map(({buffer}) => [0, 1].map(channel => samples(buffer, channel)))"
    )
    before, after = (np.array([samples(channel) for channel in each]).T for each in heard)
    start = max(0, round(row[1] - 0.6 * 44_100))
    inside = slice(row[1] - start, row[2] - start)
    played = sound(stand_in.server, take_a, row[1], row[2], "played")
    np.testing.assert_allclose(after[inside], played, atol=1e-6)
    assert np.abs(after[inside] - before[inside]).max() > 0.001
    outside = np.ones(len(before), bool)
    outside[inside] = False
    np.testing.assert_array_equal(after[outside], before[outside])


def test_a_repair_that_is_left_is_heard_before_the_list_of_all_has_come(desk: tuple[Any, StandIn]) -> None:
    """Of a long worn side the list has some ten thousand places."""
    page, stand_in = desk
    listen_to_the_largest(page)
    held: list[Any] = []
    page.route("**/damage", lambda route: held.append(route))
    page.keyboard.press("x")
    wait_for_pieces(page, 6)
    page.get_by_text("It is left as it is").wait_for()
    until(page, lambda: held)
    page.unroute("**/damage")
    for route in held:
        route.fulfill(json=stand_in.damage)
    answered(page)
    page.wait_for_timeout(300)  # the list says the same: nothing is heard anew for it
    assert page.evaluate("heard.length") == 6
    assert [row[7] for row in stand_in.damage["repairs"]].count(True) == 1


def test_the_head_of_a_side_says_how_many_places_are_left(desk: tuple[Any, StandIn]) -> None:
    page, _ = desk
    head = page.locator(".side-head p").first
    assert head.inner_text().endswith(" damaged places.")
    page.get_by_text("The damage, by kind").click()
    page.get_by_role("button", name="Leave all ticks").click()
    page.get_by_text(re.compile(r" damaged places, \d+ left as they are\.$")).wait_for()


def test_a_change_made_elsewhere_is_told_and_ours_can_be_made_anyway(desk: tuple[Any, StandIn]) -> None:
    page, stand_in = desk
    stand_in.stale = True
    mark(page, 2).focus()
    page.keyboard.press("ArrowRight")
    page.get_by_text("was changed on another page").wait_for()
    assert stand_in.asked == []
    page.get_by_role("button", name="Make it anyway").click()
    until(page, lambda: len(stand_in.asked) == 1)
