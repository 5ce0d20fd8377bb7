"""The turntable: which input is used, the level before the needle goes down, and the evening's session.

A session runs in a thread of its own, the capture in a process of its own: no page, however many are open, is waited for.
Level and growing picture are readings (only the newest is worth something); what happens is news.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, get_args

from sidekeep.errors import DeviceError, ParameterError, ShelfError, SidekeepError
from sidekeep.model.news import News
from sidekeep.service.house.events import EventHub
from sidekeep.service.house.turntable.last_evening import (
    KEPT_S,
    Evening,
    before_copies,
    broken_off,
    keep_evening,
    kept_evening,
)
from sidekeep.service.house.turntable.level import LevelWatch, input_in_use
from sidekeep.service.house.turntable.session_view import SessionView, reading_view, told
from sidekeep.service.live.evening import EveningFollower
from sidekeep.service.recording.take_record import open_session
from sidekeep.service.recording.take_session import TakeSession
from sidekeep.service.recording.take_types import Act, Do, TakeStatus
from sidekeep.service.wishes import form_wished
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake

_START_WAIT_S = 20.0
"""So long whoever arms waits for the input to open (chosen here)."""
_SETTLE_S = 120.0
"""So long what follows an evening waits for the last side's survey; after that it is surveyed anew."""


@dataclass(eq=False)
class _Start:
    """An evening that begins in its thread: once that is ``known``, either there is a ``refusal`` or it records. ``news`` is what
    was told before: an interrupted take that was found and kept, an input that is muted, a worn stylus."""

    known: threading.Event = field(default_factory=threading.Event)
    news: list[News] = field(default_factory=list)
    refusal: SidekeepError | None = None
    takes: list[ShelfTake] = field(default_factory=list)


class Turntable:
    """One shelf's turntable. Safe for any thread. ``taken`` hears record and kinds of copies wanted when every side
    was taken."""

    def __init__(
        self, shelf: Path, news: EventHub, taken: Callable[[str, tuple[str, ...], bool], None]
    ) -> None:
        self._shelf = shelf
        self._news = news
        self._taken = taken
        self._lock = threading.Lock()
        self._level = LevelWatch(news)
        self._starting = threading.Lock()
        self._view: SessionView | None = None
        self._last: Evening | None = kept_evening(shelf)
        self._session: TakeSession | None = None
        self._live: EveningFollower | None = None
        self._thread: threading.Thread | None = None
        self._settling: tuple[EveningFollower, threading.Thread] | None = None
        self._is_closed = False

    def gauge(self, on: bool, peak_dbfs: float | None = None) -> dict[str, Any]:
        """Begin, go on with or end watching the level while nothing is recorded (see ``LevelWatch``)."""
        with self._starting:
            return self._level.watch(on, peak_dbfs, self._is_at_work)

    def start(
        self,
        record_id: str,
        folder: RecordFolder,
        sides: tuple[str, ...],
        then_copies: tuple[str, ...],
        *,
        stylus: str = "",
        by_needle: bool = True,
        any_side: bool = False,
        survey: bool = True,
    ) -> dict[str, Any]:
        """Arm for the sides of a record. Refusals come at once: no input, no room, somebody else at work. Without ``survey``
        nothing but the recording runs while a side plays; it is surveyed afterwards."""
        with self._starting:
            if self._is_at_work():
                raise ShelfError("turntable-busy")
            self._level.end()
            sound_input = input_in_use()
            rate_hz, bits = form_wished()
            view = SessionView(
                record=record_id,
                sides=sides,
                then_copies=then_copies,
                by_needle=by_needle,
                side=sides[0] if sides else "",
            )
            live = EveningFollower(self._shelf, kinds=then_copies) if survey else None
            start = _Start()

            def tell(status: TakeStatus) -> None:
                if start.known.is_set():
                    self._tell(status)
                else:
                    start.news += status.news

            def work() -> None:
                with (
                    self._evening(view, live, start),
                    open_session(
                        self._shelf,
                        str(folder.path),
                        sides=sides,
                        sound_input=sound_input,
                        rate_hz=rate_hz,
                        bits=bits,
                        stylus=stylus,
                        by_needle=by_needle,
                        any_side=any_side,
                        tell=tell,
                        follower=_Following(live, self._news) if live is not None else None,
                    ) as session,
                ):
                    with self._lock:
                        for news in start.news:
                            view.hear(news)
                        self._session, self._view, self._live = session, view, live
                    start.known.set()
                    start.takes = session.run()

            self._thread = threading.Thread(target=work, name="session", daemon=True)
            self._thread.start()
            if not start.known.wait(_START_WAIT_S):
                raise DeviceError("no-answer")
            if start.refusal is not None:
                raise start.refusal
        self._news.publish("session", {"session": self.view()})
        return self.view() or view.view()

    @contextmanager
    def _evening(self, view: SessionView, live: EveningFollower | None, start: _Start) -> Iterator[None]:
        """Round an evening: what goes wrong is told to who waits for its beginning, later to all; then what follows is done."""
        try:
            yield
        except SidekeepError as error:
            if start.known.is_set():
                self._news.publish("session-failed", told(error))
            else:
                start.refusal = error
        finally:
            with self._lock:
                self._session = self._live = None
                if self._view is view:
                    view.phase = "done"
                was_begun = self._view is view
                self._view = None
                if was_begun:
                    self._last = (time.time(), {**view.view(), "phase": "done"})
            start.known.set()
            if was_begun and self._last is not None:
                is_whole = set(view.sides) <= {letter for take in start.takes for letter in take.side}
                has_copies_due = is_whole and bool(view.then_copies)
                keep_evening(self._shelf, before_copies(self._last) if has_copies_due else self._last)
                self._news.publish("session", {"session": {**view.view(), "phase": "done"}})
                self._settle(live, lambda: self._taken(view.record, view.then_copies, is_whole))
            elif live is not None:
                live.end()

    def _settle(self, live: EveningFollower | None, then: Callable[[], None]) -> None:
        """Let the last side's survey, if one ran, come to its end beside whatever is done next, then go on with what follows."""
        if live is None:
            then()
            return

        def wait() -> None:
            live.survey.settle(_SETTLE_S)
            live.end()
            if not self._is_closed:
                then()

        thread = threading.Thread(target=wait, name="settling", daemon=True)
        with self._lock:
            self._settling = (live, thread)
        thread.start()

    def act(
        self, do: str, side: str = "", *, record: str | None = None, take: str | None = None
    ) -> dict[str, Any]:
        """What the person wants now: begin, end, again, discard, keep, side-is, first, stop. ``record`` and ``take`` (empty: no
        open one) are what they saw on the turntable; with another take open by now, nothing is done and that is the refusal."""
        if do not in get_args(Do):
            raise ParameterError("no-such-act", do=do[:20], known=get_args(Do))
        with self._lock:
            session, seen = self._session, self._view
            if session is None or seen is None:
                raise ShelfError("no-session")
            if record is not None and record != seen.record:
                raise ShelfError("another-record")
            if take is not None and seen.take and take != seen.take:
                raise ShelfError("another-take", side=seen.side)
        wanted: Do = next(each for each in get_args(Do) if each == do)
        session.act(Act(do=wanted, side=side, take=take))
        return self.view() or {}

    def view(self) -> dict[str, Any] | None:
        """The session at work, with the newest news; None without one."""
        with self._lock:
            return self._view.view() if self._view else None

    def last(self) -> dict[str, Any] | None:
        """The session that ended last, for a page that is opened afterwards, also after a restart; None once another one is
        at work, or after half a day."""
        with self._lock:
            if self._view is not None or self._last is None:
                return None
            ended_s, view = self._last  # by the clock on the wall: it counts across restarts
            return view if time.time() - ended_s < KEPT_S else None

    def followed(self) -> None:
        """What was to follow the last evening was asked for, or had better wait."""
        with self._lock:
            last = self._last if self._view is None else None
        if last is not None:
            keep_evening(self._shelf, last)

    def live(self) -> list[dict[str, Any]]:
        """All that is known of the side being taken, for a page that opens late."""
        with self._lock:
            live = self._live
        return live.survey.state() if live is not None else []

    def close(self) -> None:
        """End the level and the session; an open take is closed and kept."""
        self._is_closed = True
        self._level.end()
        with self._lock:
            session, thread = self._session, self._thread
        if session is not None:
            session.act(Act(do="stop", why="signal"))
        if thread is not None:
            thread.join(30.0)
        with self._lock:
            settling = self._settling
        if settling is not None:
            settling[0].survey.close()  # what waits for it sees that and ends
            settling[1].join(10.0)

    def _is_at_work(self) -> bool:
        return self._thread is not None and self._thread.is_alive()

    def _tell(self, status: TakeStatus) -> None:
        with self._lock:
            view = self._view
            if view is None:
                return
            is_new = bool(status.news) or (view.phase, view.side) != (status.phase, status.side)
            view.phase, view.side, view.take = status.phase, status.side, status.take
            view.elapsed_frames, view.safe_frames = status.elapsed_frames, status.safe_frames
            view.rate_hz, view.input_open = status.rate_hz, status.input_open
            for news in status.news:
                view.hear(news)
            shown = view.view() if is_new else None
        if shown is not None:
            self._news.publish("session", {"session": shown})
            keep_evening(self._shelf, broken_off(shown))
        self._news.show(
            "meter",
            {
                "reading": reading_view(status.reading) if status.reading else None,
                "recording": True,
                "phase": status.phase,
                "side": status.side,
                "elapsed_frames": status.elapsed_frames,
                "safe_frames": status.safe_frames,
                "rate_hz": status.rate_hz,
            },
        )


class _Following:
    """What follows the evening, its events told to everybody who watches."""

    def __init__(self, live: EveningFollower, news: EventHub) -> None:
        self._live = live
        self._news = news
        self.begun, self.ended = live.begun, live.ended
        self.closed, self.dropped, self.close = live.closed, live.dropped, live.close

    def poll(self) -> list[Mapping[str, Any]]:
        for event in self._live.news():
            self._news.publish("live", event)
        return []
