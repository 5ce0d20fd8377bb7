"""The Side place by keys and by touch alone, and what was just done there when a page is left or a second one is open."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

from tests.web.browser.stand_in import with_input
from tests.web.browser.waiting import settled_box, side_is_ready, until
from tests.web.conftest import RunningServer, record_of


def tab_to(page: Any, selector: str) -> None:
    """Tab on until that has the focus; on the way the focus is always to be seen."""
    for _ in range(150):
        page.keyboard.press("Tab")
        on, outline, width = page.evaluate(
            """(selector) => {
              const now = document.activeElement;
              const style = getComputedStyle(now.matches(".unseen, .mark") ? now.parentElement : now);
              const own = getComputedStyle(now);
              return [now.matches(selector), own.outlineStyle === "none" ? style.outlineStyle : own.outlineStyle, (now.matches(".mark") ? now.firstElementChild : now).getBoundingClientRect().width];
            }""",
            selector,
        )
        if on:
            assert outline != "none" or selector.startswith(".mark"), selector
            assert width > 0
            return
    raise AssertionError(f"Tab does not come to {selector}")


def test_a_side_by_keys_alone(own: RunningServer, open_page: Callable[..., Any]) -> None:
    record = record_of(own)
    page = open_page(own, f"/record/{record['id']}/side/B")
    side_is_ready(page)

    def tracks() -> Any:
        return next(side for side in record_of(own)["sides"] if side["side"] == "B")["cuts"]["tracks"]

    before = tracks()
    tab_to(page, ".tracks tbody tr:nth-child(2) button.title")
    page.keyboard.press("Enter")
    page.get_by_label("Title of track 2").wait_for()
    page.keyboard.type("Fifth Wheel")
    page.keyboard.press("Enter")
    until(page, lambda: tracks()[1]["title"] == "Fifth Wheel")
    tab_to(page, "canvas.strip")
    page.keyboard.press("+")
    tab_to(page, '.mark.start[data-track="2"]')
    page.keyboard.press("ArrowRight")
    until(page, lambda: tracks()[1]["start_frame"] == before[1]["start_frame"] + 441)
    tab_to(page, ".listen button")
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Lift the needle").wait_for()
    page.keyboard.press("1")
    until(page, page.get_by_role("radio", name="as played").is_checked)
    page.keyboard.press("Enter")
    page.get_by_role("button", name="Lower the needle").wait_for()
    tab_to(page, ".history summary")
    page.keyboard.press("Enter")
    page.get_by_text("Side B, track 2: its beginning moved to").first.wait_for()
    page.get_by_text("called “Fifth Wheel”").wait_for()
    tab_to(page, ".spectrum summary")
    page.keyboard.press("Enter")
    page.wait_for_selector(".spectrum canvas")
    tab_to(page, "details:has(.largest) > summary")
    page.keyboard.press("Enter")
    tab_to(page, ".largest li:first-child button")
    page.keyboard.press("Enter")
    page.keyboard.press("x")
    page.get_by_text("It is left as it is.").wait_for()
    for _ in range(3):
        revision = record_of(own)["revision"]
        page.keyboard.press("Control+z")
        until(page, lambda revision=revision: record_of(own)["revision"] > revision)
    until(page, lambda: tracks() == before)
    assert page.locator("body").evaluate("body => body.contains(document.activeElement)")


def test_what_is_done_by_keys_is_said_and_the_focus_stays_beside_it(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    """WCAG 2.2, 4.1.3: a screen reader heard nothing of a mark that was joined or runs on, and went to the top of the place."""
    page = open_page(own, f"/record/{record_of(own)['id']}/side/A")
    side_is_ready(page)
    page.get_by_role("button", name="Track 2: choose its beginning").press("Enter")
    page.get_by_role("button", name="Runs on").press("Enter")
    said = page.locator("p[role=status].unseen").last
    said.filter(has_text="Kept: that it runs on.").wait_for()
    page.keyboard.press("Control+z")
    said.filter(has_text="Undone.").wait_for()
    page.get_by_role("button", name="Put it back").press("Enter")
    page.wait_for_function("() => document.activeElement.matches('section.chosen')")


def test_what_was_just_done_outlives_a_reload_and_the_way_back(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = record_of(own)
    # What was on its way as the page went is asked for once more, and may be refused then as made already.
    page = open_page(own, f"/record/{record['id']}/side/A", allow=("409",))

    def second() -> Any:
        return next(side for side in record_of(own)["sides"] if side["side"] == "A")["cuts"]["tracks"][1]

    before = second()
    side_is_ready(page)
    page.locator('.mark.start[data-track="2"]').focus()
    page.keyboard.press("ArrowRight")
    page.reload()
    until(page, lambda: second()["start_frame"] == before["start_frame"] + 441)
    side_is_ready(page)
    page.get_by_role("link", name="Side B").click()
    page.get_by_role("heading", name="Side B").wait_for()
    page.get_by_role("link", name="Side A").click()
    page.get_by_role("heading", name="Side A").wait_for()
    side_is_ready(page)
    page.get_by_role("button", name=before["title"]).click()
    page.get_by_label("Title of track 2").fill("Third Sight")
    page.evaluate("history.back()")
    page.get_by_role("heading", name="Side B").wait_for()
    until(page, lambda: second()["title"] == "Third Sight")


def test_two_windows_that_move_one_mark_both_show_the_truth(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    """The second has not heard of the first's move when it asks for its own: it is told, and can make it anyway."""
    record = record_of(own)
    address = f"/record/{record['id']}/side/A"
    one, two = open_page(own, address), open_page(own, None, allow=("409",))
    deaf: list[Any] = []
    two.route_web_socket("**/api/events", lambda socket: deaf.append(socket))
    two.goto(f"http://{own.host}{address}")
    before = record["sides"][0]["cuts"]["tracks"][1]["start_frame"]

    def kept() -> Any:
        return record_of(own)["sides"][0]["cuts"]["tracks"][1]["start_frame"]

    def shows(page: Any, frame: int) -> bool:
        now = page.locator('.mark.start[data-track="2"]').get_attribute("aria-valuenow")
        return abs(float(now) - frame / 44_100) < 0.001

    def nudge(page: Any, key: str) -> None:
        page.locator('.mark.start[data-track="2"]').focus()
        page.keyboard.press(key)

    for page in (one, two):
        side_is_ready(page)
    nudge(one, "ArrowRight")
    until(one, lambda: kept() == before + 441)
    nudge(two, "PageUp")
    two.get_by_text("This record was changed on another page. The move of the mark was not made").wait_for()
    until(two, lambda: shows(two, before + 441))
    assert kept() == before + 441
    two.get_by_role("button", name="Make it anyway").click()
    until(two, lambda: kept() == before + 44_100)
    for page in (one, two):
        until(page, lambda page=page: shows(page, before + 44_100))


def test_a_side_by_touch_on_a_phone(own: RunningServer, open_page: Callable[..., Any]) -> None:
    record = record_of(own)
    page = open_page(
        own,
        f"/record/{record['id']}/side/A",
        viewport={"width": 360, "height": 740},
        has_touch=True,
        is_mobile=True,
    )
    side_is_ready(page)

    def fits() -> None:
        assert page.evaluate("document.documentElement.scrollWidth") <= 360

    fits()
    # Targets of at least 24 by 24 pixels: WCAG 2.2, 2.5.8 (AA).
    small = page.evaluate(
        """[...document.querySelectorAll("main button, main summary, main select, main label:has(input)")].filter((each) => each.checkVisibility())
             .map((each) => [each.textContent.trim().slice(0, 40), each.getBoundingClientRect()]).filter(([, box]) => box.width < 24 || box.height < 24).map(([text]) => text)"""
    )
    assert small == []
    strip = page.locator("canvas.strip")
    box = settled_box(strip)
    page.touchscreen.tap(box["x"] + 200, box["y"] + box["height"] / 2)
    page.get_by_text("The needle is at").wait_for()
    whole = page.locator(".strip-under .number").inner_text()
    fingers = page.context.new_cdp_session(page)
    y = box["y"] + box["height"] / 2
    for step in range(6):
        points = [
            {"x": box["x"] + 170 - 14 * step, "y": y, "id": 0},
            {"x": box["x"] + 190 + 14 * step, "y": y, "id": 1},
        ]
        fingers.send(
            "Input.dispatchTouchEvent",
            {"type": "touchStart" if step == 0 else "touchMove", "touchPoints": points},
        )
    fingers.send("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})
    page.wait_for_function(
        "whole => document.querySelector('.strip-under .number').textContent !== whole", arg=whole
    )
    page.get_by_role("button", name="Lower the needle").tap()
    page.get_by_role("button", name="Lift the needle").tap()
    page.locator(".tracks tbody tr").first.get_by_role("button").first.tap()
    page.get_by_text("The damage, by kind").tap()
    page.get_by_role("button", name="Leave all Ticks").tap()
    page.get_by_role("button", name="Mend all Ticks").and_(page.locator(":enabled")).wait_for()
    page.get_by_role("button", name="Mend all Ticks").tap()
    page.get_by_role("button", name="Leave all Ticks").and_(page.locator(":enabled")).wait_for()
    fits()


def test_what_came_of_an_evening_outlives_a_reload(own: RunningServer, open_page: Callable[..., Any]) -> None:
    record = record_of(own)
    ended = {
        "record": record["id"],
        "phase": "done",
        "side": "B",
        "sides": ["A", "B"],
        "taken": ["A", "B"],
        "news": [],
    }
    state = {**own.get("/api/state"), "last_session": {**ended, "take": "takes/B-1", "elapsed_frames": 9}}
    told = json.dumps({"kind": "hello", "seq": 0, "state": state})
    page = open_page(own, None)
    page.route_web_socket("**/api/events", lambda socket: socket.send(told))
    with_input(page)
    for _ in range(2):
        page.goto(f"http://{own.host}/record/{record['id']}/turntable")
        page.get_by_role("heading", level=1, name=re.compile("^Done")).wait_for()
    page.get_by_role("button", name="Take a side again").click()
    page.get_by_role("heading", level=1, name="Every side of Small Hours is taken.").wait_for()
