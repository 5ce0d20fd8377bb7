"""Browsers that are not as they usually are: they keep nothing, sleep, or show the page otherwise."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.web.browser.stand_in import with_input
from tests.web.browser.test_places import PLACES, record_id, settled
from tests.web.browser.waiting import side_is_ready
from tests.web.conftest import RunningServer

FORBIDDEN = "Object.defineProperty(window, 'localStorage', { get() { throw new DOMException('', 'SecurityError'); } })"
"""Storage that the person, or a policy, has switched off: HTML Standard, 12.2.3, "throw a SecurityError"."""
FULL = "Storage.prototype.setItem = () => { throw new DOMException('', 'QuotaExceededError'); }"
"""No room for a single letter: HTML Standard, 12.2.1, "QuotaExceededError"."""


@pytest.mark.parametrize("place", ["turntable", "side", "copies"])
def test_a_browser_that_keeps_nothing_shows_every_place(
    server: RunningServer, open_page: Callable[..., Any], place: str
) -> None:
    """Two of them did not come up at all, and on a side every key was an error."""
    page = open_page(server, None)
    with_input(page)
    page.add_init_script(FORBIDDEN)
    page.goto(f"http://{server.host}{PLACES[place].format(id=record_id(server))}")
    page.locator(
        {"turntable": ".stage-options", "side": ".strip-under .number", "copies": ".kinds"}[place]
    ).first.wait_for()


@pytest.mark.parametrize("state", [FORBIDDEN, FULL], ids=["forbidden", "full"])
def test_what_a_browser_cannot_keep_is_said_and_asked_about_before_it_is_lost(
    fresh: RunningServer, open_page: Callable[..., Any], state: str
) -> None:
    page = open_page(fresh, None)
    page.add_init_script(state)
    page.goto(f"http://{fresh.host}/new")
    text = page.get_by_label("Sleeve text")
    text.fill("The Wicker Boats - Tallow Wharf Almanac (1971)")
    page.get_by_text("This browser remembers nothing").wait_for()
    page.get_by_role("link", name="Shelf", exact=True).click()
    page.get_by_role("heading", name="Your shelf is empty.").wait_for()
    page.go_back()
    assert text.input_value() == "The Wicker Boats - Tallow Wharf Almanac (1971)"
    asked: list[str] = []
    page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.accept()))
    page.reload()
    assert asked == ["beforeunload"]
    assert text.input_value() == ""
    text.fill("The Wicker Boats - Tallow Wharf Almanac (1971)")
    page.get_by_role("button", name="Only keep it").click()
    page.get_by_role("heading", name="What the sleeve says").wait_for()
    page.reload()
    settled(page)
    assert asked == ["beforeunload"]


def test_a_side_and_its_copies_are_printed_dark_on_light_without_what_is_pressed(
    server: RunningServer, open_page: Callable[..., Any]
) -> None:
    """Paper has no ink-black ground: in the dark the letters were white on it."""
    record = record_id(server)
    page = open_page(server, f"/record/{record}/side/A", color_scheme="dark")
    side_is_ready(page)
    page.emulate_media(media="print", color_scheme="dark")
    colour = page.evaluate("getComputedStyle(document.querySelector('main h1')).color")
    assert max(int(value) for value in colour[4:-1].split(",")) < 64
    for shown in ("h1", ".way-name cite", ".disc-view canvas", ".tracks .title"):
        assert page.locator(shown).first.is_visible()
    for pressed in ("Lower the needle", "Undo", "Split here", "Let my phone in"):
        assert not page.get_by_text(pressed).first.is_visible()


def test_what_is_pressed_and_where_one_is_are_seen_in_the_colours_of_the_person(
    server: RunningServer, open_page: Callable[..., Any]
) -> None:
    """Forced colours (CSS Color Adjustment 1, 3.1) take every ground away: pressed, chosen and done must be told otherwise."""
    page = open_page(server, "/", forced_colors="active")
    settled(page)
    style = "(element, name) => getComputedStyle(element)[name]"
    links = page.locator(".top nav a")
    edges = [each.evaluate(f"(e) => ({style})(e, 'borderBottomColor')") for each in links.all()]
    assert edges[0] != edges[1] == edges[2]  # the shelf is where one is
    page.evaluate(
        """() => {
          for (const on of ["true", "false"]) {
            const button = document.createElement("button");
            button.setAttribute("aria-pressed", on);
            document.querySelector("main").append(button);
          }
        }"""
    )
    grounds = page.locator("button[aria-pressed]").evaluate_all(
        "(all) => all.map((each) => getComputedStyle(each).backgroundColor)"
    )
    assert len(set(grounds)) == 2
