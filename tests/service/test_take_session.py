"""The whole unattended session on a real path: two sides played into a virtual deck, recorded through the
sound library, begun and ended by the needle alone, compared sample by sample with what was played."""

from __future__ import annotations

import json
import subprocess
import threading
from collections.abc import Callable
from dataclasses import replace
from itertools import cycle
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.cli.main import main
from sidekeep.devices.inputs import SoundInput
from sidekeep.errors import ShelfError
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.press.disc.settings import used_lp
from sidekeep.press.disc.side import Piece, press_side
from sidekeep.service.recording.take_close import only_one_taker, recover
from sidekeep.service.recording.take_record import open_session
from sidekeep.service.recording.take_types import Act, ShelfTake, TakeStatus
from sidekeep.service.shelf import records as shelf_service
from sidekeep.service.shelf.stylus_hours import stylus_hours
from tests.shelf.test_kept_survey import killed_while_it_listened

from ..devices.conftest import Deck, deck, told_by_a_stretched_clock  # noqa: F401  (a fixture)
from ..devices.turntable import Turntable

RATE_HZ = 48_000
GIVE_UP_S = 240.0
"""A side that never ends must not hold up the tests for ever; a loaded machine needs a minute and a half for both."""
EVENINGS = 3
"""A busy machine may play with gaps, which are on the take as they were played: then once more from the start."""
PlayedSide = tuple[np.ndarray, int, int]
"""Sound, and where the needle goes down and up."""
INPUT = SoundInput(
    key="deck.monitor",
    name="virtual deck",
    channels=2,
    rate_hz=RATE_HZ,
    bits=24,
    device="pulse",
    source="deck.monitor",
)
SLEEVE = (
    "Marrow Lane - The Orchard Hours (1974)\nSide A\nA1 Dew on the Crates\nSide B\nB1 Basket of Russets\n"
)


def short_side(seed: int) -> PlayedSide:
    """A pressed side of some 22 s: audio, and where its needle went down and up."""
    random = np.random.default_rng(seed)
    time_s = np.arange(9 * RATE_HZ) / RATE_HZ
    tones = sum(np.sin(2 * np.pi * f * time_s) / n for n, f in enumerate((220.0, 331.0, 442.0), 1))
    music = np.stack([tones, np.roll(tones, 40)], axis=1) * (0.2 + 0.05 * random.random())
    settings = replace(used_lp(), lead_in_s=2.0, run_out_turns=2, needle_up_tail_s=2.0)
    pressed = press_side([Piece(audio=music, title="x")], rate_hz=RATE_HZ, settings=settings, seed=seed)
    return pressed.audio, pressed.truth.needle_down_frame, pressed.truth.needle_up_frame


def chain_of(side: np.ndarray) -> Callable[[], np.ndarray]:
    """More of what the chain gives with the needle up: the side's own first seconds, turned about."""
    start = side[: 2 * RATE_HZ]
    pieces = cycle(np.concatenate([start, -start[::-1]]).reshape(-1, RATE_HZ // 20, 2))
    return lambda: next(pieces)


@pytest.mark.device
@pytest.mark.slow
@pytest.mark.timeout(900)
def test_two_sides_are_taken_by_the_needle_alone(deck: Deck, tmp_path: Path) -> None:  # noqa: F811
    sides = short_side(1), short_side(2)
    for number in range(EVENINGS):
        place = tmp_path / f"evening-{number}"
        place.mkdir()
        turntable, takes, news = an_evening(deck, place, sides)
        if not was_played_with_gaps(place / "shelf"):
            assert_both_sides_are_whole(place / "shelf", turntable, takes, news, sides)
            return
    pytest.fail(f"the virtual player had gaps on each of {EVENINGS} evenings")


def an_evening(
    deck: Deck,  # noqa: F811
    place: Path,
    sides: tuple[PlayedSide, PlayedSide],
) -> tuple[Turntable, list[ShelfTake], list[TakeStatus]]:
    """Both sides, each lowered when it is asked for, however long that takes."""
    sleeve = place / "sleeve.txt"
    sleeve.write_text(SLEEVE)
    news: list[TakeStatus] = []
    turntable = Turntable(deck, chain_of(sides[0][0]), RATE_HZ)
    to_play = [("armed", sides[0][0]), ("flip", sides[1][0])]

    def hear(status: TakeStatus) -> None:
        news.append(status)
        if to_play and status.phase == to_play[0][0] and status.input_open:
            turntable.lower_needle(to_play.pop(0)[1])

    try:
        with open_session(
            place / "shelf",
            None,
            sleeve_path=sleeve,
            sides=("A", "B"),
            sound_input=INPUT,
            stylus="fine line",
            shortest_side_s=8.0,
            tell=hear,
        ) as session:
            giving_up = threading.Timer(GIVE_UP_S, session.act, [Act(do="stop")])
            giving_up.start()
            takes = session.run()
            giving_up.cancel()
    finally:
        turntable.switch_off()
    return turntable, takes, news


def was_played_with_gaps(shelf: Path) -> bool:
    """A player that got no processor for too long: the sink gives silence then, which no chain does."""
    for path in shelf.rglob("take.wav"):
        audio, _ = soundfile.read(path, dtype="int32", always_2d=True)
        silent = np.concatenate([[0], (audio == 0).all(axis=1).astype(np.int64)]).cumsum()
        if (silent[64:] - silent[:-64] == 64).any():
            return True
    return False


def assert_both_sides_are_whole(
    shelf: Path,
    turntable: Turntable,
    takes: list[ShelfTake],
    news: list[TakeStatus],
    sides: tuple[PlayedSide, PlayedSide],
) -> None:
    said = [
        f"{status.elapsed_s:.1f} {each.code} {dict(each.facts)}" for status in news for each in status.news
    ]
    assert [take.side for take in takes] == ["A", "B"], said
    (entry,) = shelf_service.list_records(shelf)
    assert entry.state == "taken"
    folder = shelf_service.find_record(shelf, "orchard")
    reference = np.concatenate(turntable.played)
    for take, start, (_, down, up) in zip(takes, turntable.starts, sides, strict=True):
        audio, _ = soundfile.read(folder.path / take.folder / "take.wav", dtype="int32", always_2d=True)
        heard = audio >> 8
        middle = len(heard) // 2  # in the groove, where nothing repeats itself
        first = _where(reference, heard[middle : middle + 64]) - middle
        np.testing.assert_array_equal(heard, reference[first : first + len(heard)])
        assert first <= start + down, "the pre-roll holds the needle drop"
        assert first + len(heard) >= start + up, "the needle's lift is on the take"
        assert [note for note in take.notes if not told_by_a_stretched_clock(note)] == [], said
    assert {status.phase for status in news} >= {"armed", "recording", "closing", "flip", "done"}
    assert stylus_hours(shelf)[0].hours == pytest.approx(sum(take.length_s for take in takes) / 3600.0)


def _where(reference: np.ndarray, piece: np.ndarray) -> int:
    """Start of the only place where the piece stands in the reference."""
    candidates = np.flatnonzero((reference[: len(reference) - len(piece)] == piece[0]).all(axis=1))
    found = [at for at in candidates if (reference[at : at + len(piece)] == piece).all()]
    assert len(found) == 1
    return int(found[0])


def test_an_interrupted_take_is_repaired_and_offered(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sleeve = tmp_path / "sleeve.txt"
    sleeve.write_text(SLEEVE)
    shelf = tmp_path / "shelf"
    folder = shelf_service.plan_record(shelf, sleeve)
    path = folder.new_take_folder("A") / "take.wav"
    empty = folder.new_take_folder("B") / "take.wav"
    TakeWriter(empty, rate_hz=48_000, channels=2, bits=24).close()
    odd = folder.new_take_folder("B") / "take.wav"
    odd.write_text("somebody's notes")
    script = (
        "import sys, os, numpy as np\n"
        "from sidekeep.files.wave.rf64 import TakeWriter\n"
        "w = TakeWriter(sys.argv[1], rate_hz=48000, channels=2, bits=24)\n"
        "x = np.arange(96000, dtype=np.int32).reshape(-1, 2)\n"
        "w.append(x); w.sync(); w.append(x); os.kill(os.getpid(), 9)\n"
    )
    import sys

    subprocess.run([sys.executable, "-c", script, str(path)], check=False)
    with only_one_taker(shelf):
        assert recover(shelf) == []  # another sidekeep is recording: hands off
    assert main(["shelf", "--shelf", str(shelf)]) == 0
    assert "3 interrupted take" in capsys.readouterr().out
    (take,) = recover(shelf)
    assert take.length_frames == 96_000
    assert [note.code for note in take.notes] == ["unexpected-end"]
    assert folder.state() == "partly taken"
    assert json.loads((path.parent / "take.json").read_text())["side"] == "A"
    assert recover(shelf) == []
    assert not empty.parent.exists()  # nothing had been recorded
    assert odd.read_text() == "somebody's notes"


@pytest.mark.parametrize("seconds", [0, 1])
def test_what_its_killed_survey_left_goes_with_the_recovery(tmp_path: Path, seconds: int) -> None:
    """The machine went down while a side was recorded and surveyed, at once or after a while."""
    sleeve = tmp_path / "sleeve.txt"
    sleeve.write_text(SLEEVE)
    folder = shelf_service.plan_record(tmp_path / "shelf", sleeve)
    path = folder.new_take_folder("A") / "take.wav"
    with TakeWriter(path, rate_hz=48_000, channels=2, bits=24) as writer:
        writer.append(np.ones((seconds * 48_000, 2), np.int32))
    left = killed_while_it_listened(path.parent)
    assert left.is_dir()
    assert len(recover(tmp_path / "shelf")) == seconds
    assert not left.exists()
    assert path.parent.exists() == (seconds > 0)  # where nothing had been recorded nothing stays
    assert not (path.parent / "surveys").exists()


def test_a_second_taker_is_refused(tmp_path: Path) -> None:
    with (
        only_one_taker(tmp_path),
        pytest.raises(ShelfError, match="is recording onto"),
        only_one_taker(tmp_path),
    ):
        pass
