"""Every place by eye of a machine: no errors, nothing against WCAG 2.2 AA that axe-core can find, at desk and phone size.

axe-core runs in the page's own world through the debugger, which the policy of the page does not bind.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from tests.web.browser.waiting import answered, drawn, side_is_ready
from tests.web.conftest import RunningServer

PLACES = {
    "shelf": "/",
    "new": "/new",
    "sleeve": "/record/{id}/sleeve",
    "side": "/record/{id}/side/A",
    "close": "/record/{id}/side/A#t=8&from=8&to=8.05",
    "copies": "/record/{id}/copies",
    "turntable": "/record/{id}/turntable",
    "set-up": "/turntable",
    "phone": "/phone",
    "nowhere": "/no/such/place",
}
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
OF_COLOUR = ["color-contrast", "link-in-text-block"]
"""What can be otherwise in the dark: its sheet of styles says other colours and nothing else."""
PHONE = {"width": 320, "height": 640}
NOT_YET = ("404", "Failed to load resource")


def record_id(server: RunningServer) -> str:
    return str(server.get("/api/records")["records"][0]["id"])


def violations(page: Any, axe_script: str, only: list[str] = RULES) -> list[str]:
    """What axe-core finds, by the rules of these tags or these names; of what is right it keeps no account, which would take longer than the search."""
    if not page.evaluate("() => 'axe' in window"):
        page.evaluate(axe_script)
    return page.evaluate(
        """async (rules) => {
          const found = await axe.run(document, { runOnly: rules, resultTypes: ["violations"] });
          return found.violations.flatMap((each) =>
            each.nodes.map((node) => `${each.id}: ${node.target} ${node.failureSummary.slice(0, 200)}`));
        }""",
        only,
    )


def assert_fits(page: Any) -> None:
    needed, there = page.evaluate(
        "(({ scrollWidth, clientWidth }) => [scrollWidth, clientWidth])(document.documentElement)"
    )
    assert needed <= there <= PHONE["width"]


def settled(page: Any) -> None:
    page.wait_for_selector("main h1, main .disc-view, main .stage")
    answered(page)


@pytest.mark.parametrize("place", PLACES)
def test_places_are_accessible_in_light_and_dark_and_as_narrow_as_a_phone(
    server: RunningServer, open_page: Callable[..., Any], axe_script: str, place: str
) -> None:
    """At 320 pixels nothing scrolls sideways: WCAG 2.2, 1.4.10 (AA); a page of 1280 pixels at 400 % is as narrow."""
    path = PLACES[place].format(id=record_id(server))
    page = open_page(server, path, allow=NOT_YET)
    settled(page)
    assert violations(page, axe_script) == []
    page.emulate_media(color_scheme="dark")
    assert violations(page, axe_script, OF_COLOUR) == []
    page.emulate_media(color_scheme="light")
    page.set_viewport_size(PHONE)
    answered(page)
    assert_fits(page)
    assert violations(page, axe_script) == []


@pytest.mark.parametrize("place", ["side", "turntable"])
def test_places_fit_a_phone_from_the_first(
    server: RunningServer, open_page: Callable[..., Any], axe_script: str, place: str
) -> None:
    """Two that look at the width they are drawn in, opened where they are touched and were never wider."""
    path = PLACES[place].format(id=record_id(server))
    page = open_page(server, path, allow=NOT_YET, viewport=PHONE, has_touch=True, is_mobile=True)
    settled(page)
    assert_fits(page)
    assert violations(page, axe_script) == []


@pytest.mark.parametrize("place", ["shelf", "new", "sleeve", "side", "copies", "turntable"])
def test_text_twice_as_large_fits_a_phone(
    server: RunningServer, open_page: Callable[..., Any], place: str
) -> None:
    """WCAG 2.2, 1.4.4 (AA): a person who reads at 200 % loses nothing at the side of a phone."""
    path = PLACES[place].format(id=record_id(server))
    page = open_page(server, path, allow=NOT_YET, viewport={"width": 360, "height": 780})
    settled(page)
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    drawn(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 360


def test_text_twice_as_large_fits_a_laptop(server: RunningServer, open_page: Callable[..., Any]) -> None:
    """The tracks beside the disc stood out of the page."""
    path = PLACES["side"].format(id=record_id(server))
    page = open_page(server, path, viewport={"width": 1024, "height": 657})
    side_is_ready(page)
    page.evaluate("document.documentElement.style.fontSize = '200%'")
    drawn(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 1024


def test_the_check_sees_a_fault(
    server: RunningServer, open_page: Callable[..., Any], axe_script: str
) -> None:
    page = open_page(server, "/")
    settled(page)
    page.evaluate("document.querySelector('main').append(document.createElement('button'))")
    assert [fault.split(":")[0] for fault in violations(page, axe_script)] == ["button-name"]
    page.emulate_media(color_scheme="dark")
    assert violations(page, axe_script, OF_COLOUR) == []
    page.evaluate("document.querySelector('main h1').style.color = '#625c53'")  # dark on light it may be
    assert [fault.split(":")[0] for fault in violations(page, axe_script, OF_COLOUR)] == ["color-contrast"]


def test_back_reload_and_a_copied_address_lead_to_the_same_place(
    server: RunningServer, open_page: Callable[..., Any]
) -> None:
    page = open_page(server, "/", allow=NOT_YET)
    page.get_by_role("link", name="Small Hours").click()
    page.get_by_role("link", name="Side B").first.click()
    side_is_ready(page)
    assert page.url.split("#")[0].endswith("/side/B")
    assert (
        page.title() == "Side B – Small Hours – sidekeep"
    )  # WCAG 2.2, 2.4.2: of two tabs each says where it is
    page.get_by_role("button", name="Closer +").click()
    page.wait_for_url(lambda url: "from=" in url)
    there = page.url
    page.reload()
    side_is_ready(page)
    page.wait_for_timeout(
        400
    )  # longer than the page takes to write its place into the address: it writes the same
    assert page.url == there
    page.go_back()
    page.get_by_role("heading", level=1, name="Side B").wait_for(state="detached")
    page.get_by_role("heading", level=1).wait_for()


@pytest.mark.parametrize(
    ("address", "words"),
    [("//", "on your shelf"), ("//side", "nothing at this address"), ("/%F0%9F", "nothing at this address"), ("/record/nope/side/A", "not on the shelf"),
     ("/record/{id}/side/A#t=99999&from=9&to=-3", "Side A"), ("/record/{id}/side/Q", "Side")],
)  # fmt: skip
def test_an_address_that_was_mistyped_leads_to_words_and_no_fault(
    server: RunningServer, open_page: Callable[..., Any], address: str, words: str
) -> None:
    page = open_page(server, address.format(id=record_id(server)), allow=NOT_YET)
    page.get_by_role("heading", level=1, name=words).first.wait_for()
    answered(page)


def test_all_script_together_is_small(server: RunningServer) -> None:
    """The goal is 150 kB compressed for every script of every place."""
    from sidekeep.web.files import PAGE

    total = 0
    for path in PAGE.rglob("*.js"):
        answer = server.ask(
            "GET", f"/page/{path.relative_to(PAGE).as_posix()}", headers={"Accept-Encoding": "gzip"}
        )
        assert answer.status == 200
        total += len(answer.body)
    assert 10_000 < total < 150_000


def imported(page: Path, *names: str) -> set[str]:
    """The modules that come with these, by what they import outright."""
    found: set[str] = set()
    wanted = list(names)
    while wanted:
        name = wanted.pop()
        if name in found:
            continue
        found.add(name)
        for path in re.findall(
            r'^(?:import|export) [^;]*?from "([^"]+)"', (page / name).read_text("utf-8"), re.M | re.S
        ):
            wanted.append(
                (page / name).parent.joinpath(path).resolve().relative_to(page.resolve()).as_posix()
            )
    return found  # fmt: skip


@pytest.mark.parametrize(
    ("address", "module"),
    [("/", "shelf"), ("/new", "sleeve"), ("/turntable", "turntable"), ("/phone", "phone"), ("/nowhere/at/all", "shelf"), ("/record/x", "sleeve"),
     *((f"/record/x/{place}", place) for place in ("sleeve", "turntable", "side", "copies", "later")), ("/record/x/side/A", "side")],
)  # fmt: skip
def test_the_modules_of_a_place_are_named_up_front_and_no_others(
    server: RunningServer, address: str, module: str
) -> None:
    """None waits for another to be read, and what the first picture does not need comes afterwards."""
    from sidekeep.web.files import PAGE

    page = server.ask("GET", address).body.decode()
    told = set(re.findall(r'(?:href|src)="/page/([^"]+\.js)"', page))
    assert told == imported(PAGE, "early.js", "page.js", f"places/{module}.js")


def test_every_module_belongs_to_a_place() -> None:
    from sidekeep.web.files import PAGE

    places = [f"places/{path.name}" for path in (PAGE / "places").glob("*.js")]
    names = {path.relative_to(PAGE).as_posix() for path in PAGE.rglob("*.js")}
    assert imported(PAGE, "early.js", "page.js", *places) == names
