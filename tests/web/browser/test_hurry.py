"""A hurried hand and a slow line: what is pressed before the last answer is here, and what is unanswered when the page goes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from tests.web.browser.stand_in import Evening
from tests.web.browser.waiting import answered, until
from tests.web.conftest import RunningServer

TEXT = "The Wicker Boats - Tallow Wharf Almanac (1971)\n\nSide A\nA1 Lamp Oil 3:45"
OTHER = "Nan Okoro - Salt Hours (1979)\n\nSide A\nA1 Low Water 3:00"
ASK = """
([id, texts]) => void import("/page/changes.js").then(({ makeEdit }) =>
  texts.forEach((text) => void makeEdit(id, { kind: "notes", text }, "The note")))
"""


def record_with(server: RunningServer, text: str) -> str:
    return str(server.ask("POST", "/api/records", {"text": text}).json()["id"])


def notes_of(server: RunningServer, record: str) -> list[str]:
    """Every note that was ever made, oldest first."""
    entries = server.get(f"/api/records/{record}/history")["entries"]
    return [each["facts"]["text"] for each in entries if each["code"] == "notes"]


def asked(page: Any, record: str, *texts: str, then: Callable[[Any], Any]) -> None:
    """The page asks for notes and is gone before it is answered; ``then`` has the request of the first, which nobody answers."""
    held: list[Any] = []
    page.route("**/edits", lambda route: route.continue_() if held else held.append(route))
    page.evaluate(ASK, [record, list(texts)])
    until(page, lambda: held)
    then(held[0])
    page.reload()


def test_a_change_that_was_refused_after_the_page_had_gone_is_told_on_the_next(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = record_with(fresh, TEXT)
    page = open_page(fresh, f"/record/{record}/sleeve", allow=("409",))
    answered(page)
    theirs = {"edit": {"kind": "notes", "text": "theirs"}}
    asked(
        page,
        record,
        "mine",
        then=lambda _: fresh.ask("POST", f"/api/records/{record}/edits", theirs),
    )
    page.get_by_text("The note was not made; what you see now is the newest.").wait_for()
    assert notes_of(fresh, record) == ["theirs"]
    page.get_by_role("button", name="Make it anyway").click()
    until(page, lambda: notes_of(fresh, record) == ["theirs", "mine"])


def test_what_waits_behind_an_unanswered_change_is_made_when_the_page_goes(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = record_with(fresh, TEXT)
    # What was sent as the page went may find its turn not come, and is asked for once more.
    page = open_page(fresh, f"/record/{record}/sleeve", allow=("409",))
    answered(page)
    asked(page, record, "one", "two", "three", then=lambda _: None)
    until(page, lambda: notes_of(fresh, record) == ["one", "two", "three"])
    answered(page)
    assert page.locator(".notice").count() == 0
    assert notes_of(fresh, record) == ["one", "two", "three"]


def test_a_change_whose_answer_the_page_did_not_hear_is_neither_told_nor_made_twice(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = record_with(fresh, TEXT)
    page = open_page(fresh, f"/record/{record}/sleeve", allow=("409",))
    answered(page)
    with page.expect_response(
        lambda answer: answer.url.endswith("/history")
    ):  # the page looks what came of it
        asked(page, record, "mine", then=lambda route: route.fetch())
    answered(page)
    assert page.locator(".notice").count() == 0
    assert notes_of(fresh, record) == ["mine"]
    page.reload()
    answered(page)
    assert notes_of(fresh, record) == ["mine"]


@pytest.mark.parametrize("theirs", ["", "theirs"])
def test_what_was_not_answered_is_made_by_itself_once_the_service_is_back(
    fresh: RunningServer, open_page: Callable[..., Any], theirs: str
) -> None:
    """In its order; where somebody else changed the record meanwhile, that is told and nothing is overwritten."""
    record = record_with(fresh, TEXT)
    page = open_page(fresh, None, allow=("ERR_FAILED", "409"))
    evening = Evening(page, fresh)
    page.goto(f"http://{fresh.host}/record/{record}/sleeve")
    answered(page)
    tried: list[Any] = []

    def away(route: Any) -> None:
        tried.append(route)
        route.abort()

    page.route("**/edits", away)
    page.evaluate(ASK, [record, ["one", "two"]])
    until(page, lambda: len(tried) == 2)
    notice = page.get_by_text("The note was not kept yet")
    notice.wait_for()
    if theirs:
        fresh.ask("POST", f"/api/records/{record}/edits", {"edit": {"kind": "notes", "text": theirs}})
    page.unroute("**/edits")
    page.wait_for_timeout(500)  # the second has been told as well
    evening.tell({"kind": "hello", "seq": 0, "state": fresh.get("/api/state")})
    if theirs:
        page.get_by_text("The note was not made; what you see now is the newest.").wait_for()
        notice.wait_for()  # what came after it is asked about
        assert notes_of(fresh, record) == [theirs]
    else:
        until(page, lambda: notes_of(fresh, record) == ["one", "two"])
        answered(page)
        assert page.locator(".notice").count() == 0


def test_a_list_pasted_the_moment_the_shelf_is_seen_is_not_lost(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    page = open_page(fresh, None)
    page.add_init_script(
        f"""new MutationObserver((_, watch) => {{
          if (!document.querySelector(".at-shelf h1")) return;
          watch.disconnect();
          const data = new DataTransfer();
          data.setData("text/plain", {TEXT!r});
          document.body.dispatchEvent(new ClipboardEvent("paste", {{ clipboardData: data, bubbles: true, cancelable: true }}));
        }}).observe(document, {{ childList: true, subtree: true }});"""
    )
    page.goto(f"http://{fresh.host}/")
    page.get_by_text("One track on side A").wait_for()


def test_two_records_pressed_one_after_the_other_are_both_on_the_pile(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    both = {record_with(fresh, TEXT), record_with(fresh, OTHER)}
    page = open_page(fresh, "/")
    page.get_by_role("button", name="play tonight").nth(1).wait_for()
    answered(page)
    page.evaluate("document.querySelectorAll('.stack li > button').forEach((each) => each.click())")
    until(page, lambda: set(fresh.get("/api/pile")["pile"]) == both)
    answered(page)
    # News of the first press may come after the answer to the second; those of the second come after them.
    page.wait_for_function("() => document.querySelectorAll('.tonight li').length === 2")


def test_what_is_found_is_what_was_typed_last(fresh: RunningServer, open_page: Callable[..., Any]) -> None:
    record_with(fresh, TEXT)
    record_with(fresh, OTHER)
    page = open_page(fresh, "/")
    page.locator(".stack li").nth(1).wait_for()
    late: list[Any] = []
    page.route("**/api/records?words=Salt", lambda route: late.append((route, route.fetch())))
    find = page.get_by_label("Find")
    find.fill("Salt")
    until(page, lambda: late)
    find.fill("Wicker")
    page.get_by_text("1 record found").or_(page.get_by_text("one record found")).wait_for(state="attached")
    with page.expect_response("**/api/records?words=Salt"):
        late[0][0].fulfill(response=late[0][1])
    answered(page)
    assert page.locator(".stack li").count() == 1
    assert page.locator(".stack li").inner_text().find("Tallow Wharf Almanac") >= 0


def test_an_older_answer_about_the_bin_that_comes_last_is_not_believed(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = record_with(fresh, TEXT)
    fresh.ask("DELETE", f"/api/records/{record}")
    before = fresh.get("/api/bin")
    page = open_page(fresh, None)
    late: list[Any] = []
    page.route("**/api/bin", lambda route: route.continue_() if late else late.append(route))
    page.goto(f"http://{fresh.host}/")
    binned = page.get_by_text("In the bin: one record")
    until(page, lambda: late)
    binned.wait_for()
    fresh.ask("POST", f"/api/records/{record}/restore")
    binned.wait_for(state="detached")
    with page.expect_response(lambda answer: answer.url.endswith("/api/bin")) as older:
        late[0].fulfill(json=before)
    older.value.finished()
    answered(page)
    assert binned.count() == 0


def test_writing_is_asked_for_once_however_often_it_is_pressed(
    server: RunningServer, open_page: Callable[..., Any]
) -> None:
    (record,) = server.get("/api/records")["records"]
    page = open_page(server, f"/record/{record['id']}/copies", allow=("409",))
    held: list[Any] = []
    page.route(
        "**/copies", lambda route: held.append(route) if route.request.method == "POST" else route.continue_()
    )
    write = page.get_by_role("button", name="Write these two kinds")
    write.and_(page.locator(":enabled")).wait_for()
    write.evaluate("button => { button.click(); button.click(); }")
    until(page, lambda: held)
    write.evaluate("button => button.click()")
    held[0].fulfill(status=409, json={"error": {"code": "no-room", "facts": {}, "text": "the disk is full"}})
    page.get_by_text("he disk is full").wait_for()
    answered(page)
    assert len(held) == 1
