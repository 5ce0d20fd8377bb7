"""Recording the sides of a record, unattended: wait for the needle, record, see the end, ask for the flip.

The capture process writes the takes; ``taking`` decides where they begin and end. This session holds the input, which may go
away and come back, and hands on what is heard, told and wished for. Nothing is worded here (``News``), nothing is printed, no
signal is handled; ``run`` may live in any thread, ``act`` is for all threads.

If the session dies, the capture closes the take; if that dies too, ``take_close.recover`` mends the file at the next start.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Callable, Mapping
from typing import Any

from sidekeep.devices.recorder import Recorder, RecorderEvent, RecorderSettings
from sidekeep.errors import SidekeepError
from sidekeep.model.news import News
from sidekeep.service.recording.afterthoughts import not_done
from sidekeep.service.recording.hearing import Hearing, warm_up
from sidekeep.service.recording.side_fit import sides_on_sleeve
from sidekeep.service.recording.take_types import Act, Follower, NoFollower, TakeOptions, TakeStatus
from sidekeep.service.recording.taking import OpenInput, Taking
from sidekeep.service.recording.verdict import refuse_strange_sides
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake

_LEFT_IN_ORDER = object()
_LEAST_LIFE_S = 5.0
"""A capture that dies sooner than this is not started again without a look at the inputs (chosen here)."""


class TakeSession:
    """One evening's work on one record. ``run`` returns when all sides are taken or the person stopped."""

    def __init__(
        self,
        folder: RecordFolder,
        settings: RecorderSettings,
        options: TakeOptions,
        *,
        tell: Callable[[TakeStatus], None],
        follower: Follower | None = None,
        open_recorder: Callable[[RecorderSettings], Any] = Recorder,
        find_input: Callable[[], tuple[RecorderSettings | None, tuple[News, ...]]] | None = None,
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        self.options = options
        self._input = OpenInput(settings=settings, hearing=Hearing(settings))
        self._tell = tell
        self._open_recorder = open_recorder
        self._find_input = find_input or (lambda: (self.settings, ()))
        self._wait = wait
        self._acts: queue.SimpleQueue[Act] = queue.SimpleQueue()
        self._was_open = False
        self._taking = Taking(folder, self._input, options, follower=follower or NoFollower(), say=self._say)
        self._next_status_frame = 0

    # What a skin does

    @property
    def folder(self) -> RecordFolder:
        """The record, where it lies now."""
        return self._taking.folder

    @property
    def settings(self) -> RecorderSettings:
        """The form of the input."""
        return self._input.settings

    @property
    def takes(self) -> list[ShelfTake]:
        """What was taken and is closed; false starts are not among it."""
        return self._taking.closed

    def act(self, act: Act) -> None:
        """From any thread; acts are obeyed in the order they came."""
        self._acts.put(act)

    def run(self) -> list[ShelfTake]:
        """Record all sides. Trouble at the turntable is news, not an exception; what was recorded is kept."""
        taking = self._taking
        refuse_strange_sides(self.options, sides_on_sleeve(taking.folder.record()))
        try:
            self._say()
            warm_up(self.settings.rate_hz, self.settings.channels)
            while not taking.over:
                self._wait_for_input(at_once=self._listen())
        finally:
            taking.close()
        taking.phase = "done"
        self._say(
            News(code="done")
            if taking.over == "done"
            else News(code="stopped", facts={"reason": taking.over})
        )
        return self.takes

    # The life of one opening of the input

    def _listen(self) -> bool:
        """Until the capture has left; whether it died, with the input still there for all that is known."""
        taking = self._taking
        died = False
        with self._open_recorder(self.settings) as recorder:
            self._input.recorder = recorder
            self._input.hearing = Hearing(self.settings)
            taking.opened()
            for event in recorder.events():
                self._on_event(event)
                self._obey()
                taking.check_end()
                taking.tell_collected()
                if event.kind == "left" or (taking.over and taking.take is None):
                    died = event.fact("code", _LEFT_IN_ORDER) != _LEFT_IN_ORDER
                    break
        self._input.recorder, self._input.is_open = None, False
        if taking.take is not None:
            taking.lost()
        return died and self._input.hearing.frame > _LEAST_LIFE_S * self.settings.rate_hz

    def _wait_for_input(self, *, at_once: bool) -> None:
        """The input is away: look for it now and then, and obey acts meanwhile. All sides taken, nothing is waited for. With
        ``at_once`` it is opened again as it was: every second in which inputs are listed is one that nobody records."""
        taking = self._taking
        if taking.waits_for_answer:
            taking.over = taking.over or "done"
        taking.phase = "waiting"
        if at_once:
            return
        told: set[str] = set()
        while not taking.over:
            settings, news = self._find_input()
            self._say(*[each for each in news if each.code not in told])
            told |= {each.code for each in news}
            self._obey()
            taking.tell_collected()
            if settings is not None:
                self._input.settings = settings
                return
            self._wait(1.0)

    def _on_event(self, event: RecorderEvent) -> None:
        taking = self._taking
        if event.kind == "audio" and event.block is not None:
            self._on_audio(event)
        elif event.kind == "started":
            self._input.is_open = True
            back = News(code="input-back", facts={"name": self.options.input_name})
            taking.arm(back if self._was_open else None)
            self._was_open = True
        elif event.kind == "begun" and taking.take is not None:
            taking.begun(event)
        elif event.kind == "synced" and taking.take is not None:
            taking.take.safe_frames = int(event.fact("frames", 0))
        elif event.kind == "news" and event.news is not None:
            self._on_news(event.news)
        elif event.kind == "ended" and taking.take is not None:
            taking.ended(event)
        elif event.kind == "quiet":
            self._say()

    def _on_audio(self, event: RecorderEvent) -> None:
        assert event.block is not None
        hearing = self._input.hearing
        for change in hearing.listen(event):
            self._taking.needle(change)
        self._taking.listen(event.block)
        if hearing.frame >= self._next_status_frame:
            step = max(1, round(self.options.status_every_s * self.settings.rate_hz))
            self._next_status_frame = hearing.frame + step
            self._say()

    def _on_news(self, news: News) -> None:
        if "capture_frame" in news.facts:
            self._taking.note_late(news)
        elif self._taking.take is None or (news.code.startswith("input-") and news.severity == "note"):
            self._say(news)
        else:
            self._taking.note(news)

    # Acts

    def _obey(self) -> None:
        while not self._acts.empty():
            act = self._acts.get_nowait()
            try:
                news = self._taking.not_meant(act)
                self._obey_one(act) if news is None else self._say(news)
            except (SidekeepError, OSError) as error:
                self._say(not_done(act, error))

    def _obey_one(self, act: Act) -> None:
        taking = self._taking
        is_open = taking.take is not None
        if act.do == "stop":
            taking.over = taking.over or act.why
            taking.end("key")
        elif act.do == "begin" and not is_open and self._input.is_open:
            taking.begin(self._input.hearing.frame)
        elif act.do == "end" and is_open:
            taking.end("key")
        elif act.do in ("again", "discard") and is_open:
            taking.end(act.do)
        elif act.do in ("again", "discard"):
            taking.undo_last(act.do)
        elif act.do == "keep" and not is_open:
            taking.keep_last()
        elif act.do == "side-is":
            taking.side_is(act.side)
        elif act.do == "first" and not is_open:
            taking.let_first(act.side)

    # Status

    def _say(self, *news: News, live: tuple[Mapping[str, Any], ...] = ()) -> None:
        taking = self._taking
        take = taking.take
        self._tell(
            TakeStatus(
                phase=taking.phase,
                side=take.side if take is not None else taking.due.side,
                take=take.name if take is not None else "",
                elapsed_frames=take.elapsed_frames(self._input.hearing.frame) if take is not None else 0,
                safe_frames=take.safe_frames if take is not None else 0,
                rate_hz=self.settings.rate_hz,
                reading=self._input.hearing.reading(),
                input_open=self._input.is_open,
                news=news,
                live=live,
            )
        )
