"""What is done to a record by hand: the pictures of its sleeve, the bin, checking, ending work, the form of its files."""

from __future__ import annotations

import base64
import io
import re
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageDraw

from tests.web.browser.waiting import settled_box, side_is_ready, until
from tests.web.conftest import RunningServer, record_of

CORNERS = [(0.233, 0.118), (0.786, 0.192), (0.713, 0.806), (0.219, 0.803)]
"""Of a square turned by 12, -10 and 3 degrees, through a lens of 0.9 of the picture's longer side."""
PATIENCE_MS = 90_000


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


def put_in_the_bin(page: Any) -> None:
    page.get_by_text("The take", exact=True).click()
    page.get_by_role("button", name="Put take 1 in the bin").click()
    page.get_by_role("heading", name="Side B is not taken yet.").wait_for()
    seen(page)


def test_a_take_goes_to_the_bin_comes_back_and_is_gone_when_the_bin_is_emptied(
    full_shelf: Path, tmp_path: Path, open_page: Callable[..., Any]
) -> None:
    shutil.copytree(full_shelf, tmp_path / "shelf")
    server = RunningServer(tmp_path / "shelf")
    try:
        record = record_of(server)
        page = open_page(server, f"/record/{record['id']}/side/B")
        put_in_the_bin(page)
        page.get_by_text("In the bin: one take of this side").wait_for()  # in sight, though no take is left
        page.get_by_role("button", name="Bring it back").click()
        page.wait_for_selector(".disc-view canvas")
        seen(page)
        put_in_the_bin(page)
        page.get_by_text("In the bin: one take of this side").wait_for()  # in sight, though no take is left
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


LONG = "The Lighthouse Keepers of Quarry Lane - Charts for Drowned Coasts and Harbours (1974)"


def cut_off(page: Any, selector: str) -> list[str]:
    """What stands in a box that is too small for it."""
    found: list[str] = page.evaluate(
        """(selector) => [...document.querySelectorAll(selector)]
             .filter((each) => each.scrollWidth > each.clientWidth || each.scrollHeight > each.clientHeight + 1)
             .map((each) => each.value ?? each.textContent)""",
        selector,
    )
    return found


@pytest.mark.parametrize("width", [360, 1280])
def test_long_names_on_a_sleeve_are_not_cut_off(
    fresh: RunningServer, open_page: Callable[..., Any], width: int
) -> None:
    """On a phone the typed lines are broken; on a screen they stand beside what was understood, and the artist takes the free line."""
    page = open_page(fresh, "/new", viewport={"width": width, "height": 800})
    page.get_by_label("Sleeve text").fill(f"{LONG}\n\nSide A\nA1 Lamp Oil 3:00")
    page.get_by_text("by The Lighthouse Keepers of Quarry Lane").wait_for()
    page.get_by_text("Lamp Oil", exact=True).wait_for()
    until(page, lambda: cut_off(page, ".understood cite, .understood li.title > span") == [])
    if width == 360:
        until(page, lambda: cut_off(page, "#sleeve-text") == [])
    else:
        tops = [settled_box(row)["y"] for row in page.locator(".understood li").all()]
        assert tops[2] - tops[0] == pytest.approx(2 * (tops[3] - tops[2]), abs=1.0)


def test_undo_is_said_and_a_button_that_can_be_pressed_no_more_gives_its_focus_on(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    """A screen reader heard nothing of either, and the focus was at the top of the page after a redo."""
    record = record_of(own)
    edit = {"kind": "notes", "text": "from the attic"}
    sent = {"edit": edit, "revision": record["revision"]}
    assert own.ask("POST", f"/api/records/{record['id']}/edits", sent).status == 200
    page = open_page(own, f"/record/{record['id']}/side/A")
    side_is_ready(page)
    said = page.locator("p[role=status].unseen").last
    undo, redo = (page.get_by_role("button", name=name) for name in ("Undo", "Redo"))
    undo.press("Enter")
    said.filter(has_text="Undone.").wait_for()
    redo.press("Enter")
    said.filter(has_text="Done again. Nothing is left to redo.").wait_for()
    until(page, lambda: undo.evaluate("(button) => button === document.activeElement"))
    undo.press("Enter")
    said.filter(has_text="Undone.").wait_for()
