"""Two pages of one record at the same time: what is typed on one is never kept over what the other has changed, unasked."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from tests.web.browser.waiting import answered, drawn, until
from tests.web.conftest import RunningServer, record_of


@contextmanager
def reads_anew(page: Any, record: str) -> Iterator[None]:
    """What is done elsewhere within has come to this page, and is drawn, afterwards."""
    with page.expect_response(re.compile(rf"/api/records/{record}$")):
        yield
    answered(page)
    drawn(page)


def test_a_title_that_is_typed_on_two_pages_is_kept_once_and_asked_about(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = record_of(own)["id"]
    one, two = (open_page(own, f"/record/{record}/side/A") for _ in range(2))

    def titles() -> list[str]:
        return [track["title"] for track in record_of(own)["sides"][0]["cuts"]["tracks"]]

    fields = []
    for page in (one, two):
        page.get_by_role("button", name="change the title").nth(1).click()
        fields.append(page.get_by_label("Title of track 2"))
        fields[-1].fill(f"Typed on page {len(fields)}")
    with reads_anew(two, record):
        fields[0].press("Enter")
    assert fields[1].input_value() == "Typed on page 2"  # nor is what is being typed overwritten
    fields[1].press("Enter")
    two.get_by_text("it is “Typed on page 1” now. What you typed, “Typed on page 2”, is not kept.").wait_for()
    assert titles()[1] == "Typed on page 1"
    two.get_by_role("button", name="Typed on page 1").wait_for()
    two.get_by_role("button", name="Keep mine").click()
    until(two, lambda: titles()[1] == "Typed on page 2")
    one.get_by_role("button", name="Typed on page 2").wait_for()


def test_the_time_of_a_mark_and_a_number_of_the_recipe_are_asked_about_too(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = record_of(own)["id"]
    page = open_page(own, f"/record/{record}/side/A")

    def elsewhere(**edit: Any) -> None:
        revision = record_of(own)["revision"]
        sent = {"edit": edit, "revision": revision}
        assert own.ask("POST", f"/api/records/{record}/edits", sent).status == 200

    def start() -> int:
        return int(record_of(own)["sides"][0]["cuts"]["tracks"][1]["start_frame"])

    page.get_by_role("button", name="Track 2: choose its beginning").click()
    time = page.get_by_label("Time of this mark")
    moved = start() + 4410
    time.fill("0:12.000")
    with reads_anew(page, record):
        elsewhere(kind="move-mark", side="A", track=2, edge="start", frame=moved)
    time.press("Enter")
    page.get_by_text("What you typed, “0:12.000”, is not kept.").wait_for()
    assert start() == moved

    page.get_by_role("link", name="Copies").click()
    fade = page.get_by_label("Fade in, seconds")
    fade.fill("0.5")
    with reads_anew(page, record):
        elsewhere(kind="recipe", fade_in_s=0.2)
    fade.press("Enter")
    page.get_by_text("it is “0.2” now. What you typed, “0.5”, is not kept.").wait_for()
    assert fade.input_value() == "0.2"
    fade.fill("0.5")  # typed in the knowledge of it
    fade.press("Enter")
    until(page, lambda: record_of(own)["recipe"]["edges"]["fade_in_s"] == 0.5)
    fade.fill("0.7")  # and again, before and after its own answer
    fade.press("Enter")
    until(page, lambda: record_of(own)["recipe"]["edges"]["fade_in_s"] == 0.7)


def test_a_record_that_is_thrown_away_on_another_page_says_so_and_comes_back(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = record_of(own)["id"]
    page = open_page(own, f"/record/{record}/copies")
    page.get_by_role("heading", level=1, name="Copies").wait_for()
    answered(page)
    assert own.ask("DELETE", f"/api/records/{record}").status == 200
    page.get_by_role("heading", level=1, name="This record is not on the shelf.").wait_for()
    assert own.ask("POST", f"/api/records/{record}/restore").status == 200
    page.get_by_role("heading", level=1, name="Copies").wait_for()


def test_the_focus_stays_in_the_place_when_what_was_pressed_is_gone(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    """Whoever goes by keyboard began again at the top of the page after a take was put in the bin."""
    page = open_page(own, f"/record/{record_of(own)['id']}/side/B")
    page.locator("summary", has_text="The take").click()
    page.get_by_role("button", name="Put take 1 in the bin").press("Enter")
    page.get_by_text("In the bin: one take of this side").wait_for()
    page.wait_for_function("() => document.activeElement.id === 'main'")
    page.get_by_role("button", name="Bring it back").press("Enter")
    page.get_by_role("heading", level=1, name="Side B", exact=True).wait_for()
    page.wait_for_function("() => document.activeElement.id === 'main'")
