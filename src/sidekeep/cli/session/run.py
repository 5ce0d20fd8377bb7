"""A session at a terminal: it runs in a thread of its own; this one reads keys, hears signals and draws.

Ctrl+C, a closed terminal and an ordered shutdown all end the evening in the same way: the open take is closed and kept.
"""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Sequence
from types import FrameType

from sidekeep.cli.session.beside import Beside
from sidekeep.cli.terminal.keys import terminal_keys
from sidekeep.cli.terminal.stopping import ended_by
from sidekeep.cli.texts.take import Teller
from sidekeep.model.news import News
from sidekeep.service.recording.take_session import TakeSession
from sidekeep.service.recording.take_types import Act, Do, ShelfTake
from sidekeep.service.recording.verdict import DOUBTS

_ACTS: dict[str, Do] = {
    "s": "begin",
    "e": "end",
    "a": "again",
    "d": "discard",
    "k": "keep",
    "n": "first",
    "q": "stop",
}
_OTHER_SIDE = "x"
_OF_A_TAKE = ("again", "discard", "side-is")
"""Done to the take on the screen, and to no other: the next one may begin as the key is pressed."""
_TYPES_ON_S = 1.0
"""Who types on does not wait for the screen: a key so soon after another means what that one leads to."""


def take_at_terminal(session: TakeSession, teller: Teller, beside: Beside | None = None) -> list[ShelfTake]:
    """Run the session until it is over, and what goes on beside it; what it raised is raised here."""
    wrong: list[BaseException] = []
    takes: list[ShelfTake] = []

    def work() -> None:
        try:
            takes.extend(session.run())
        except BaseException as error:
            wrong.append(error)

    def stop(number: int, frame: FrameType | None) -> None:
        # The evening is over, and the take is closed first.
        session.act(Act(do="stop", why="key" if number == signal.SIGINT else "signal"))

    thread = threading.Thread(target=work, name="session")
    typed_s = -_TYPES_ON_S
    with teller, terminal_keys() as keys, ended_by(stop):
        thread.start()
        while thread.is_alive():
            thread.join(0.15)
            for key in keys():
                seen = teller.shown_take if time.monotonic() - typed_s > _TYPES_ON_S else None
                act = act_of_key(key, teller.news, session.options.sides, seen)
                if act is not None:
                    session.act(act)
                    typed_s = time.monotonic()
            if beside is not None:
                beside.hear(teller.note_beside)
                teller.quiet_line = beside.line.text()
            teller.draw()
    if beside is not None and takes:
        beside.settle(teller.note)
    if wrong:
        raise wrong[0]
    return takes


def act_of_key(
    key: str, news: Sequence[News], sides: Sequence[str], shown_take: str | None = None
) -> Act | None:
    """What a key asks for; ``x`` names the side that was guessed of the newest take, or the other one of two. ``shown_take``: the
    open take on the screen, empty for none, None before anything was shown."""
    key = key.lower()
    do: Do | None = "side-is" if key == _OTHER_SIDE else _ACTS.get(key)
    side = _other_side(news, sides) if do == "side-is" else ""
    if do is None or (do == "side-is" and not side):
        return None
    return Act(do=do, side=side, take=shown_take if do in _OF_A_TAKE else None)


def _other_side(news: Sequence[News], sides: Sequence[str]) -> str:
    for each in reversed(news):
        if each.code in DOUBTS:
            return str(each.facts["other"])
        if each.code in ("begun", "side-is"):
            return next((side for side in sides if side != each.side), "")
    return ""
