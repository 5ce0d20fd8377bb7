"""A whole record by the page alone, over a sound server of our own: from pasted text to copies, every hand action counted."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile
from mutagen.flac import FLAC
from numpy.typing import NDArray

from sidekeep.press.disc.side import Piece, press_side
from tests.devices.conftest import Deck, deck  # noqa: F401  (a fixture)
from tests.devices.turntable import Turntable
from tests.small_record import SETTINGS, play

pytestmark = [pytest.mark.device, pytest.mark.slow, pytest.mark.timeout(900)]

RATE_HZ = 48_000
SLEEVE = """Vesna Or Nobody - Small Hours (1987)

Side A
A1 Dew on the Crates 0:06
A2 Second Sight 0:06
Side B
B1 Third Rail 0:06
B2 Fourth Wall 0:06
"""
TITLES = ["Dew on the Crates", "Second Sight", "Third Rail", "Fourth Wall"]
CLEAN = SETTINGS.but(dust_per_min=20.0, scratches=0, pops_per_min=0.0, crackle_share=0.0, hum_hz=0.0)
HEARD_MS = 120_000
"""How long a loaded machine may need for a step; nothing is measured here."""
LINE_IS_SILENT_MS = 6_000
"""So long the page hears nothing before it takes the line for lost and asks anew: a machine that stands still may be so silent."""
LINES = """
  window.lines = [];
  window.WebSocket = class extends WebSocket {
    constructor(...given) {
      super(...given);
      const line = { heard_ms: performance.now(), silent_ms: null };
      window.lines.push(line);
      this.addEventListener("message", () => (line.heard_ms = performance.now()));
      this.addEventListener("close", () => (line.silent_ms = performance.now() - line.heard_ms));
    }
  };
"""
"""Every line for news that the page opens: when it was heard last, and how long it had been silent when it ended."""
EVENINGS = 3
"""A busy machine may play with gaps all the same, and a side with gaps is rightly not copied: then once more from the start."""


def pressed(*roots_hz: float, seed: int) -> NDArray[np.float64]:
    """A side of two short tracks."""
    pieces = [Piece(audio=play(root, 6.0, RATE_HZ), title="") for root in roots_hz]
    return press_side(pieces, rate_hz=RATE_HZ, settings=CLEAN, seed=seed).audio


@pytest.fixture
def player(deck: Deck) -> Iterator[Turntable]:  # noqa: F811
    random = np.random.default_rng(3)
    level = 10.0 ** (CLEAN.chain_dbfs / 20)
    player = Turntable(deck, lambda: random.normal(0.0, level, (RATE_HZ // 20, 2)), RATE_HZ)
    yield player
    player.switch_off()


@contextmanager
def opened(deck: Deck, place: Path) -> Iterator[SimpleNamespace]:  # noqa: F811
    """``sidekeep open`` on a shelf that is not there yet, as a person starts it."""
    shelf = place / "shelf"
    process = subprocess.Popen(
        [sys.executable, "-m", "sidekeep", "open", "--shelf", str(shelf), "--port", "0", "--no-browser"],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, **deck.environment, "XDG_CONFIG_HOME": str(place / "settings")},
    )
    assert process.stdout is not None
    try:
        address = process.stdout.readline().strip()
        yield SimpleNamespace(host=address.removeprefix("http://").rstrip("/"), shelf=shelf)
    finally:
        process.terminate()
        process.wait(30)
        process.stdout.close()


class Hands:
    """What a person does, counted."""

    def __init__(self, page: Any) -> None:
        self._page = page
        self.done: list[str] = []

    def click(self, name: str, role: str = "button", *, exact: bool = True, within: Any = None) -> None:
        (within or self._page.get_by_role("main")).get_by_role(role, name=name, exact=exact).click()
        self.done.append(name)

    def paste(self, text: str) -> None:
        self._page.evaluate("text => navigator.clipboard.writeText(text)", text)  # copied elsewhere before
        self._page.keyboard.press("Control+V")
        self.done.append("paste")

    def act(self, what: str, how: Callable[[], None] = lambda: None) -> None:
        how()
        self.done.append(what)


def _was_played_with_gaps(page: Any) -> bool:
    """The machine's fault, never the page's: a recording with gaps is rightly not copied, be they heard or told by the clock
    (a virtual sink that is held up stretches its own)."""
    page.get_by_text("The copies are written").or_(page.get_by_text("Look once")).first.wait_for(
        timeout=HEARD_MS
    )
    jobs = page.evaluate("fetch('/api/jobs').then(answer => answer.json())")["jobs"]
    found = {each["code"] for job in jobs for each in (job["result"] or {}).get("findings", [])}
    return bool({"dropout", "lost-sound"} & found)


@pytest.fixture(scope="module")
def sides() -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    return pressed(110.0, 146.8, seed=11), pressed(130.8, 98.0, seed=12)


def test_a_whole_record_takes_five_hand_actions(
    deck: Deck,  # noqa: F811
    player: Turntable,
    sides: tuple[NDArray[np.float64], NDArray[np.float64]],
    open_page: Callable[..., Any],
    tmp_path: Path,
) -> None:
    for number in range(EVENINGS):
        with opened(deck, tmp_path / f"evening-{number}") as house:
            page = open_page(house, None, permissions=["clipboard-read", "clipboard-write"])
            page.add_init_script(LINES)
            page.goto(f"http://{house.host}/turntable")
            is_heard_whole = an_evening(page, player, sides)
            page.close()  # before its house goes away
        if is_heard_whole:
            assert_copies_are_right(house.shelf)
            return
    pytest.fail(f"the virtual player had gaps on each of {EVENINGS} evenings")


def an_evening(page: Any, player: Turntable, sides: tuple[NDArray[np.float64], NDArray[np.float64]]) -> bool:
    """From nothing to copies, by hand actions counted; False when the machine played with gaps."""

    def says(text: str) -> None:
        page.get_by_role("heading", level=1, name=text).wait_for(timeout=HEARD_MS)

    first_evening = Hands(page)
    first_evening.click(
        "Use this one", within=page.get_by_role("listitem").filter(has_text="two channels"), exact=False
    )
    first_evening.click("This is the input")
    says("Is it quiet?")
    page.get_by_text("No hum worth speaking of.").wait_for(timeout=HEARD_MS)
    first_evening.click("It is quiet")
    first_evening.click("To the shelf", "link")

    says("Your shelf is empty.")
    hands = Hands(page)
    hands.paste(SLEEVE)
    page.get_by_text("Four tracks on sides A and B, and nothing in doubt.").wait_for()
    hands.click("To the turntable")
    says("Lower the needle on side A.")
    hands.act("needle", lambda: player.lower_needle(sides[0]))
    says("Side A is being recorded.")
    says("Flip the record. Lower the needle on side B.")
    hands.act("flip")
    hands.act("needle", lambda: player.lower_needle(sides[1]))
    says("Side B is being recorded.")
    says("Done. Volume down, then lift the needle.")
    if _was_played_with_gaps(page):
        return False
    page.get_by_text("The copies are written and read back.").wait_for(timeout=HEARD_MS)
    lines = page.evaluate("lines")
    assert lines[-1]["silent_ms"] is None
    assert all(line["silent_ms"] >= LINE_IS_SILENT_MS for line in lines[:-1])  # no line that spoke was let go
    assert hands.done == ["paste", "To the turntable", "needle", "flip", "needle"]
    assert len(first_evening.done) == 4
    return True


def assert_copies_are_right(shelf: Path) -> None:
    (record,) = [path.parent for path in shelf.glob("*/record.toml")]
    files = sorted((record / "copies").rglob("*.flac"))
    tags = [FLAC(path) for path in files]
    assert [each["title"] for each in tags] == [[title] for title in TITLES]
    assert {(*each["artist"], *each["album"]) for each in tags} == {("Vesna Or Nobody", "Small Hours")}
    for each in tags:
        # The printed six seconds, and what fades in the groove.
        assert 5.0 < each.info.length < 9.0
    heard = [np.abs(soundfile.read(path)[0]).max() for path in files]
    assert 10.0 ** (-1.5 / 20) < max(heard) <= 10.0 ** (-0.9 / 20)  # one gain, to -1 dBTP at most
    assert len(list((record / "copies").rglob("*.mp3"))) == len(TITLES)
