"""What is typed survives a reload and a dead server; the page says so and heals."""

from __future__ import annotations

import io
import json
import os
import random
import socket
import subprocess
import sys
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from PIL import Image

from tests.web.browser.stand_in import Evening
from tests.web.browser.waiting import answered, until
from tests.web.conftest import RunningServer, record_of

TEXT = "The Wicker Boats - Tallow Wharf Almanac (1971)\n\nSide A\nA1 Lamp Oil 3:45\n\nSide B\nB1 Slack Water 5:02"


def paste(page: Any, text: str) -> None:
    """As a person pastes, without the system's clipboard."""
    page.evaluate(
        "text => { const data = new DataTransfer(); data.setData('text/plain', text); "
        "document.body.dispatchEvent(new ClipboardEvent('paste', {clipboardData: data, bubbles: true, cancelable: true})); }",
        text,
    )


def test_a_pasted_list_is_a_record_in_one_more_press(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    page = open_page(fresh, "/", allow=("404", "Failed to load"))
    page.get_by_role("heading", name="Your shelf is empty").wait_for()
    paste(page, TEXT)
    page.get_by_text("Two tracks on sides A and B").wait_for()
    page.get_by_role("button", name="Only keep it").click()
    page.wait_for_url("**/record/*/sleeve")
    (record,) = fresh.get("/api/records")["records"]
    assert record["title"] == "Tallow Wharf Almanac"
    page.get_by_role("link", name="Shelf").click()
    page.get_by_role("heading", name="One record on your shelf").wait_for()


def test_typing_survives_reload_and_leaving(fresh: RunningServer, open_page: Callable[..., Any]) -> None:
    page = open_page(fresh, "/new", allow=("404", "Failed to load"))
    page.get_by_label("Sleeve text").fill(TEXT)
    page.reload()
    assert page.get_by_label("Sleeve text").input_value() == TEXT
    page.get_by_role("link", name="Shelf").click()
    page.get_by_role("heading", level=1).filter(has_text="empty").wait_for()
    page.go_back()
    page.get_by_text("Two tracks on sides A and B").wait_for()
    assert page.get_by_label("Sleeve text").input_value() == TEXT


@pytest.mark.parametrize(
    ("names", "sides", "told"),
    [
        (["Tallow B.wav", "Tallow A.wav"], ["A", "B"], ""),
        (["Side B.wav"], ["B"], ""),
        (["both.wav"], ["AB"], ""),
        (
            ["1 Lamp Oil.wav", "2 Rope.wav", "3 Eel.wav"],
            ["", "", ""],
            "Nothing tells which side some of them are",
        ),
    ],
)
def test_recordings_that_are_brought_in_are_the_sides_their_names_say(
    fresh: RunningServer, open_page: Callable[..., Any], names: list[str], sides: list[str], told: str
) -> None:
    """A single recording of side B is not the whole record, and twelve tracks are not twelve takes of side B."""
    page = open_page(fresh, "/new")
    page.get_by_label("Sleeve text").fill(TEXT)
    page.get_by_text("Two tracks on sides A and B").wait_for()
    files = [{"name": name, "mimeType": "audio/wav", "buffer": b"RIFF"} for name in names]
    page.get_by_label("Choose the recordings").set_input_files(files)
    chosen = page.locator(".bring li select")
    until(page, lambda: chosen.count() == len(names))
    assert [each.input_value() for each in chosen.all()] == sides
    bring = page.get_by_role("button", name="Bring them in")
    assert bring.is_enabled() is any(sides)
    assert page.locator(".bring .finding").count() == bool(told)
    if told:
        page.get_by_text(told).wait_for()
        chosen.nth(0).select_option("A")
        chosen.nth(1).select_option("A")
        page.get_by_text("Side A is there twice").wait_for()
        assert bring.is_enabled()


def drop_files(page: Any, files: list[tuple[str, str, bytes]]) -> bool:
    """Files by name, kind and content are dropped on the middle of the page; whether it kept the browser from leaving for them."""
    return page.evaluate(
        """files => {
          const data = new DataTransfer();
          for (const [name, type, bytes] of files) data.items.add(new File([Uint8Array.from(bytes)], name, { type }));
          return ["dragover", "drop"].every(kind => !document.querySelector("main")
            .dispatchEvent(new DragEvent(kind, { bubbles: true, cancelable: true, dataTransfer: data })));
        }""",
        [[name, kind, list(content)] for name, kind, content in files],
    )


def test_what_is_dropped_anywhere_on_the_page_goes_where_it_belongs(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """A browser leaves the page for a recording that is dropped on it."""
    picture = io.BytesIO()
    Image.new("RGB", (400, 400), "#7ab0c4").save(picture, "JPEG")
    front = ("front.jpg", "image/jpeg", picture.getvalue())
    page = open_page(fresh, "/")
    page.get_by_role("heading", name="Your shelf is empty").wait_for()
    assert drop_files(page, [("Side B.wav", "audio/wav", b"RIFF"), front])
    page.get_by_role("heading", name="A new record").wait_for()
    chosen = page.locator(".bring li")
    until(page, lambda: chosen.count() == 1)
    page.get_by_text("One recording waits here, further down. The track list comes first").wait_for()
    bring = page.get_by_role("button", name="Bring the one recording in")
    assert bring.is_disabled()
    page.get_by_text("Type or paste the track list first").wait_for()  # the picture waits for it
    assert drop_files(
        page, [("list.txt", "text/plain", TEXT.encode()), ("cover.zip", "application/zip", b"PK")]
    )
    page.get_by_text("nor a track list: cover.zip.").wait_for()
    page.get_by_text("Two tracks on sides A and B").wait_for()
    assert bring.is_enabled()
    page.get_by_role("button", name="Only keep it").click()
    page.get_by_role("img", name="Front of the sleeve").wait_for()
    assert record_of(fresh)["has_cover"]
    assert chosen.locator("select").input_value() == "B"  # it is still there when the record is made
    page.get_by_role("link", name="Copies").click()
    page.get_by_role("heading", level=1, name="Nothing is taken yet.").wait_for()
    assert drop_files(page, [front])
    page.get_by_text("are dropped on the sleeve of their record").wait_for()


def test_recordings_of_a_new_record_are_brought_in_and_lead_to_its_side(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """The place of a new record is another one as soon as that is made: what was chosen was lost with it."""
    sound = io.BytesIO()
    soundfile.write(sound, np.random.default_rng(1).normal(0.0, 0.05, (44_100, 2)), 44_100, format="WAV")
    page = open_page(fresh, "/new")
    page.get_by_label("Sleeve text").fill(TEXT)
    page.get_by_text("Two tracks on sides A and B").wait_for()
    files = [{"name": "first.wav", "mimeType": "audio/wav", "buffer": sound.getvalue()}]
    page.get_by_label("Choose the recordings").set_input_files(files)
    page.locator(".bring li select").select_option("B")
    page.get_by_label("Played with the stylus").fill("Old faithful")
    page.get_by_role("button", name="Bring the one recording in").click()  # where the text is, in sight
    page.wait_for_url("**/side/B")  # the first that was brought in
    (take,) = record_of(fresh)["takes"]
    assert (take["side"], take["stylus"]) == ("B", "Old faithful")


def test_a_sleeve_text_that_was_changed_elsewhere_is_not_overwritten_unseen(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = fresh.ask("POST", "/api/records", {"text": TEXT}).json()["id"]
    page = open_page(fresh, f"/record/{record}/sleeve")
    field = page.get_by_label("Sleeve text")
    field.fill(TEXT + "\nB2 Ebb 3:00")
    other = TEXT.replace("Lamp Oil", "Whale Oil")
    fresh.ask("PUT", f"/api/records/{record}/sleeve", {"text": other})
    page.get_by_role("link", name="Side B").wait_for()

    def kept() -> str:
        return str(fresh.get(f"/api/records/{record}")["sleeve_text"])

    with page.expect_response(f"**/api/records/{record}"):
        page.reload()  # whatever has been heard of the other text by now, it is known after this
    page.get_by_role("button", name="Only keep it").click()
    page.get_by_text("The sleeve text was changed on another page since you began typing.").wait_for()
    assert (kept(), field.input_value()) == (other, TEXT + "\nB2 Ebb 3:00")
    with page.expect_response("**/sleeve"):
        page.get_by_role("button", name="Keep mine in its place").click()
    assert kept() == TEXT + "\nB2 Ebb 3:00"


def test_an_answer_that_was_overtaken_by_a_change_is_not_believed(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """The record is asked for, then changed; the older answer comes last. The next change is still made."""
    record = fresh.ask("POST", "/api/records", {"text": TEXT}).json()["id"]
    page = open_page(fresh, f"/record/{record}/sleeve")
    page.get_by_role("link", name="Side B").wait_for()
    answered(page)
    late: list[tuple[Any, Any]] = []

    def hold(route: Any) -> None:
        """The first answer waits, whatever is asked after it goes through."""
        late.append((route, route.fetch())) if not late else route.continue_()

    page.route(f"**/api/records/{record}", hold)
    page.evaluate("async id => { (await import('/page/store.js')).loadRecord(id); }", record)
    while not late:
        page.wait_for_timeout(20)

    def change(oil: str) -> Any:
        edit = {"kind": "sleeve", "text": TEXT.replace("Lamp Oil", oil)}
        return page.evaluate(
            "async ([id, edit]) => (await (await import('/page/changes.js')).makeEdit(id, edit))?.revision ?? null",
            [record, edit],
        )

    first = change("Whale Oil")
    assert first is not None
    with page.expect_response(f"**/api/records/{record}") as older:
        late[0][0].fulfill(response=late[0][1])
    older.value.finished()
    answered(page)
    assert change("Linseed Oil") == first + 1
    assert page.get_by_text("was changed on another page").count() == 0


def test_a_line_that_is_lost_without_a_word_is_told_and_comes_back(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """As a phone's that leaves the room while a side is recorded: nothing closes, nothing comes any more."""
    state = json.dumps({"kind": "hello", "seq": 0, "state": fresh.get("/api/state")})
    meter = json.dumps({"kind": "meter", "reading": None, "recording": True})
    lines: list[Any] = []

    def answer(line: Any) -> None:
        lines.append(line)
        line.send(state)

    page = open_page(fresh, None)
    page.clock.install()
    page.route_web_socket("**/api/events", answer)
    page.goto(f"http://{fresh.host}/")
    page.get_by_role("heading", name="Your shelf is empty").wait_for()
    told = "() => { window.told = []; new MutationObserver(() => document.querySelector('.away') && window.told.push(1)).observe(document.body, {childList: true, subtree: true}); }"
    page.evaluate(told)
    page.clock.pause_at(
        (page.evaluate("Date.now()") + 10_000) / 1000
    )  # from here on time passes by our word only
    assert len(lines) == 1
    lines[0].send(meter)
    page.clock.run_for(8_000)
    page.wait_for_function("() => window.told.length > 0")
    page.get_by_role("alert").wait_for(state="detached")
    assert len(lines) == 2
    page.clock.run_for(20_000)  # within the time that nothing need be said in
    assert len(lines) == 2


def test_what_changes_before_the_line_stands_is_shown(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """The shelf is read before the news can be heard: what happens between the two must not be missed."""
    lines: list[Any] = []
    page = open_page(fresh, None)
    page.route_web_socket("**/api/events", lambda line: lines.append(line))
    page.goto(f"http://{fresh.host}/")
    page.get_by_role("heading", name="Your shelf is empty").wait_for()
    fresh.ask("POST", "/api/records", {"text": TEXT})
    until(page, lambda: lines, "the page asks for the news")
    state = fresh.get("/api/state")
    lines[0].send(json.dumps({"kind": "hello", "seq": state["seq"], "state": state}))
    page.get_by_role("heading", name="One record on your shelf").wait_for()


def test_what_is_typed_into_a_field_that_has_just_appeared_is_remembered(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = fresh.ask("POST", "/api/records", {"text": TEXT}).json()["id"]
    page = open_page(fresh, None)
    page.add_init_script(
        """new MutationObserver((_, watch) => {
          const field = document.querySelector("#sleeve-text");
          if (!field) return;
          watch.disconnect();
          field.value += "\\nB2 Ebb 3:00";
          field.dispatchEvent(new InputEvent("input", { bubbles: true }));
        }).observe(document, { childList: true, subtree: true });"""
    )
    page.goto(f"http://{fresh.host}/record/{record}/sleeve")
    page.locator("button:enabled", has_text="Only keep it").wait_for()
    answered(page)
    assert (
        page.evaluate("id => localStorage.getItem(`sidekeep draft ${id}`)", record) == TEXT + "\nB2 Ebb 3:00"
    )


def test_script_in_a_title_is_only_text(fresh: RunningServer, open_page: Callable[..., Any]) -> None:
    fresh.ask(
        "POST",
        "/api/records",
        {
            "text": 'Nan <img src=x onerror="document.title=1"> - <script>1</script> (1979)\nSide A\nA1 <b>Salt</b> 2:00'
        },
    )
    page = open_page(fresh, "/")
    page.get_by_text("<script>1</script>").wait_for()
    assert page.locator("main img, main b").count() == 0


def test_two_pages_show_the_same(fresh: RunningServer, open_page: Callable[..., Any]) -> None:
    one = open_page(fresh, "/")
    two = open_page(fresh, "/new", allow=("404", "Failed to load"))
    one.get_by_role("heading", name="Your shelf is empty").wait_for()
    two.get_by_label("Sleeve text").fill(TEXT)
    two.get_by_role("button", name="Only keep it").click()
    one.get_by_text("Tallow Wharf Almanac").first.wait_for()


def free_port() -> int:
    """A port below those that systems give out by themselves: it stays free while its server is away."""
    for port in random.sample(range(20_000, 32_000), 100):
        with socket.socket() as made, suppress(OSError):
            made.bind(("127.0.0.1", port))
            return port
    raise AssertionError("no port is free")


def start_server(shelf: Path, port: int) -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [
            sys.executable,
            "-m",
            "sidekeep",
            "open",
            "--no-browser",
            "--port",
            str(port),
            "--shelf",
            str(shelf),
        ],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    )
    assert process.stdout is not None
    assert process.stdout.readline().strip() == f"http://127.0.0.1:{port}/"
    return process


def kill(process: subprocess.Popen[str]) -> None:
    process.kill()
    process.communicate(timeout=10)


class At:
    """Where a server is that this test may kill."""

    def __init__(self, port: int) -> None:
        self.host = f"127.0.0.1:{port}"


def test_a_killed_server_is_told_and_comes_back(tmp_path: Path, open_page: Callable[..., Any]) -> None:
    port = free_port()
    process = start_server(tmp_path / "shelf", port)
    try:
        page = open_page(At(port), "/", allow=("ERR_CONNECTION", "WebSocket", "Failed to load"))
        page.get_by_role("heading", name="Your shelf is empty").wait_for()
        page.get_by_role("link", name="Type it, or bring files").click()
        page.get_by_label("Sleeve text").fill(TEXT)
        page.get_by_text("Two tracks on sides A and B").wait_for()
        kill(process)
        page.get_by_role("alert").filter(has_text="connection to sidekeep is lost").wait_for()
        page.get_by_label("Sleeve text").press("End")
        page.get_by_role("button", name="Only keep it").click()
        page.get_by_text("sidekeep does not answer").wait_for()
        assert page.get_by_label("Sleeve text").input_value() == TEXT
        process = start_server(tmp_path / "shelf", port)
        page.get_by_role("alert").filter(has_text="connection to sidekeep is lost").wait_for(state="detached")
        page.get_by_text("sidekeep does not answer").wait_for(state="detached")  # it does
        page.get_by_role("button", name="Only keep it").click()
        page.wait_for_url("**/record/*/sleeve")
    finally:
        kill(process)


@pytest.mark.parametrize(
    ("before", "again"),
    [(False, "Look for them now"), (True, "Look once more")],
    ids=["never surveyed", "surveyed before"],
)
def test_a_survey_that_a_killed_server_left_undone_is_told_where_its_side_is(
    server: RunningServer, open_page: Callable[..., Any], take_a: str, before: bool, again: str
) -> None:
    (record,) = server.get("/api/records")["records"]
    page = open_page(server, None)
    text = "sidekeep was ended before this was done; ask for it again"
    job = {"id": "7", "kind": "survey", "record": record["id"], "state": "failed", "share": 0.4}
    Evening(page, server, jobs=[{**job, "error": {"code": "interrupted", "facts": {}, "text": text}}])
    if not before:
        view = {**server.get(f"/api/takes/{take_a}/view"), "surveyed": False, "envelope": None}
        page.route("**/view", lambda route: route.fulfill(json=view))
    page.goto(f"http://{server.host}/record/{record['id']}/side/A")
    page.get_by_role("alert").filter(has_text="Sidekeep was ended before this was done").wait_for()
    page.get_by_role("button", name=again).wait_for()


def test_what_is_typed_for_the_copies_is_there_after_the_way_back_and_a_reload(
    server: RunningServer, open_page: Callable[..., Any]
) -> None:
    (record,) = server.get("/api/records")["records"]
    page = open_page(server, f"/record/{record['id']}/copies")
    page.get_by_text("Titles, names and tags").click()
    line = page.locator("label", has_text="A line about stylus and chain").locator("input")
    line.fill("Line contact, rubber mat")
    page.get_by_role("link", name="Side A").click()
    page.get_by_role("heading", name="Side A").wait_for()
    page.go_back()
    page.get_by_text("Titles, names and tags: not as usual").wait_for()
    assert line.input_value() == "Line contact, rubber mat"
    page.reload()
    page.get_by_text("Titles, names and tags: not as usual").wait_for()
    assert line.input_value() == "Line contact, rubber mat"


@pytest.mark.parametrize("path", ["", "/view"])
def test_an_answer_that_did_not_come_is_asked_for_again_where_nothing_is_shown_yet(
    server: RunningServer, open_page: Callable[..., Any], path: str
) -> None:
    """A phone stood at "One moment" for good, or said that the record was not on the shelf: the line had broken off in the middle of the
    answer."""
    record = server.get("/api/records")["records"][0]["id"]
    page = open_page(server, None, allow=("Failed to load", "ERR_"))
    failed: list[str] = []

    def broken(route: Any) -> None:
        if len(failed) < 3:
            failed.append(route.request.url)
            return (
                route.abort() if len(failed) != 2 else route.fulfill(body='{"id": "half an ans', status=200)
            )
        return route.continue_()

    page.route(f"**/api/records/{record}" if not path else "**/view", broken)
    page.goto(f"http://{server.host}/record/{record}/side/A")
    page.get_by_role("heading", level=1, name="Side A").wait_for()
    page.locator(".tracks tbody tr").first.wait_for()
    assert len(failed) == 3
