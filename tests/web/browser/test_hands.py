"""Everything else a hand does: pictures of the sleeve, the bin, checking, ending work, and the Side place by keys and by touch alone."""

from __future__ import annotations

import base64
import io
import json
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageDraw

from tests.web.browser.waiting import settled_box, side_is_ready, until
from tests.web.conftest import RunningServer

CORNERS = [(0.20, 0.15), (0.82, 0.12), (0.85, 0.88), (0.17, 0.84)]
PATIENCE_MS = 90_000


@pytest.fixture(scope="module")
def own(full_shelf: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningServer]:
    """A server on a copy of the full shelf: each test here leaves the record as the next one needs it."""
    shelf = tmp_path_factory.mktemp("hands") / "shelf"
    shutil.copytree(full_shelf, shelf)
    running = RunningServer(shelf)
    yield running
    running.close()


def record_of(server: RunningServer) -> Any:
    (summary,) = server.get("/api/records")["records"]
    return server.get(f"/api/records/{summary['id']}")


def photograph(colour: str = "#e4c65a") -> bytes:
    """A sleeve on a dark table, somewhat askew."""
    picture = Image.new("RGB", (1000, 800), "#2a2320")
    noise = np.random.default_rng(5).integers(0, 12, (800, 1000, 3), dtype=np.uint8)
    ImageDraw.Draw(picture).polygon([(x * 1000, y * 800) for x, y in CORNERS], fill=colour)
    data = io.BytesIO()
    Image.fromarray(np.asarray(picture) + noise).save(data, "JPEG", quality=92)
    return data.getvalue()


def hand_over(page: Any, selector: str, event: str, data: bytes) -> None:
    """A file dropped or pasted, as the browser hands it over."""
    page.evaluate(
        """([selector, name, data]) => {
          const bytes = Uint8Array.from(atob(data), (each) => each.charCodeAt(0));
          const held = new DataTransfer();
          held.items.add(new File([bytes], "sleeve.jpg", { type: "image/jpeg" }));
          const how = { bubbles: true, cancelable: true };
          const target = document.querySelector(selector);
          target.dispatchEvent(name === "drop" ? new DragEvent("drop", { ...how, dataTransfer: held }) : new ClipboardEvent("paste", { ...how, clipboardData: held }));
        }""",
        [selector, event, base64.b64encode(data).decode()],
    )


def pictures_of(server: RunningServer) -> dict[str, Any]:
    return {picture["kind"]: picture for picture in record_of(server)["pictures"]}


def test_pictures_come_by_file_drop_paste_and_camera_and_their_corners_are_moved(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = record_of(own)
    page = open_page(own, f"/record/{record['id']}/sleeve")
    photo = {"name": "sleeve.jpg", "mimeType": "image/jpeg", "buffer": photograph()}
    page.get_by_label("Choose picture of the front").set_input_files(photo)
    page.get_by_role("img", name="Front of the sleeve").wait_for()
    found = np.array(pictures_of(own)["front"]["corners"])
    assert np.abs(found - CORNERS).max() < 0.02  # where the sleeve lies in the photograph

    late: list[Any] = []
    page.route("**/pictures/front?original=1*", lambda route: late.append(route))
    page.get_by_role("button", name="Corners").click()
    corner = page.get_by_role("button", name="Top left corner")
    while not late:
        page.wait_for_timeout(20)
    assert corner.count() == 0  # nothing to take hold of that would move when the photograph comes
    late[0].continue_()
    corner.wait_for()
    box = settled_box(corner)
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] / 2 + 30, box["y"] + box["height"] / 2 + 20, steps=4)
    page.mouse.up()
    page.get_by_role("button", name="Bottom right corner").press("Shift+ArrowLeft")
    page.get_by_role("button", name="Make it square").click()
    page.get_by_role("button", name="Make it square").wait_for(state="detached")
    moved = np.array(pictures_of(own)["front"]["corners"])
    assert (moved[0] - found[0] > 0.02).all()
    assert moved[2][0] == pytest.approx(found[2][0] - 0.02, abs=1e-6)
    np.testing.assert_allclose(moved[[1, 3]], found[[1, 3]], atol=1e-6)

    hand_over(page, ".frame:nth-of-type(2)", "drop", photograph("#7ab0c4"))
    page.get_by_role("img", name="Back of the sleeve").wait_for()
    page.get_by_role("button", name="Remove the picture of the back").click()
    page.get_by_role("img", name="Back of the sleeve").wait_for(state="detached")
    hand_over(page, "main", "paste", photograph("#7ab0c4"))  # the front is there: this is the back
    page.get_by_role("img", name="Back of the sleeve").wait_for()
    camera = page.get_by_label("Camera: photograph the front")
    assert camera.get_attribute("capture") == "environment"
    with page.expect_response("**/pictures?kind=front") as kept:  # no test after this one meets half of it
        camera.set_input_files(photo)
    assert kept.value.ok


def seen(page: Any) -> None:
    """The news that lies over the page is put away, all at once: some of it goes by itself."""
    page.evaluate(
        "document.querySelectorAll('.notice .buttons button:last-child').forEach((each) => each.click())"
    )
    page.locator(".notice").first.wait_for(state="detached")


def test_a_take_goes_to_the_bin_comes_back_and_is_gone_when_the_bin_is_emptied(
    full_shelf: Path, tmp_path: Path, open_page: Callable[..., Any]
) -> None:
    shutil.copytree(full_shelf, tmp_path / "shelf")
    server = RunningServer(tmp_path / "shelf")
    try:
        record = record_of(server)
        page = open_page(server, f"/record/{record['id']}/side/B")
        page.get_by_text("The take", exact=True).click()
        page.get_by_role("button", name="Put take 1 in the bin").click()
        page.get_by_role("heading", name="Side B is not taken yet.").wait_for()
        seen(page)
        page.get_by_text("The take", exact=True).click()
        page.get_by_role("button", name="Bring it back").click()
        page.wait_for_selector(".disc-view canvas")
        seen(page)
        page.get_by_text("The take", exact=True).click()
        page.get_by_role("button", name="Put take 1 in the bin").click()
        page.get_by_role("heading", name="Side B is not taken yet.").wait_for()
        seen(page)
        page.get_by_text("The take", exact=True).click()
        page.get_by_role("button", name="Empty the bin").click()
        assert len(record_of(server)["binned"]) == 1  # asked twice
        page.get_by_role("button", name="Delete for good").click()
        page.get_by_text("The bin of this record is empty.").wait_for()
        assert record_of(server)["binned"] == []
        assert not list((tmp_path / "shelf").glob("*/takes/.bin/*"))
        page.close()  # before its server goes away
    finally:
        server.close()


def test_a_record_goes_to_the_bin_and_comes_back(fresh: RunningServer, open_page: Callable[..., Any]) -> None:
    fresh.ask("POST", "/api/records", {"text": "Nan Okoro - Salt Hours (1979)\nSide A\nA1 Lamp Oil 3:00"})
    (record,) = fresh.get("/api/records")["records"]
    page = open_page(fresh, f"/record/{record['id']}/sleeve")
    page.get_by_role("button", name="Put this record in the bin").click()
    page.get_by_role("heading", name="Your shelf is empty.").wait_for()
    page.get_by_text("In the bin: one record").click()
    page.get_by_role("button", name=re.compile("Bring it back.*Salt Hours")).click()
    page.get_by_role("heading", name="One record on your shelf").wait_for()


def test_checking_tells_what_is_not_as_it_was(own: RunningServer, open_page: Callable[..., Any]) -> None:
    record = record_of(own)
    page = open_page(own, f"/record/{record['id']}/copies")
    check = page.get_by_role("button", name="Check takes and copies")
    check.click()
    page.get_by_text("Everything is as it was written").wait_for(timeout=PATIENCE_MS)
    copy = next(own.house.shelf.glob("*/copies/*/lossless/*.flac"))
    whole = copy.read_bytes()
    copy.write_bytes(whole[:-1] + bytes([whole[-1] ^ 1]))
    try:
        check.click()
        page.get_by_text("Not everything is as it was").wait_for(timeout=PATIENCE_MS)
        page.get_by_text(f"{copy.name} has changed since it was written").wait_for()
    finally:
        copy.write_bytes(whole)


def test_ended_copies_leave_nothing_half_written(own: RunningServer, open_page: Callable[..., Any]) -> None:
    record = record_of(own)
    page = open_page(own, f"/record/{record['id']}/copies")
    page.locator(".kinds input").first.wait_for()
    before = {path for path in own.house.shelf.rglob("*") if path.is_file() and "copies" in path.parts}
    page.get_by_text("more kinds").click()
    for box in page.locator(".kinds input").all():
        box.check()
    page.get_by_role("button", name=re.compile("Write these")).click()
    page.get_by_role("button", name="End it").click()
    page.get_by_text("Cancelled before it was done.").wait_for(timeout=PATIENCE_MS)

    def left() -> set[str]:
        """What there was not before; the mark of who is at work goes a moment after the word that it is over."""
        now = {path for path in own.house.shelf.rglob("*") if path.is_file() and "copies" in path.parts}
        return {path.name for path in now - before} - {"manifest-sha256.txt"}

    until(page, lambda: not left())
    # The list of jobs is written while it is looked: its own temporary name is none of the copies'.
    half = [path for path in own.house.shelf.rglob("*") if path.name.endswith((".part", ".making"))]
    assert not [path for path in half if not path.name.startswith(".jobs.json.")]


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
    one, two = open_page(own, address), open_page(own, "/new", allow=("409",))
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


def test_the_form_of_the_files_is_a_choice_of_the_recipe(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    """Chosen on the page, kept in the recipe, taken back by undo; a form that cannot be is told and not kept."""
    record = record_of(own)
    # The form that cannot be is refused by the server, which the browser tells.
    page = open_page(own, f"/record/{record['id']}/copies", allow=("400",))

    def kept() -> dict[str, Any]:
        choices: dict[str, Any] = own.get(f"/api/records/{record['id']}/recipe")["choices"]["copies"]
        return choices

    page.get_by_text("Form of the files").click()
    with page.expect_response("**/edits"):
        page.get_by_label("A folder for every disc of a set").check()
    forms = page.get_by_label("Bits, rates and bit rates")
    forms.fill("lossless=20")
    forms.press("Enter")
    page.get_by_text("must be 16 or 24").first.wait_for()
    assert kept()["forms"] == []
    forms.fill("lossless=16 portable=good")
    with page.expect_response("**/edits"):
        forms.press("Enter")
    assert kept()["disc_folders"] is True
    assert kept()["forms"] == ["lossless=16", "portable=good"]
    for _ in range(2):
        with page.expect_response("**/undo"):
            page.get_by_role("button", name="Undo").click()
    assert (kept()["forms"], kept()["disc_folders"]) == ([], False)


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
    page = open_page(own, "/new")
    page.route_web_socket("**/api/events", lambda socket: socket.send(told))
    chosen = {
        "id": "deck",
        "name": "Deck",
        "channels": 2,
        "rate_hz": 96_000,
        "bits": 24,
        "chosen": True,
        "notes": [],
    }
    page.route("**/api/inputs", lambda route: route.fulfill(json={"inputs": [chosen], "settings": {}}))
    for _ in range(2):
        page.goto(f"http://{own.host}/record/{record['id']}/turntable")
        page.get_by_role("heading", level=1, name=re.compile("^Done")).wait_for()
    page.get_by_role("button", name="Take a side again").click()
    page.get_by_role("heading", level=1, name="Every side of Small Hours is taken.").wait_for()
