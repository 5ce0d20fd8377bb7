"""The shelf by eye: spines of records without a picture, names in their own direction, and a disk that is gone."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from sidekeep.units import NARROW_SPACE, count, whole_number
from tests.web.browser.stand_in import Evening
from tests.web.browser.waiting import answered
from tests.web.conftest import RunningServer

BOX = "The Wicker Boats - Ten Discs (1999)\n" + "".join(
    f"Disc {disc}\nSide A\nOil {disc} 1:00\nSide B\nTar {disc} 1:00\n" for disc in range(1, 11)
)
SHELF = (
    BOX,
    "The Wicker Boats - Tallow Wharf (1971)\nA1 Lamp Oil 3:45\n",
    "Ottilie Fenn - Tin Lantern (1931)\nA1 Tin Lantern 3:10\n",
    "להקת הסירות - שמן (ABC) 12\nA1 שמן 3:00\n",
)


def test_spines_without_pictures(fresh: RunningServer, open_page: Callable[..., Any]) -> None:
    for text in SHELF:
        fresh.ask("POST", "/api/records", {"text": text})
    page = open_page(fresh, None)
    page.set_viewport_size({"width": 320, "height": 640})
    page.goto(f"http://{fresh.host}/")
    page.get_by_text("Four records on your shelf").wait_for()
    spines = {
        name: page.locator(".spine", has_text=name) for name in ("Ten Discs", "Tallow", "Tin Lantern", "ABC")
    }
    heights = {name: spine.bounding_box()["height"] for name, spine in spines.items()}
    assert heights["Ten Discs"] < 2 * heights["Tallow"]  # its words stood letter under letter
    colours = {
        name: spine.evaluate("spine => getComputedStyle(spine).getPropertyValue('--colour')")
        for name, spine in spines.items()
    }
    assert len(set(colours.values())) == len(SHELF)

    def hue(name: str) -> list[float]:
        """What stays of a colour when it is made darker or lighter."""
        levels = [int(colours[name].strip().lstrip("#")[at : at + 2], 16) for at in (0, 2, 4)]
        return [round(level / sum(levels), 1) for level in levels]

    assert hue("Ten Discs") == hue("Tallow")  # one artist, one cloth
    # The Hebrew title is read from the right: its first letter stands right of the Latin ones in it.
    first, latin = (
        spines["ABC"]
        .locator("cite")
        .evaluate(
            """cite => ["ש", "ABC"].map(word => {
            const range = document.createRange(), at = cite.firstChild.textContent.indexOf(word);
            range.setStart(cite.firstChild, at); range.setEnd(cite.firstChild, at + 1);
            return range.getBoundingClientRect().left;
        })"""
        )
    )
    assert first > latin


def test_a_page_says_that_the_disk_of_the_shelf_is_gone(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = fresh.ask("POST", "/api/records", {"text": SHELF[1]}).json()["id"]
    assert fresh.get("/api/records")["records"]
    shelf = fresh.house.shelf
    away = shelf.rename(shelf.with_name("away"))
    page = open_page(fresh, None, allow=("409",))
    for place in ("sleeve", "side/A", "copies"):
        page.goto(f"http://{fresh.host}/record/{record}/{place}")
        page.get_by_role("heading", level=1, name="The shelf is not there.").wait_for()
        page.get_by_text("its disk may be unplugged").wait_for()
    page.goto(f"http://{fresh.host}/")
    page.get_by_text("This page looks for it by itself.").wait_for()
    page.get_by_role("link", name="Turntable").click()  # nothing is loaded anew: what the page knows stays
    page.get_by_role("link", name="Shelf").click()
    away.rename(shelf)
    page.get_by_text("This page looks for it by itself.").wait_for(state="detached")
    page.locator(".spine").first.wait_for()
    page.locator(".spine").first.click()
    page.get_by_role("link", name="Copies").click()
    page.get_by_role("heading", level=1, name="Nothing is taken yet.").wait_for()
    answered(page)
    shelf.rename(away)
    page.get_by_role("link", name="Shelf", exact=True).click()
    page.get_by_text("its disk may be unplugged").wait_for()
    page.locator(".spine").first.wait_for()  # what was there is shown on
    away.rename(shelf)
    page.get_by_text("This page looks for it by itself.").wait_for(state="detached")


def test_a_page_says_that_another_version_of_the_service_answers(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    page = open_page(fresh, None)
    evening = Evening(page, fresh)
    page.goto(f"http://{fresh.host}/")
    page.get_by_role("heading", name="Your shelf is empty").wait_for()
    state = fresh.get("/api/state")
    evening.tell({"kind": "hello", "seq": 0, "state": state})
    assert page.get_by_text("Another version").count() == 0
    evening.tell({"kind": "hello", "seq": 0, "state": {**state, "version": "99.0"}})
    page.get_by_text("Another version of sidekeep answers now.").wait_for()
    with page.expect_navigation():
        page.get_by_role("button", name="Load it again").click()


def test_a_record_with_many_sides_keeps_its_name_in_a_narrow_window_and_with_large_letters(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    sides = "".join(f"Side {letter}\n{letter}1 Rain {letter} 3:00\n" for letter in "ABCDEF")
    fresh.ask("POST", "/api/records", {"text": f"Six Fathom Choir - Six Sides of Rain (1972)\n{sides}"})
    page = open_page(fresh, "/", viewport={"width": 768, "height": 1024})
    for size in ("100%", "200%"):
        page.evaluate("size => { document.documentElement.style.fontSize = size; }", size)
        name = page.locator(".spine-name")
        cut = name.evaluate("name => name.scrollHeight - name.clientHeight")
        assert cut <= 1, size  # nothing of it is hidden
        assert page.locator(".spine cite").bounding_box()["width"] > 60, size
    page.set_viewport_size({"width": 320, "height": 568})
    page.evaluate("() => { document.documentElement.style.fontSize = ''; }")
    assert page.locator(".spine-next").bounding_box()["width"] > 90  # its words are not broken into letters


def test_the_shelf_is_read_once_at_the_start_unless_something_was_told_meanwhile(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """Reading a large shelf takes a second: it was asked for before the first news came, and once more when they did."""
    fresh.ask("POST", "/api/records", {"text": SHELF[1]})
    page = open_page(fresh, None)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.goto(f"http://{fresh.host}/")
    page.get_by_text("Kept in").wait_for()  # the first news are there
    page.locator(".spine").first.wait_for()
    answered(page)
    assert len([url for url in asked if url.endswith("/api/records")]) == 1

    def older(route: Any) -> None:
        """As it was read before the last thing that was told."""
        route.fulfill(json={"records": [], "seq": fresh.get("/api/state")["seq"] - 1})

    page.route("**/api/records", older, times=1)
    page.reload()
    page.locator(".spine").first.wait_for()


def test_numbers_are_written_alike_by_the_page_and_by_every_sentence(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """Digits in threes with a space between (ISO 80000-1, 7.3.1)."""
    page = open_page(fresh, "/")
    for number in (0, 12, 999, 1000, 2210, 12_345, 1_234_567):
        on_page = page.evaluate("n => import('/page/words.js').then(words => words.whole(n))", number)
        assert on_page == whole_number(number) == f"{number:_}".replace("_", NARROW_SPACE)
        assert count(number, "place") == f"{on_page} places"
