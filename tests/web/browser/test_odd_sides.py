"""Sides that are not as usual, as a person meets them: not surveyed yet, without music, of a file that tells something of itself."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.web.browser.test_places import violations
from tests.web.conftest import RunningServer, record_of
from tests.web.test_told_of_takes import odd, survey

__all__ = ["odd"]


def test_a_side_is_never_said_to_be_empty_before_it_was_listened_to_and_can_be_cut_by_hand_after(
    odd: RunningServer, open_page: Callable[..., Any], axe_script: str
) -> None:
    page = open_page(odd, f"/record/{record_of(odd)['id']}/side/C")
    page.get_by_text("have not been looked for yet").wait_for()
    assert page.get_by_text("No tracks").count() == 0
    assert page.get_by_role("button", name="A track begins here").is_disabled()
    survey(odd)
    page.get_by_text("No tracks were found on this side.").wait_for()
    page.get_by_text("Side C was not found in this recording.").first.wait_for()
    page.get_by_role("button", name="A track begins here").click()
    page.get_by_role("button", name="Track 1:").wait_for()
    assert violations(page, axe_script) == []
    page.get_by_role("button", name="Undo").click()
    page.get_by_text("No tracks were found on this side.").wait_for()


def test_what_a_file_tells_of_itself_is_asked_about_and_found_again(
    odd: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = survey(odd)
    page = open_page(odd, f"/record/{record}/side/B")
    asked = page.get_by_label("What is unsure")
    asked.get_by_text("it was cut short").wait_for()
    asked.get_by_role("button", name="I have seen it").click()
    asked.get_by_text("it was cut short").wait_for(state="detached")
    page.get_by_text("What else was noticed").click()
    page.locator(".finding.act").get_by_text("it was cut short").wait_for()
