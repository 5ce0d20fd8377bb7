"""What a tired person, a second window and an unlucky moment do to an evening: each is put right or told, and nothing is lost."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile

from sidekeep.devices.inputs import SoundInput
from sidekeep.devices.recorder import RecorderEvent, RecorderSettings
from sidekeep.errors import DeviceError, ShelfError
from sidekeep.model.news import News
from sidekeep.service.recording import take_record
from sidekeep.service.recording.take_record import open_session
from sidekeep.service.recording.take_types import Act
from tests.service.scripted_evening import RATE_HZ, SLEEVE, ScriptedEvening, ScriptedInput
from tests.service.test_wrong_sides import IDLE, A, B

Monkey = pytest.MonkeyPatch
INPUT = SoundInput(
    key="deck", name="a deck", channels=2, rate_hz=8_000, bits=24, device="deck", source="deck"
)


class Doing:
    """Does something the first time a code is told for a side."""

    def __init__(self, **what: object) -> None:
        self._what = {code.replace("_", "-"): does for code, does in what.items()}

    def __call__(self, news: News) -> Act | None:
        does = self._what.pop(f"{news.code}-{news.side}", None)
        return does() if callable(does) else None


def evening_of(
    tmp_path: Path, steps: list[tuple[object, ...]], monkeypatch: Monkey, **what: object
) -> ScriptedEvening:
    evening = ScriptedEvening(tmp_path, steps, answer=Doing(**what))
    return evening.run(monkeypatch)


def asks(evening: list[ScriptedEvening], *acts: str) -> None:
    for do in acts:
        evening[0].session.act(Act(do=do))  # type: ignore[arg-type]


def run_asking(
    tmp_path: Path, steps: list[tuple[object, ...]], monkeypatch: Monkey, **acts: list[str]
) -> ScriptedEvening:
    """Acts that come together, as from two windows, when a code is told for a side."""
    held: list[ScriptedEvening] = []
    doing = Doing(**{code: (lambda those=those: asks(held, *those)) for code, those in acts.items()})
    held.append(ScriptedEvening(tmp_path, steps, answer=doing))
    return held[0].run(monkeypatch)


@pytest.mark.parametrize("acts", [["discard", "end"], ["end", "discard"]])
def test_end_now_on_the_phone_while_the_terminal_puts_the_side_aside(
    acts: list[str], tmp_path: Path, monkeypatch: Monkey
) -> None:
    """Whichever comes first: the take is in the bin, its side is due again, and nothing else moved."""
    steps = [IDLE, ("side", 3, 50.0), IDLE, A, IDLE, B, IDLE]
    evening = run_asking(tmp_path, steps, monkeypatch, begun_A=acts)
    assert [take.folder for take in evening.folder.binned()] == ["takes/.bin/A-1"]
    assert evening.folders == ["takes/A-2", "takes/B-1"]
    assert evening.codes[-1] == "done"


def test_two_windows_put_the_same_side_aside(tmp_path: Path, monkeypatch: Monkey) -> None:
    """The second asking is not taken for the side before."""
    steps = [IDLE, A, IDLE, ("side", 3, 50.0), IDLE, B, IDLE]
    evening = run_asking(tmp_path, steps, monkeypatch, begun_B=["discard"], false_start_B=["discard"])
    assert [take.folder for take in evening.folder.binned()] == ["takes/.bin/B-1"]
    assert evening.folders == ["takes/A-1", "takes/B-2"]
    assert "asked-twice(A)" in evening.codes


def test_asked_for_once_more_the_side_before_goes_too(tmp_path: Path, monkeypatch: Monkey) -> None:
    steps = [IDLE, A, IDLE, ("side", 3, 50.0), IDLE, A, IDLE, B, IDLE]
    evening = run_asking(
        tmp_path, steps, monkeypatch, begun_B=["discard"], false_start_B=["again"], asked_twice_A=["again"]
    )
    assert [take.folder for take in evening.folder.binned()] == ["takes/.bin/A-1", "takes/.bin/B-1"]
    assert evening.folders == ["takes/A-2", "takes/B-2"]


def test_q_while_a_side_is_closed_keeps_it(tmp_path: Path, monkeypatch: Monkey) -> None:
    evening = run_asking(tmp_path, [IDLE, A, IDLE, B, IDLE], monkeypatch, begun_A=["end", "stop", "stop"])
    assert evening.folders == ["takes/A-1"]
    assert "taken(A)" in evening.codes
    assert evening.codes[-1] == "stopped"
    (take,) = evening.folder.takes()
    assert (evening.folder.path / take.folder / "take.wav").is_file()


@pytest.mark.parametrize("begun_again", [False, True])
def test_an_input_that_is_lost_after_the_lift_costs_no_side(
    begun_again: bool, tmp_path: Path, monkeypatch: Monkey
) -> None:
    """Pulled at the flip, before the take of side A was closed, or a while after."""
    idle = [("idle", 0.5 if begun_again else 10.0), ("lost",), ("idle", 10.0)]
    evening = evening_of(tmp_path, [IDLE, A, *idle, B, IDLE], monkeypatch)
    assert evening.folders == ["takes/A-1", "takes/B-1"]
    assert not {"goes-on(A)", "kept(A)"} & set(evening.codes)
    assert evening.codes[-1] == "done"


@pytest.mark.parametrize(
    ("when", "kept"),
    [
        ("armed_A", []),
        ("begun_A", ["takes/A-1"]),
        ("run_out_A", ["takes/A-1"]),
        ("taken_A", ["takes/A-1"]),
        ("flip_B", ["takes/A-1"]),
        ("begun_B", ["takes/A-1", "takes/B-1"]),
        ("taken_B", ["takes/A-1", "takes/B-1"]),
    ],
)
def test_an_evening_that_is_ended_from_outside_in_any_state(
    when: str, kept: list[str], tmp_path: Path, monkeypatch: Monkey
) -> None:
    """A shutdown, a closed terminal, the key: whatever had begun is closed and named, and nothing is left open."""
    steps = [IDLE, A, ("locked", 30.0), IDLE, B, ("locked", 30.0), IDLE]
    evening = run_asking(tmp_path, steps, monkeypatch, **{when: ["stop", "stop"]})
    on_shelf = sorted(take.folder for take in [*evening.folder.takes(), *evening.folder.binned()])
    assert [name.replace("/.bin", "") for name in on_shelf] == kept
    assert evening.folder.unfinished() == []
    assert evening.codes[-1] in ("stopped", "done")
    assert not {news.code for news in evening.news} & {"not-closed", "not-written", "not-done"}
    for take in evening.folder.takes():
        frames = soundfile.info(evening.folder.path / take.folder / "take.wav").frames
        assert frames == take.length_frames > 0


def lost_at(seconds: float, lost_s: float = 20.0) -> tuple[str, News]:
    """The capture tells of a loss outside the open take, at a moment of the evening."""
    facts = {"lost_s": lost_s, "lost_frames": round(lost_s * RATE_HZ), "sure": "clock"}
    place = {"capture_frame": round(seconds * RATE_HZ)}
    return ("news", News(code="loss", severity="act", at_frame=-1, facts={**facts, **place}))


def test_a_lid_closed_at_the_flip_loses_nothing_of_a_side(tmp_path: Path, monkeypatch: Monkey) -> None:
    """No side was down, so none is to be taken again."""
    flip_s = IDLE[1] + A[2] + 5.0
    steps = [
        IDLE,
        A,
        ("idle", 8.0),
        lost_at(flip_s),
        ("idle", 4.0),
        B,
        ("idle", 4.0),
        lost_at(flip_s + 1.0),
        IDLE,
    ]
    evening = evening_of(tmp_path, steps, monkeypatch)
    assert evening.folders == ["takes/A-1", "takes/B-1"]
    assert [code for code in evening.codes if code.startswith("loss")] == []
    assert [take.notes for take in evening.takes] == [(), ()]


@pytest.mark.parametrize("told_in_b", [False, True])
def test_a_loss_told_after_its_side_has_ended_is_kept_with_that_side(
    told_in_b: bool, tmp_path: Path, monkeypatch: Monkey
) -> None:
    """The clock may know of it half a minute late, when the next side is being recorded."""
    loss_s = IDLE[1] + A[2] - 3.0
    told = lost_at(loss_s, 0.02)
    middle = [("idle", 12.0), ("side", B[1], 20.0), told, ("side", B[1], B[2] - 20.0)]
    steps = [IDLE, A, *(middle if told_in_b else [("idle", 8.0), told, ("idle", 4.0), B]), IDLE]
    evening = evening_of(tmp_path, steps, monkeypatch)
    assert [code for code in evening.codes if code.startswith("loss")] == ["loss(A)"]
    a, b = evening.folder.takes()
    assert evening.takes == [a, b]
    (note,) = [note for note in a.notes if note.code == "loss"]
    assert note.severity == "act"
    assert "capture_frame" not in note.facts
    start = round((IDLE[1] - 4.0) * RATE_HZ)
    assert note.at_frame == round(loss_s * RATE_HZ) - start
    assert "loss" not in [note.code for note in b.notes]


def test_a_loss_of_an_input_that_was_opened_anew_is_not_laid_to_a_side_before(
    tmp_path: Path, monkeypatch: Monkey
) -> None:
    """Its frames count from 0 again, so the same number lay within side A once."""
    waits = ("idle", IDLE[1] + A[2] + 20.0)
    steps = [IDLE, A, IDLE, ("lost",), waits, lost_at(IDLE[1] + 40.0), IDLE, B, IDLE]
    evening = evening_of(tmp_path, steps, monkeypatch)
    assert evening.folders == ["takes/A-1", "takes/B-1"]
    assert [note.code for take in evening.takes for note in take.notes if note.code == "loss"] == []


def test_a_record_that_is_renamed_while_it_is_recorded(tmp_path: Path, monkeypatch: Monkey) -> None:
    held: list[ScriptedEvening] = []

    def rename() -> None:
        path = held[0].folder.path
        path.rename(path.with_name("Orchard"))

    held.append(ScriptedEvening(tmp_path, [IDLE, A, IDLE, B, IDLE], answer=Doing(begun_A=rename)))
    evening = held[0].run(monkeypatch)
    assert [path.name for path in tmp_path.iterdir()] == ["Orchard"]
    assert evening.session.folder.path == tmp_path / "Orchard"
    assert [take.folder for take in evening.session.folder.takes()] == ["takes/A-1", "takes/B-1"]
    assert {"taken(A)", "taken(B)", "done"} <= set(evening.codes)
    assert not {news.code for news in evening.news} & {"not-closed", "not-written", "left-at"}


def test_what_cannot_be_put_aside_is_told_and_the_evening_goes_on(
    tmp_path: Path, monkeypatch: Monkey
) -> None:
    def refuse(*_: object) -> None:
        raise ShelfError("takes/A-1 cannot be moved to takes/.bin/A-1 (Input/output error)")

    monkeypatch.setattr("sidekeep.service.recording.open_take.bin_take", refuse)
    evening = run_asking(tmp_path, [IDLE, A, IDLE, B, IDLE], monkeypatch, flip_B=["again"])
    (told,) = [news for news in evening.news if news.code == "not-done"]
    assert (told.facts["do"], told.severity) == ("again", "look")
    assert [take.folder for take in evening.takes] == evening.folders == ["takes/A-1", "takes/B-1"]


def test_a_capture_that_dies_as_the_needle_goes_down_does_not_end_the_evening(
    tmp_path: Path, monkeypatch: Monkey
) -> None:
    tries = []
    begin = ScriptedInput.begin

    def dying(self: ScriptedInput, path: Path, *rest: object, **more: object) -> None:
        tries.append(path)
        if len(tries) == 1:
            raise DeviceError("the capture process has ended; the take it was writing is kept")
        begin(self, path, *rest, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(ScriptedInput, "begin", dying)
    evening = evening_of(
        tmp_path, [IDLE, ("side", 1, 50.0), ("lost",), ("side", 1, 50.0), IDLE, B, IDLE], monkeypatch
    )
    assert [folder.rpartition("-")[0] for folder in evening.folders] == ["takes/A", "takes/B"]
    assert evening.codes[-1] == "done"


@pytest.mark.parametrize("died", [True, False])
def test_a_capture_that_dies_is_started_again_without_a_look_at_the_inputs(
    died: bool, tmp_path: Path, monkeypatch: Monkey
) -> None:
    """To list them takes seconds in which nobody records. An input that was told to be gone is looked for all the same; the take
    that broke off is told at once, and nothing of what the capture held stays beside it."""
    held: list[ScriptedEvening] = []
    looked: list[bool] = []
    events = ScriptedInput.events

    def until_killed(self: ScriptedInput) -> Iterator[RecorderEvent]:
        for event in events(self):
            if died and event.kind == "ended" and event.fact("why") == "lost":
                take = Path(str(event.fact("path")))
                take.with_name(".room-for-closing").write_bytes(b"")
                continue
            if event.kind == "left":
                event = RecorderEvent(kind="left", facts={"code": -9} if died else {})
            yield event

    def look() -> tuple[RecorderSettings, tuple[News, ...]]:
        looked.append(True)
        return held[0].session.settings, ()

    monkeypatch.setattr(ScriptedInput, "events", until_killed)
    steps = [IDLE, ("side", 1, 50.0), ("lost",), ("side", 1, 50.0), IDLE, B, IDLE]
    held.append(ScriptedEvening(tmp_path, steps))
    monkeypatch.setattr(held[0].session, "_find_input", look)
    evening = held[0].run(monkeypatch)
    assert looked == ([] if died else [True])
    assert evening.folders == ["takes/A-1", "takes/A-2", "takes/B-1"]
    assert evening.codes.count("unexpected-end(A)") == died
    assert not list(tmp_path.rglob(".room-for-closing"))


def test_two_windows_that_start_at_once_repair_an_interrupted_take_once(
    tmp_path: Path, monkeypatch: Monkey
) -> None:
    """The second window is refused, and it touched nothing before."""
    shelf, sleeve = tmp_path / "shelf", tmp_path / "sleeve.txt"
    sleeve.write_text(SLEEVE)
    repairs, inside, go_on = [], threading.Event(), threading.Event()
    monkeypatch.setattr(take_record, "_expect_room", lambda *_: None)

    def slow_recovery(shelf: Path, **_: object) -> list[object]:
        repairs.append(threading.current_thread().name)
        inside.set()
        assert go_on.wait(60.0)
        return []

    monkeypatch.setattr(take_record, "recover", slow_recovery)

    def first() -> None:
        with open_session(shelf, None, sleeve_path=sleeve, sides=("A",), sound_input=INPUT):
            pass

    window = threading.Thread(target=first, name="first")
    window.start()
    try:
        assert inside.wait(60.0)
        with (
            pytest.raises(ShelfError, match="sidekeep is recording onto"),
            open_session(shelf, None, sleeve_path=sleeve, sides=("A",), sound_input=INPUT),
        ):
            pass
    finally:
        go_on.set()
        window.join(60.0)
    assert repairs == ["first"]
    assert len(list(shelf.glob("*/record.toml"))) == 1


def asks_of(evening: list[ScriptedEvening], do: str, take: str) -> None:
    """An act of somebody who saw that take (empty: none) on the turntable."""
    evening[0].session.act(Act(do=do, take=take))  # type: ignore[arg-type]


@pytest.mark.parametrize("do", ["end", "discard", "again", "side-is"])
@pytest.mark.parametrize("seen", ["", "takes/A-1"])
def test_what_was_meant_for_the_side_before_is_not_done_to_the_next(
    do: str, seen: str, tmp_path: Path, monkeypatch: Monkey
) -> None:
    """Pressed as side B began, by somebody who still saw side A, or the flip: told, and side B goes on to its end."""
    held: list[ScriptedEvening] = []
    doing = Doing(begun_B=lambda: asks_of(held, do, seen))
    held.append(ScriptedEvening(tmp_path, [IDLE, A, IDLE, B, IDLE], answer=doing))
    evening = held[0].run(monkeypatch)
    (told,) = [news for news in evening.news if news.code == "not-meant"]
    assert (told.side, told.take, told.facts) == ("B", "takes/B-1", {"do": do, "meant": seen})
    assert evening.folders == ["takes/A-1", "takes/B-1"]
    assert evening.folder.binned() == []
    (side_b,) = [take for take in evening.takes if take.side == "B"]
    assert side_b.length_s > 55.0


def test_the_take_that_was_just_closed_can_still_be_put_aside_by_its_name(
    tmp_path: Path, monkeypatch: Monkey
) -> None:
    held: list[ScriptedEvening] = []
    doing = Doing(flip_B=lambda: asks_of(held, "again", "takes/A-1"))
    held.append(ScriptedEvening(tmp_path, [IDLE, A, IDLE, A, IDLE, B, IDLE], answer=doing))
    evening = held[0].run(monkeypatch)
    assert [take.folder for take in evening.folder.binned()] == ["takes/.bin/A-1"]
    assert evening.folders == ["takes/A-2", "takes/B-1"]
