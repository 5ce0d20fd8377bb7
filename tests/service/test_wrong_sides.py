"""An evening in which the person or the machine went wrong: it is told, and one key puts it right."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from sidekeep.cli.session.run import act_of_key
from sidekeep.cli.texts.news import news_text
from sidekeep.model.news import News
from sidekeep.service.house.turntable.session_view import SessionView
from sidekeep.service.recording.sides_due import SidesDue, is_turned_over
from sidekeep.service.recording.take_types import Act, TakeStatus
from sidekeep.shelf.shelf_take import ShelfTake
from tests.service.scripted_evening import RATE_HZ, SLEEVE, ScriptedEvening

A, B = ("side", 1, 100.0), ("side", 2, 60.0)
IDLE = ("idle", 20.0)
ONE_SIDE = SLEEVE.split("Side B")[0]


def length(take: ShelfTake) -> str:
    """Of the music; before it lie four seconds, and up to nine after it in case the needle comes down again."""
    return next(f"{music_s} s" for music_s in (100, 60) if 4.0 <= take.length_s - music_s <= 4.0 + 9.0 + 1.5)


class Person:
    """Presses a key, as the terminal understands it, the first time a code is told."""

    def __init__(self, sides: str = "AB", **keys: str) -> None:
        self._sides, self._keys = tuple(sides), {code.replace("_", "-"): key for code, key in keys.items()}
        self._heard: list[News] = []

    def __call__(self, news: News) -> Act | None:
        self._heard.append(news)
        key = self._keys.pop(news.code, "")
        return act_of_key(key, self._heard, self._sides) if key else None


def test_a_side_that_was_cut_short_goes_on_as_the_next_take(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps = [IDLE, ("side", 1, 55.0), ("lost",), ("side", 1, 45.0), IDLE, B, IDLE]
    evening = ScriptedEvening(tmp_path, steps).run(monkeypatch)
    # The input came back with the needle down: the rest is A-2, and B is still waited for.
    assert evening.folders == ["takes/A-1", "takes/A-2", "takes/B-1"]
    assert "goes-on(A)" in evening.codes
    assert not {"short(A)", "looks-like(A)", "false-start(A)"} & set(evening.codes)
    assert evening.codes[-1] == "done"
    first, second, _ = evening.folder.takes()
    assert [note.code for note in second.notes] == ["goes-on"]
    assert 0 < second.notes[0].at_frame <= RATE_HZ  # as the new take begins
    assert first.length_s + second.length_s >= 100.0


@pytest.mark.parametrize("printed", [True, False])
def test_a_side_whose_needle_was_lifted_for_a_moment_goes_on(
    printed: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The lever up for three seconds, and down again, in the middle: that is no flip."""
    steps = [IDLE, ("side", 1, 70.0), ("idle", 3.0), ("side", 3, 28.0), IDLE, B, IDLE]
    sleeve = SLEEVE if printed else SLEEVE.replace(" 1:40", "").replace(" 1:00", "")
    evening = ScriptedEvening(tmp_path, steps, sleeve=sleeve).run(monkeypatch)
    assert evening.folders == ["takes/A-1", "takes/B-1"]
    first, second = evening.folder.takes()
    assert (length(first), length(second)) == ("100 s", "60 s")
    assert [note.code for note in first.notes] == ["lowered-again"]
    assert first.notes[0].facts["lifted_s"] == 3.0
    assert first.notes[0].at_frame / RATE_HZ == pytest.approx(74.0)
    assert ("fits(A)" in evening.codes) == printed
    assert evening.codes[-1] == "done"


def test_a_fumbled_needle_does_not_go_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Set down, lifted and set down again within seconds: the first was a false start, however short the time between."""
    steps = [IDLE, ("side", 1, 12.0), ("idle", 3.0), A, IDLE, B, IDLE]
    evening = ScriptedEvening(tmp_path, steps).run(monkeypatch)
    assert [take.side for take in evening.folder.takes()] == ["A", "B"]
    assert len(evening.folder.binned()) == 1
    assert "lowered-again(A)" not in evening.codes


def test_a_needle_lifted_at_the_end_of_a_side_does_not_go_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """However quick the hand that turns the record over."""
    evening = ScriptedEvening(tmp_path, [IDLE, A, ("idle", 4.0), B, IDLE]).run(monkeypatch)
    assert evening.folders == ["takes/A-1", "takes/B-1"]
    assert "lowered-again(A)" not in evening.codes


def test_a_cut_side_is_taken_again_with_one_key(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steps = [IDLE, ("side", 1, 55.0), ("lost",), ("side", 1, 45.0), IDLE, A, IDLE, B, IDLE]
    evening = ScriptedEvening(tmp_path, steps, answer=Person(flip="a")).run(monkeypatch)
    assert evening.folders == ["takes/A-1", "takes/A-3", "takes/B-1"]
    assert [take.folder for take in evening.folder.binned()] == ["takes/.bin/A-2"]
    assert [take.folder for take in evening.folder.chosen_takes()] == ["takes/A-3", "takes/B-1"]


def test_b_played_first_is_noticed_and_put_right(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    evening = ScriptedEvening(tmp_path, [IDLE, B, IDLE, A, IDLE], answer=Person(looks_like="x")).run(
        monkeypatch
    )
    assert [(take.side, length(take)) for take in evening.folder.takes()] == [("A", "100 s"), ("B", "60 s")]
    assert evening.codes[-1] == "done"


def test_both_sides_swapped_are_put_right_by_one_key_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody looked at the screen before both were over: the last side is asked about before the evening ends."""
    evening = ScriptedEvening(tmp_path, [IDLE, B, IDLE, A, IDLE], answer=Person(answer="x"))
    evening.run(monkeypatch)
    assert {"looks-like(A)", "looks-like(B)", "side-is(A)", "side-is(B)"} <= set(evening.codes)
    assert [(take.side, length(take)) for take in evening.folder.takes()] == [("A", "100 s"), ("B", "60 s")]
    assert sorted(take.side for take in evening.takes) == ["A", "B"]
    assert evening.codes[-1] == "done"


def test_a_single_side_that_was_the_other_waits_for_its_key(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    evening = ScriptedEvening(tmp_path, [IDLE, B, IDLE, A, IDLE], sides="A", answer=Person("A", answer="x"))
    evening.run(monkeypatch)
    assert [(take.side, length(take)) for take in evening.folder.takes()] == [("A", "100 s"), ("B", "60 s")]
    assert evening.codes[-1] == "done"


def test_without_a_key_the_evening_ends_by_itself(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    evening = ScriptedEvening(tmp_path, [IDLE, A, IDLE, ("side", 1, 100.0), ("idle", 610.0)]).run(monkeypatch)
    assert evening.codes[-3:] == ["same-as(B)", "answer(B)", "done"]
    assert evening.folders == ["takes/A-1", "takes/B-1"]


def test_a_played_twice_is_noticed_and_b_taken_after_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    sleeve = SLEEVE.replace("1:40", "").replace("1:00", "")  # no times are printed
    evening = ScriptedEvening(
        tmp_path, [IDLE, A, IDLE, A, IDLE, B, IDLE], sleeve=sleeve, answer=Person(answer="a")
    )
    evening.run(monkeypatch)
    assert [(take.folder, length(take)) for take in evening.folder.takes()] == [
        ("takes/A-1", "100 s"),
        ("takes/B-2", "60 s"),
    ]
    assert [take.folder for take in evening.folder.binned()] == ["takes/.bin/B-1"]
    assert evening.codes[-1] == "done"


def test_a_side_whose_beginning_was_put_aside_is_not_taken_for_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The telephone: lifted before half of the side, and lowered again there a while later. The rest is as long as side B."""
    sleeve = SLEEVE.replace("1:40", "2:30").replace("1:00", "1:20")
    steps = [IDLE, ("side", 1, 70.0), ("idle", 60.0), ("side", 3, 80.0), IDLE]
    evening = ScriptedEvening(tmp_path, steps, sides="A", sleeve=sleeve).run(monkeypatch)
    assert evening.folders == ["takes/A-2"]
    assert [take.folder for take in evening.folder.binned()] == ["takes/.bin/A-1"]
    (parted,) = [news for news in evening.news if news.code == "beginning-aside"]
    assert (parted.facts["aside"], parted.facts["aside_s"]) == ("A-1", 70.0)
    assert "looks-like(A)" not in evening.codes
    (take,) = evening.folder.takes()
    assert [note.code for note in take.notes] == ["beginning-aside"]


@pytest.mark.parametrize("again_s", [150.0, 30.0])
def test_a_side_that_is_whole_or_a_tiny_rest_is_not_beginning_aside(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, again_s: float
) -> None:
    sleeve = SLEEVE.replace("1:40", "2:30").replace("1:00", "1:20")
    steps = [IDLE, ("side", 1, 70.0), ("idle", 60.0), ("side", 3, again_s), ("idle", 30.0)]
    evening = ScriptedEvening(tmp_path, steps, sides="A", sleeve=sleeve).run(monkeypatch)
    assert "false-start(A)" in evening.codes
    assert "beginning-aside(A)" not in evening.codes


class Watched(ScriptedEvening):
    """``views`` is what a page was told of the sides taken so far, whenever that changed."""

    def __init__(self, *given: Any, **more: Any) -> None:
        self.view = SessionView(record="it", sides=("A", "B"), then_copies=())
        self.views: list[list[str]] = []
        super().__init__(*given, **more)

    def _tell(self, status: TakeStatus) -> None:
        self.view.phase, self.view.side, self.view.take = status.phase, status.side, status.take
        for news in status.news:
            self.view.hear(news)
        if self.views[-1:] != [self.view.view()["taken"]]:
            self.views.append(list(self.view.taken))
        super()._tell(status)


def test_a_page_is_told_which_sides_are_taken_once_they_are_named_right(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What it offers to take again, or to play first, goes by that."""
    evening = Watched(tmp_path / "1", [IDLE, B, IDLE, A, IDLE], answer=Person(looks_like="x"))
    evening.run(monkeypatch)
    assert evening.views == [[], ["A"], ["B"], ["B", "A"]]
    evening = Watched(tmp_path / "2", [IDLE, A, IDLE, A, IDLE, B, IDLE], answer=Person(flip="a"))
    evening.run(monkeypatch)
    assert evening.views == [[], ["A"], [], ["A"], ["A", "B"]]
    swapped = Watched(tmp_path / "3", [IDLE, B, IDLE, A, IDLE], answer=Person(answer="x"))
    swapped.run(monkeypatch)
    assert sorted(swapped.views[-1]) == ["A", "B"]
    fumbled = ("side", 1, 20.0)
    evening = Watched(tmp_path / "4", [IDLE, fumbled, IDLE, A, IDLE, B, IDLE])
    evening.run(monkeypatch)
    assert evening.views == [[], ["A"], ["A", "B"]]


FOUR_SIDES = SLEEVE + "Side C\nC1 Cider 1:20\nSide D\nD1 Pips 0:45\n"
C, D = ("side", 3, 80.0), ("side", 4, 45.0)


def test_discs_that_hold_a_and_d_b_and_c_are_taken_as_they_lie(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Sets for a changer: the back of side A is side D, and it is said that D comes first."""
    turned: list[tuple[str, object]] = []

    def person(news: News) -> Act | None:
        if news.code != "flip":
            return None
        turned.append((news.side, news.facts["turned"]))
        return Act(do="first", side="D", take="") if news.side == "B" and len(turned) == 1 else None

    steps = [IDLE, A, IDLE, D, IDLE, B, IDLE, C, IDLE]
    evening = ScriptedEvening(tmp_path, steps, sides="ABCD", sleeve=FOUR_SIDES, answer=person)
    evening.run(monkeypatch)
    assert evening.folders == ["takes/A-1", "takes/B-1", "takes/C-1", "takes/D-1"]
    assert [news.side for news in evening.news if news.code == "fits"] == ["A", "D", "B", "C"]
    assert turned == [("B", True), ("B", False), ("C", False)]
    assert evening.codes[-1] == "done"


@pytest.mark.parametrize(("key", "sides"), [("n", ["B", "A"]), ("nn", ["A", "B"])])
def test_b_is_taken_first_where_that_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, key: str, sides: list[str]
) -> None:
    asked: list[bool] = []

    def person(news: News) -> Act | None:
        if news.code != "armed" or len(asked) == len(key):
            return None
        asked.append(True)
        return act_of_key("n", [news], ("A", "B"))

    first, second = ({"A": A, "B": B}[side] for side in sides)
    steps = [IDLE, first, IDLE, second, IDLE]
    evening = ScriptedEvening(tmp_path, steps, answer=person).run(monkeypatch)
    assert [news.side for news in evening.news if news.code == "fits"] == sides
    assert evening.folders == ["takes/A-1", "takes/B-1"]


@pytest.mark.parametrize(
    ("before", "side", "turned"),
    [
        ("A", "B", True),
        ("B", "A", True),
        ("B", "C", False),
        ("C", "D", True),
        ("A", "D", False),
        ("A", "AA", True),
    ],
)
def test_the_back_of_a_disc_is_the_other_letter_of_its_pair(before: str, side: str, turned: bool) -> None:
    assert is_turned_over(before, side) is turned


@pytest.mark.parametrize(
    ("side", "is_taken", "after"),
    [
        ("D", False, ("D", ["A", "B", "C"])),
        ("C", True, ("C", ["B", "D"])),
        ("", False, ("B", ["C", "D", "A"])),
        ("A", False, ("A", ["B", "C", "D"])),
    ],
)
def test_what_is_let_first_is_due_once(side: str, is_taken: bool, after: tuple[str, list[str]]) -> None:
    due = SidesDue("ABCD")
    due.let_first(side, is_taken=is_taken)
    assert (due.side, due.waiting) == after


@pytest.mark.parametrize(
    ("by_needle", "words"), [(True, "down, then lower"), (False, "down, press s, then lower")]
)
def test_at_the_terminal_who_begins_by_key_is_told_which(by_needle: bool, words: str) -> None:
    armed = News(code="armed", side="A", facts={"printed_s": None, "by_needle": by_needle})
    flip = News(code="flip", side="B", facts={"turned": True, "by_needle": by_needle})
    assert words in news_text(armed)
    assert ("press s, then lower the needle" in news_text(flip)) is not by_needle


def test_a_side_that_is_nowhere_is_not_let_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[News] = []

    def person(news: News) -> Act | None:
        asked.append(news)
        return Act(do="first", side="Q", take="") if len(asked) == 1 else None

    evening = ScriptedEvening(tmp_path, [IDLE, A, IDLE, B, IDLE], answer=person).run(monkeypatch)
    assert evening.folders == ["takes/A-1", "takes/B-1"]


def test_music_after_a_run_out_that_was_none_is_on_the_disk(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A scratch in a long pause ticks like a locked groove: the last side goes on as another take."""
    steps = [IDLE, ("side", 1, 50.0), ("locked", 60.0), ("side", 3, 50.0), IDLE]
    evening = ScriptedEvening(tmp_path, steps, sides="A", sleeve=ONE_SIDE).run(monkeypatch)
    assert evening.folders == ["takes/A-1", "takes/A-2"]
    assert evening.codes.index("answer(A)") < evening.codes.index("goes-on(A)")
    assert evening.codes[-1] == "done"


def test_a_lift_in_a_run_out_ends_the_evening_at_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps = [IDLE, ("side", 1, 50.0), ("locked", 60.0), ("idle", 30.0)]
    evening = ScriptedEvening(tmp_path, steps, sides="A", sleeve=ONE_SIDE).run(monkeypatch)
    assert evening.codes[-1] == "done"
    assert evening.folders == ["takes/A-1"]


@pytest.mark.parametrize(
    ("told", "wanted"),
    [
        ([("begun", "A", "")], "B"),
        ([("begun", "A", ""), ("looks-like", "A", "C")], "C"),
        ([("begun", "A", ""), ("looks-like", "A", "B"), ("side-is", "B", ""), ("begun", "A", "")], "B"),
        ([("looks-like", "A", "C"), ("begun", "B", "")], "A"),
    ],
)
def test_the_key_for_the_other_side_means_the_newest_take(
    told: list[tuple[str, str, str]], wanted: str
) -> None:
    news = [News(code=code, side=side, facts={"other": other} if other else {}) for code, side, other in told]
    act = act_of_key("x", news, ("A", "B"))
    assert act is not None
    assert (act.do, act.side) == ("side-is", wanted)


@pytest.mark.parametrize(
    ("key", "named"),
    [("a", "A-1"), ("d", "A-1"), ("x", "A-1"), ("s", None), ("e", None), ("k", None), ("q", None)],
)
def test_a_key_names_the_take_on_the_screen(key: str, named: str | None) -> None:
    """So it is never done to the next one, which may have begun meanwhile; a stop is a stop, whatever is seen."""
    act = act_of_key(key, [News(code="begun", side="A")], ("A", "B"), "A-1")
    assert act is not None
    assert act.take == named
