"""What the command line can do for a record, done on the page: interrupted takes, the recipe as a file, a side of no sleeve."""

from __future__ import annotations

import json
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sidekeep.service.house.takes.listen import wav_bytes
from sidekeep.service.shelf.adopting import adopt
from tests.web.browser.stand_in import with_input
from tests.web.browser.test_listening import SPY, wait_for_pieces
from tests.web.browser.test_places import violations
from tests.web.browser.waiting import drawn, settled_box, until
from tests.web.conftest import RunningServer
from tests.web.test_upkeep import SLEEVE, leave_open


@pytest.fixture(scope="module")
def own(full_shelf: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningServer]:
    """A server on a copy of the full shelf, and one more record that is only planned."""
    shelf = tmp_path_factory.mktemp("alone") / "shelf"
    shutil.copytree(full_shelf, shelf)
    running = RunningServer(shelf)
    running.ask("POST", "/api/records", {"text": SLEEVE})
    yield running
    running.close()


def ids(server: RunningServer) -> dict[str, str]:
    return {each["title"]: each["id"] for each in server.get("/api/records")["records"]}


def choices(server: RunningServer, record: str) -> Any:
    return server.get(f"/api/records/{record}/recipe")["choices"]


def test_an_interrupted_take_is_told_on_the_shelf_and_kept_in_one_press(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    fresh.ask("POST", "/api/records", {"text": SLEEVE})
    (place,) = [path.parent for path in fresh.house.shelf.glob("*/record.toml")]
    leave_open(place)
    page = open_page(fresh, "/")
    page.get_by_text("One take was interrupted before it was closed: side A of Salt Hours.").wait_for()
    page.get_by_role("button", name="Close it, and keep all that was recorded").click()
    page.get_by_text("Closed and kept: side A, a moment.").first.wait_for()
    page.get_by_label("Interrupted takes").wait_for(state="detached")
    (record,) = fresh.get("/api/records")["records"]
    assert len(fresh.get(f"/api/records/{record['id']}")["takes"]) == 1
    page.get_by_text("Look after the shelf").click()
    page.get_by_role("button", name="Read the record folders again").click()
    page.get_by_text("One record found in the folders.").first.wait_for()


def test_a_recipe_is_saved_followed_from_a_file_and_taken_over_from_another_record(
    own: RunningServer, open_page: Callable[..., Any], tmp_path: Path
) -> None:
    known = ids(own)
    page = open_page(own, f"/record/{known['Small Hours']}/copies", allow=("400",))
    page.get_by_text("Save or follow a recipe").click()
    with page.expect_download() as saved:
        page.get_by_role("link", name="Save the recipe as a file").click()
    assert saved.value.suggested_filename == "Small Hours recipe.toml"
    text = Path(saved.value.path()).read_text("utf-8")
    file = tmp_path / "gently.toml"
    file.write_text(text.replace('size = "even"', 'size = "gentle"'), "utf-8")
    page.get_by_label("Follow a recipe from a file").set_input_files(file)
    page.get_by_text("The recipe of gently.toml is followed from now on").first.wait_for()
    assert choices(own, known["Small Hours"])["mend"]["size"] == "gentle"
    page.wait_for_function(
        "() => document.querySelector('select[aria-label=\"How much is mended\"]').value === 'gentle'"
    )
    file.write_text("this is no recipe", "utf-8")
    page.get_by_label("Follow a recipe from a file").set_input_files(file)
    page.locator(".notice.act").wait_for()  # it stays until it is seen
    assert choices(own, known["Small Hours"])["mend"]["size"] == "gentle"

    page.goto(f"http://{own.host}/record/{known['Salt Hours']}/copies")
    page.get_by_role("heading", level=1, name="Nothing is taken yet.").wait_for()
    page.goto(f"http://{own.host}/record/{known['Small Hours']}/copies")
    page.get_by_text("Save or follow a recipe").click()
    page.get_by_label("Treat it as").select_option(known["Salt Hours"])
    page.get_by_role("button", name="Take its settings over").click()
    page.get_by_text("The settings are taken over").first.wait_for()
    assert choices(own, known["Small Hours"])["mend"]["size"] == "even"


def test_what_is_being_typed_is_not_overwritten_by_an_answer(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = ids(own)["Small Hours"]
    page = open_page(own, f"/record/{record}/copies")
    page.get_by_text("Form of the files").click()
    forms = page.get_by_label("Bits, rates and bit rates")
    held: list[Any] = []
    page.route("**/edits", lambda route: held.append(route))
    forms.fill("lossless=16")
    with page.expect_request("**/edits"):
        forms.press("Enter")
    forms.press("End")
    forms.press_sequentially(" portable=good")
    with page.expect_response("**/edits"):
        held[0].continue_()
    page.unroute("**/edits")
    page.get_by_text("Form of the files: not as usual").wait_for()  # the answer has been drawn
    assert forms.input_value() == "lossless=16 portable=good"
    with page.expect_response("**/edits"):
        forms.blur()
    assert choices(own, record)["copies"]["forms"] == ["lossless=16", "portable=good"]

    old = page.get_by_label("Tags for old players")
    for on in (True, False):
        with page.expect_response("**/edits"):
            old.set_checked(on)
        assert choices(own, record)["copies"]["old_tags"] is on


def test_a_box_keeps_what_was_chosen_while_the_answer_is_on_its_way(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = ids(own)["Small Hours"]
    page = open_page(own, f"/record/{record}/copies")
    page.get_by_text("Form of the files").click()
    held: list[Any] = []
    page.route("**/edits", lambda route: held.append(route))
    box = page.get_by_label("CD tracks carry the picture too")
    front = page.get_by_label("The front lies beside the tracks as")
    for choose, shown in (
        (box.check, box.is_checked),
        (lambda: front.select_option("folder"), lambda: front.input_value() == "folder"),
    ):
        choose()
        until(page, lambda: held, "the choice is sent")
        own.house.news.publish("session-failed", {"text": "The cable was pulled."})
        page.get_by_text("The cable was pulled.").wait_for()  # the page has been drawn anew
        assert shown()
        with page.expect_response("**/edits"):
            held.pop().continue_()
        drawn(page)
        assert shown()
        page.get_by_role("button", name="I have seen it").click()
    assert choices(own, record)["copies"]["cd_picture"] is True
    for _ in range(2):
        with page.expect_response("**/undo"):
            page.get_by_role("button", name="Undo").click()
    until(page, lambda: not box.is_checked() and front.input_value() == "cover")


def test_a_side_that_the_sleeve_does_not_list_can_be_taken(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    page = open_page(own, None)
    with_input(page)
    page.goto(f"http://{own.host}/record/{ids(own)['Salt Hours']}/turntable")
    page.get_by_role("button", name=re.compile("and side B, which the sleeve does not list")).click()
    assert page.get_by_label(re.compile("Side B not on the sleeve")).is_checked()
    page.route(
        "**/api/session", lambda route: route.fulfill(json={"record": "", "phase": "done", "news": []})
    )
    with page.expect_request("**/api/session") as asked:
        page.get_by_role("button", name="I am ready").click()
    sent = json.loads(asked.value.post_data)
    assert (sent["sides"], sent["any_side"]) == (["A", "B"], True)


def test_two_takes_lie_on_one_disc_and_both_are_heard_around_a_mark(
    full_shelf: Path, tmp_path: Path, open_page: Callable[..., Any], axe_script: str
) -> None:
    shelf = tmp_path / "shelf"
    shutil.copytree(full_shelf, shelf)
    (take,) = shelf.glob("*/takes/A-1")
    shutil.copy(take / "take.wav", tmp_path / "again.wav")
    adopt([tmp_path / "again.wav"], shelf=shelf, record_name="small hours", side_letters=["A"])
    server = RunningServer(shelf)
    try:
        record = ids(server)["Small Hours"]
        takes = {
            each["number"]: each
            for each in server.get(f"/api/records/{record}")["takes"]
            if each["side"] == "A"
        }
        rate_hz = takes[1]["rate_hz"]
        both = wav_bytes(np.tile([0.125, 0.25, 0.5, 0.375], (3 * rate_hz, 1)), rate_hz)
        found = {
            "same": True,
            "findings": [{"severity": "look", "text": "New: two single ticks."}],
            "alignment": {"offset_s": 0.5, "speed_ratio": 1.0},
            "turn": {"period_s": 1.8},
            "marks": {"persisting": 7, "gone": [{"start_s": 6.0, "size_db": 20.0}],
                "new": [{"start_s": 9.5, "size_db": 31.0}, {"start_s": 12.0, "size_db": 28.0}]},
            "heard": {"rate_hz": rate_hz, "start_frame": 0, "stop_frame": 20 * rate_hz, "gain_db": -1.5},
            "history": [{"take": f"A-{number}", "taken_utc": f"20{25 + number}-01-01T00:00:00+00:00", "inside_db": -0.5 * number, "groove_db": 0.0, "marks": 2 * number} for number in (0, 1)],
        }  # fmt: skip
        page = open_page(server, None)
        page.context.add_init_script(SPY)
        page.route("**/compare/sound?*", lambda route: route.fulfill(content_type="audio/wav", body=both))
        page.route("**/compare?*", lambda route: route.fulfill(json=found))
        page.goto(f"http://{server.host}/record/{record}/later")
        page.get_by_role("img", name="Both takes from above: two new marks, one mark gone.").wait_for()
        page.get_by_role("img", name="Marks: +2 since the first take").wait_for()
        page.get_by_text("the new take is turned down by 1.5 dB").wait_for()
        start, stop = round(7.5 * rate_hz), round(10.5 * rate_hz)  # around 0:09.0 of the old take
        span = f"with={takes[1]['id']}&start_frame={start}&stop_frame={stop}&as=both"
        with page.expect_request(re.compile(f"{takes[2]['id']}/compare/sound.{re.escape(span)}")):
            page.get_by_role("button", name="around it at 0:09.5").click()
        wait_for_pieces(page, 3)
        pieces = page.evaluate(
            "heard.map(({buffer, loop}) => [loop, buffer.length, buffer.getChannelData(0)[9], buffer.getChannelData(1)[9]])"
        )
        # In lockstep, again and again: the old take, the new one, and what differs.
        assert pieces == [[True, 3 * rate_hz, 0.125, 0.25], [True, 3 * rate_hz, 0.5, 0.375], [True, 3 * rate_hz, 0.375, 0.125]]  # fmt: skip
        page.keyboard.press("3")
        until(page, page.get_by_role("radio", name="what differs").is_checked)
        page.get_by_role("radio", name="old").check()
        assert page.evaluate("heard.length") == 3  # nothing is fetched or begun anew
        assert violations(page, axe_script) == []
        page.get_by_role("button", name="around it at 0:06.0").and_(
            page.locator("[aria-pressed=false]")
        ).click()
        page.get_by_role("button", name="around it at 0:06.0").and_(
            page.locator("[aria-pressed=true]")
        ).wait_for()
        page.get_by_role("button", name="Lift the needle").click()
        disc = page.get_by_role("img", name=re.compile("Both takes from above"))
        half = settled_box(disc)["width"] / 2
        disc.click(position={"x": half + half * 103 / 152, "y": half})  # halfway from the edge inward
        middle = takes[1]["length_s"] / 2
        place = page.get_by_label("Place in the side")
        until(page, lambda: abs(float(place.input_value()) - middle) < 0.02 * middle)
        page.close()  # before its server goes away
    finally:
        server.close()
