"""The Turntable by hand: what is pressed says which take it means, and its choices are remembered."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from sidekeep.errors import DeviceError
from tests.small_record import SLEEVE
from tests.web.browser.stand_in import Evening, session_of, with_input
from tests.web.browser.waiting import answered, settled_box, until
from tests.web.conftest import RunningServer, record_of


def planned(server: RunningServer) -> str:
    return str(server.ask("POST", "/api/records", {"text": SLEEVE}).json()["id"])


def test_what_is_pressed_names_the_take_that_was_seen(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = planned(fresh)
    page = open_page(fresh, None, allow=("409",))
    at_work = session_of(record, phase="recording", take="takes/A-1")
    evening = Evening(page, fresh, session=at_work)
    with_input(page)
    sent: list[Any] = []

    def answer(route: Any) -> None:
        sent.append(route.request.post_data_json)
        text = "side B has begun in the meantime"
        error = {"code": "another-take", "facts": {}, "text": text}
        route.fulfill(status=409, json={"error": error})

    page.route("**/api/session/act", answer)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")

    def press(name: str) -> None:
        """One press after the other: each is answered before the next, as the hand waits for what it sees."""
        with page.expect_response("**/api/session/act"):
            page.get_by_role("button", name=name).click()
        answered(page)

    press("Throw it away")
    page.get_by_text("ide B has begun in the meantime").first.wait_for()
    false_start = {"code": "false-start", "side": "A", "facts": {"reason": "discard"}, "severity": "note"}
    evening.tell({"kind": "session", "session": session_of(record, news=[false_start])})
    press("What was put aside was the side: keep it")
    press("Side B first")
    flip = session_of(record, phase="flip", side="B", taken=["A"], turned=True)
    evening.tell({"kind": "session", "session": flip})
    press("It was side B")
    press("Stop for tonight")
    assert sent == [
        {"do": "discard", "record": record, "take": "takes/A-1"},
        {"do": "keep", "record": record, "take": ""},
        {"do": "first", "record": record, "take": "", "side": "B"},
        {"do": "side-is", "record": record, "take": "", "side": "B"},
        {"do": "stop", "record": record},
    ]
    kept = {"code": "kept", "side": "A", "facts": {"length_s": 90.0}, "severity": "note"}
    evening.tell({"kind": "session", "session": session_of(record, news=[false_start, kept])})
    page.get_by_role("button", name="keep it").wait_for(state="detached")


def test_what_is_to_be_done_is_in_sight_on_a_small_laptop(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """1366 by 768 pixels less the bars of the browser: the buttons lay below them."""
    record = planned(fresh)
    page = open_page(fresh, None, viewport={"width": 1366, "height": 657})
    Evening(page, fresh, session=session_of(record, phase="flip", side="B", taken=["A"]))
    with_input(page)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")
    stop = settled_box(page.get_by_role("button", name="Stop for tonight"))
    assert page.evaluate("scrollY") == 0
    assert stop["y"] + stop["height"] <= 657


def test_sound_lost_at_several_places_is_told_once(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """A machine that slept loses some at once: the same sentence stood there three times."""
    record = planned(fresh)
    page = open_page(fresh, None)
    loss = {"code": "loss", "side": "A", "take": "takes/A-1", "severity": "act"}
    news = [
        {**loss, "facts": {"lost_s": 10.7}},
        {**loss, "facts": {"lost_s": 0.05}},
        {"code": "still", "side": "A", "take": "takes/A-1", "severity": "note", "facts": {}},
        {**loss, "facts": {"lost_s": 5.6}},
        {**loss, "take": "takes/B-1", "side": "B", "facts": {"lost_s": 0.3}},
    ]
    Evening(page, fresh, session=session_of(record, phase="flip", side="B", news=news))
    with_input(page)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")
    lost = page.get_by_label("What has happened").get_by_text("of sound was lost")
    page.get_by_text("Sound was lost at 3 places, 16.35 s in all.").wait_for()
    assert lost.count() == 1  # that of the other take


def test_presses_in_a_row_come_as_they_were_made_and_a_double_one_once(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """Requests may overtake each other on their way, and a tired hand presses twice."""
    record = planned(fresh)
    page = open_page(fresh, None)
    Evening(page, fresh, session=session_of(record))
    with_input(page)
    sent: list[Any] = []
    held: list[Any] = []

    def answer(route: Any) -> None:
        sent.append(route.request.post_data_json["do"])
        if len(sent) == 1:
            held.append(route)
        else:
            route.fulfill(json={"session": None})

    page.route("**/api/session/act", answer)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")
    page.get_by_role("button", name="Side B first").wait_for()
    page.evaluate(
        """() => {
          const press = (name) => [...document.querySelectorAll(".stage-acts button")].find((each) => each.textContent === name).click();
          ["Side B first", "Side B first", "Begin now", "Stop for tonight", "Stop for tonight"].forEach(press);
        }"""
    )
    until(page, lambda: held)
    held[0].fulfill(json={"session": None})
    until(page, lambda: len(sent) >= 3)
    answered(page)
    assert sent == ["first", "begin", "stop"]


def test_an_input_that_goes_while_its_level_is_watched_is_told_and_comes_back_by_itself(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """Until it is back nothing of it is believed: the last reading stood there as if the chain were quiet."""
    page = open_page(fresh, None)
    evening = Evening(page, fresh)
    with_input(page)
    asked: list[Any] = []

    def answer(route: Any) -> None:
        asked.append(route.request.post_data_json)
        route.fulfill(json={"on": True})

    page.route("**/api/gauge", answer)
    page.goto(f"http://{fresh.host}/turntable")
    page.get_by_role("button", name="This is the input").click()
    reading = {"noise_dbfs": -71.0, "hum_hz": 0.0, "hum_dbfs": -120.0, "highest_dbfs": -70.0}
    meter = {"kind": "meter", "reading": reading, "recording": False, "aim_dbfs": [-12.0, -6.0]}
    until(page, lambda: asked)
    evening.tell(meter)
    quiet = page.get_by_text("The noise of the chain is")
    quiet.wait_for()
    text = "the sound input is gone: check its plug"
    evening.tell({"kind": "meter-ended", "code": "input-gone", "facts": {}, "text": text})
    page.get_by_text("No sound comes from Deck.").wait_for()
    notice = page.get_by_text("The sound input is gone")
    notice.wait_for()
    assert quiet.count() == 0
    assert page.get_by_role("button", name="It is quiet").is_disabled()
    before = len(asked)
    until(page, lambda: len(asked) > before)
    evening.tell({**meter, "reading": {**reading, "noise_dbfs": -120.0}})  # opened again, and silent
    page.wait_for_timeout(300)
    assert page.get_by_text("No sound comes from Deck.").count() == 1
    evening.tell(meter)
    quiet.wait_for()
    notice.wait_for(state="detached")
    assert page.get_by_role("button", name="It is quiet").is_enabled()


def test_which_input_is_listened_to_is_said_and_what_to_do_when_it_hears_nothing(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """With the wrong input the needle would be waited for without end."""
    record = planned(fresh)
    page = open_page(fresh, None)
    page.clock.install()
    evening = Evening(page, fresh, session=session_of(record), settings={"input_name": "Deck"})
    with_input(page)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")
    page.get_by_text("Listening to Deck.").wait_for()
    long = page.get_by_text("The needle is down and nothing happens?")
    assert long.count() == 0
    page.clock.fast_forward(61_000)
    long.wait_for()
    evening.tell({"kind": "session", "session": session_of(record, phase="recording", take="takes/A-1")})
    page.get_by_text("Listening to Deck.").wait_for(state="detached")


def test_who_begins_and_ends_by_press_is_not_told_that_it_goes_by_itself(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """The needle on the groove and nothing recorded, or the run-out all night: that is what walking away would come to."""
    record = planned(fresh)
    page = open_page(fresh, None)
    evening = Evening(page, fresh, session=session_of(record, by_needle=False))
    with_input(page)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")
    heading = page.get_by_role("heading", level=1)
    heading.filter(has_text="Press Begin now, then lower the needle on side A.").wait_for()
    page.get_by_text("Nothing begins by itself").wait_for()
    at_work = session_of(record, by_needle=False, phase="recording", take="takes/A-1")
    evening.tell({"kind": "session", "session": at_work})
    page.get_by_text("it does not end by itself").wait_for()
    assert page.get_by_text("You can walk away").count() == 0
    flip = session_of(record, by_needle=False, phase="flip", side="B", taken=["A"], turned=True)
    evening.tell({"kind": "session", "session": flip})
    heading.filter(has_text="Flip the record. Press Begin now, then lower the needle on side B.").wait_for()


def test_after_the_second_side_of_a_disc_the_next_disc_is_asked_for(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """A flip would bring the side that was just played before."""
    sides = "".join(f"Side {side}\n{side}1 Rope 3:0{at}\n" for at, side in enumerate("ABCD"))
    text = f"Marrow Lane - The Long Orchard (1975)\n{sides}"
    record = str(fresh.ask("POST", "/api/records", {"text": text}).json()["id"])
    page = open_page(fresh, None)
    at_work = session_of(record, sides=list("ABCD"), phase="flip", side="C", taken=["A", "B"], turned=False)
    evening = Evening(page, fresh, session=at_work)
    with_input(page)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")
    page.get_by_role("heading", level=1, name="The next disc. Lower the needle on side C.").wait_for()
    page.get_by_role("button", name="Side D first").wait_for()
    page.get_by_text("It was another side").click()
    names = ["It was side A", "It was side C", "It was side D"]
    assert page.get_by_role("button", name="It was side").all_inner_texts() == names
    evening.tell(
        {"kind": "session", "session": {**at_work, "side": "D", "taken": ["A", "B", "C"], "turned": True}}
    )
    page.get_by_role("heading", level=1, name="Flip the record. Lower the needle on side D.").wait_for()


def test_the_survey_can_wait_until_the_side_is_over_and_that_is_remembered(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = planned(fresh)
    page = open_page(fresh, None)
    with_input(page)
    page.route("**/api/session", lambda route: route.fulfill(json={"session": None}))
    for visit, expected in enumerate((True, False, False)):
        page.goto(f"http://{fresh.host}/record/{record}/turntable")
        box = page.get_by_label("Look for tracks and damage afterwards, not while the side plays")
        box.wait_for()
        if visit == 1:
            box.check()
        assert box.is_checked() is not expected
        with page.expect_request("**/api/session") as asked:
            page.get_by_role("button", name="I am ready").click()
        assert asked.value.post_data_json["survey"] is expected


def test_what_was_surveyed_while_the_line_was_lost_is_on_the_disc_once_it_is_back(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """As well as after a reload."""
    record = planned(fresh)
    page = open_page(fresh, None)
    track = {
        "code": "live-track",
        "side": "A",
        "at_frame": 9_600_000,
        "facts": {"track": 2, "title": "Second Sight"},
    }
    at_work = session_of(record, phase="recording", take="takes/A-1", elapsed_frames=9_600_000)
    evening = Evening(page, fresh, session=at_work, live=[])
    with_input(page)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")
    page.get_by_role("button", name="Throw it away").wait_for()
    state = {**fresh.get("/api/state"), "session": at_work, "live": [track]}
    evening.tell({"kind": "hello", "seq": 0, "state": state})
    page.locator(".live-track", has_text="Second Sight").wait_for()
    again = open_page(fresh, None)
    Evening(again, fresh, session=at_work, live=[track])
    with_input(again)
    again.goto(f"http://{fresh.host}/record/{record}/turntable")
    again.locator(".live-track", has_text="Second Sight").wait_for()


def test_a_needle_that_stuck_on_one_side_or_take_is_not_told_of_the_next(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = planned(fresh)
    page = open_page(fresh, None)
    text = "The needle has been stuck since 1:12 and plays one turn again and again."
    stuck = {"code": "live-needle", "side": "A", "at_frame": 6_912_000, "facts": {"text": text}}
    begun = {"code": "live-begun", "side": "A", "at_frame": 0, "facts": {"rate_hz": 96_000}}
    at_work = session_of(record, phase="recording", take="takes/A-1", elapsed_frames=6_920_000)
    evening = Evening(page, fresh, session=at_work, live=[begun, stuck])
    with_input(page)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")
    alert = page.get_by_role("alert").filter(has_text="stuck since 1:12")
    alert.wait_for()
    evening.tell({"kind": "live", "seq": 1, "events": [begun]})  # the same side, taken again
    alert.wait_for(state="detached")
    evening.tell({"kind": "live", "seq": 2, "events": [stuck]})
    alert.wait_for()
    flipped = {**at_work, "side": "B", "take": "takes/B-1", "elapsed_frames": 0, "taken": ["A"]}
    state = {**fresh.get("/api/state"), "session": flipped, "live": [begun, stuck]}
    evening.tell({"kind": "hello", "seq": 3, "state": state})
    alert.wait_for(state="detached")


@pytest.mark.parametrize("width", [1280, 360])
def test_while_the_needle_is_stuck_nobody_is_told_to_walk_away(
    fresh: RunningServer, open_page: Callable[..., Any], width: int
) -> None:
    record = planned(fresh)
    page = open_page(fresh, None, viewport={"width": width, "height": 740})
    at_work = session_of(record, phase="recording", take="takes/A-1", elapsed_frames=6_920_000)
    evening = Evening(page, fresh, session=at_work, live=[])
    with_input(page)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")
    heading, away = page.get_by_role("heading", level=1), page.get_by_text("walk away")
    away.wait_for()

    def told(goes_on: bool, text: str) -> None:
        facts = {"text": text, "goes_on": goes_on}
        events = [{"code": "live-needle", "side": "A", "at_frame": 6_912_000, "facts": facts}]
        evening.tell({"kind": "live", "seq": 1, "events": events})

    told(True, "The needle has been stuck since 1:12.")
    heading.filter(has_text="The needle is stuck on side A.").wait_for()
    away.wait_for(state="detached")
    box = page.get_by_text("Volume down. Then lift it").bounding_box()
    assert box is not None
    assert box["y"] + box["height"] < 740, "it is seen without scrolling"
    told(False, "The needle was stuck at 1:12.")
    away.wait_for()
    heading.filter(has_text="Side A is being recorded.").wait_for()


def test_the_turntable_of_a_second_page_is_that_of_the_record_which_lies_on_it(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    record = planned(fresh)
    page = open_page(fresh, None)
    Evening(page, fresh, session=session_of(record))
    with_input(page)
    page.goto(f"http://{fresh.host}/turntable")
    page.get_by_role("heading", level=1, name="Lower the needle on side A.").wait_for()
    assert page.url.endswith(f"/record/{record}/turntable")
    page.goto(f"http://{fresh.host}/")
    page.get_by_role("link", name="Turntable", exact=True).click()
    page.get_by_role("heading", level=1, name="Lower the needle on side A.").wait_for()
    page.go_back()  # the place in between is not one to come back to
    page.get_by_role("heading", level=1, name="on your shelf").wait_for()


def test_an_evening_that_was_stopped_before_its_last_side_is_not_done(
    own: RunningServer, open_page: Callable[..., Any]
) -> None:
    """The service was ended while the flip was waited for: what is missing is said, and goes on in one press."""
    known = record_of(own)
    known["sides"][1]["chosen_take"] = None
    record = known["id"]
    stopped = {"code": "stopped", "facts": {"reason": "signal"}, "severity": "note"}
    ended = session_of(record, phase="done", side="B", taken=["A"], news=[stopped])
    page = open_page(own, None)
    evening = Evening(page, own, session=None, last_session=ended)
    with_input(page)
    page.route(f"**/api/records/{record}", lambda route: route.fulfill(json=known))
    page.route("**/api/session", lambda route: route.fulfill(json={"session": None}))
    page.goto(f"http://{own.host}/record/{record}/turntable")
    page.get_by_role("heading", level=1, name="Stopped. Side B is not taken yet.").wait_for()
    with page.expect_request("**/api/session") as asked:
        page.get_by_role("button", name="Go on with side B").click()
    assert asked.value.post_data_json["sides"] == ["B"]
    done = {"code": "done", "facts": {}, "severity": "note"}
    evening.tell({"kind": "session", "session": {**ended, "taken": ["A", "B"], "news": [done]}})
    page.get_by_role("heading", level=1, name="Done. Volume down, then lift the needle.").wait_for()


def refusing(text: str) -> Callable[[], Any]:
    def list_inputs() -> Any:
        raise DeviceError("no-input", reason=text)

    return list_inputs


def test_why_there_is_no_input_is_told_in_the_words_of_what_is_missing(
    fresh: RunningServer, open_page: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    """As an answer, not as a failed request, which the browser's console would show as a fault of the page."""
    page = open_page(fresh, None)
    text = "recording is not available: the PortAudio library is missing"
    monkeypatch.setattr("sidekeep.service.house.turntable.level.list_inputs", refusing(text))
    page.goto(f"http://{fresh.host}/turntable")
    page.get_by_text(f"R{text[1:]}. Volume down before you touch a plug.").wait_for()
    assert page.get_by_role("link", name="Bring the files in").get_attribute("href") == "/new"
    with_input(page)
    page.get_by_role("button", name="Look again").click()
    page.get_by_text("Deck", exact=True).wait_for()
    page.get_by_text("PortAudio").wait_for(state="detached")


def test_while_the_connection_is_lost_nothing_is_said_to_be_so(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """sidekeep was killed, and the page went on saying that the side was being recorded and that one could walk away."""
    record = planned(fresh)
    page = open_page(fresh, None)
    at_work = session_of(record, phase="recording", take="takes/A-1", elapsed_frames=6_920_000)
    evening = Evening(page, fresh, session=at_work)
    with_input(page)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")
    heading = page.get_by_role("heading", level=1)
    heading.filter(has_text="Side A is being recorded.").wait_for()
    evening.lose()
    heading.filter(has_text="The connection is lost: side A was being recorded.").wait_for()
    assert page.get_by_text("walk away").count() == 0
    evening.come_back()
    heading.filter(has_text="Side A is being recorded.").wait_for()


def test_the_title_of_what_plays_is_the_one_the_sleeve_has_by_now(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """The survey behind the needle knows the sleeve as it was when the side began."""
    record = planned(fresh)
    page = open_page(fresh, None)
    facts = {"track": 2, "title": "Second Sight"}
    track = {"code": "live-track", "side": "A", "at_frame": 9_600_000, "facts": facts}
    at_work = session_of(record, phase="recording", take="takes/A-1", elapsed_frames=9_600_000)
    Evening(page, fresh, session=at_work, live=[track])
    with_input(page)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")
    page.locator(".live-track", has_text="Second Sight").wait_for()
    known = fresh.get(f"/api/records/{record}")
    text = known["sleeve_text"].replace("Second Sight", "Third Ear")
    sent = {"text": text, "revision": known["revision"]}
    assert fresh.ask("PUT", f"/api/records/{record}/sleeve", sent).status == 200
    page.reload()  # the stand-in's line tells nothing of records
    page.locator(".live-track", has_text="Third Ear").wait_for()


def test_what_sidekeep_did_not_see_the_end_of_is_told_and_kept_where_it_was_recorded(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """Killed in the middle of a side, and started anew: the turntable told of the evening before."""
    record = planned(fresh)
    page = open_page(fresh, None)
    news = [{"code": "broken-off", "side": "B", "facts": {"side": "B"}, "severity": "act"}]
    ended = session_of(record, phase="done", side="B", taken=["A"], news=news)
    left = [{"record": record, "artist": "", "title": "Small Hours", "side": "B"}]
    others = [{"record": "another", "artist": "", "title": "Another", "side": "A"}]
    page.route("**/api/interrupted", lambda route: route.fulfill(json={"takes": left + others}))
    Evening(page, fresh, session=None, last_session=ended)
    with_input(page)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")
    page.get_by_role("heading", level=1, name="Stopped. Side B is not taken yet.").wait_for()
    page.get_by_text("sidekeep was ended while side B was recorded").wait_for()
    page.get_by_text("One take was interrupted before it was closed: side B of Small Hours.").wait_for()

    def close(route: Any) -> None:
        left.clear()
        route.fulfill(json={"takes": [{"side": "B", "length_s": 70.0}], "left": []})

    page.route("**/api/interrupted/close", close)
    page.get_by_role("button", name="keep all that was recorded").click()
    page.get_by_text("Closed and kept: side B").wait_for()
    page.get_by_text("One take was interrupted").wait_for(state="detached")


def test_the_guide_says_by_how_much_the_level_is_off(
    fresh: RunningServer, open_page: Callable[..., Any]
) -> None:
    """The gauge knows it, and the page said "a little" of 14 dB."""
    page = open_page(fresh, None)
    evening = Evening(page, fresh)
    with_input(page)
    page.route("**/api/gauge", lambda route: route.fulfill(json={}))
    page.goto(f"http://{fresh.host}/turntable")
    page.get_by_role("button", name="This is the input").click()
    page.get_by_role("button", name="It is quiet").click()
    for code, fact, words in (
        ("turn-down", "turn_down_db", "Turn the input down by about 3"),
        ("turn-up", "turn_up_db", "Turn the input up by about 14"),
    ):
        advice = {"code": code, "facts": {"highest_dbfs": -20.0, fact: 3.0 if code == "turn-down" else 14.0}}
        reading = {"advice": advice, "highest_dbfs": -20.0, "peak_dbfs": [-20.0, -20.0]}
        heading = page.get_by_role("heading", level=1, name=words)

        def is_said(reading: Any = reading, heading: Any = heading) -> bool:
            """Readings come many times a second, and few of them are shown."""
            evening.tell({"kind": "meter", "reading": reading, "aim_dbfs": [-12, -6]})
            return bool(heading.count())

        until(page, is_said)


@pytest.mark.parametrize(("width", "height"), [(360, 740), (1366, 768)])
def test_what_is_being_done_how_long_and_how_to_end_it_are_in_sight_together(
    fresh: RunningServer, open_page: Callable[..., Any], width: int, height: int
) -> None:
    """On a phone time and level lay two screens below the sentence."""
    record = planned(fresh)
    page = open_page(fresh, None, viewport={"width": width, "height": height})
    at_work = session_of(record, phase="recording", take="takes/A-1", elapsed_frames=6_920_000)
    evening = Evening(page, fresh, session=at_work)
    with_input(page)
    page.goto(f"http://{fresh.host}/record/{record}/turntable")
    reading = {"peak_dbfs": [-14.0, -12.0], "highest_dbfs": -9.5, "clipped_frames": 0}
    until(
        page,
        lambda: (
            evening.tell({"kind": "meter", "reading": reading}) or page.get_by_text("of headroom").count()
        ),
    )
    for part in ("h1", ".live-time", ".live-level", ".live canvas", "button:has-text('End this side')"):
        box = page.locator(part).bounding_box()
        assert box is not None
        assert box["y"] >= 0, part
        assert box["y"] + box["height"] <= height, part
    page.get_by_role("link", name="Side A").get_by_text("recording").wait_for()
