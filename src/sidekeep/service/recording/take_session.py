"""Recording the sides of a record, unattended: wait for the needle, record, see the end, ask for the flip.

The capture process writes the takes; this session only decides where they begin and end, and every decision can be put
right by an act. Whatever it believes, sound with the needle down is on the disk: in doubt it records on. Nothing is
worded here (``News``), nothing is printed, no signal is handled; ``run`` may live in any thread, ``act`` is for all threads.

If the session dies, the capture closes the take; if that dies too, ``take_close.recover`` mends the file at the next start.
"""

from __future__ import annotations

import queue
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from sidekeep.devices.recorder import Recorder, RecorderEvent, RecorderSettings
from sidekeep.errors import SidekeepError
from sidekeep.flow.needle.needle_watch import NeedleEvent
from sidekeep.model.finding import Fact
from sidekeep.model.news import News
from sidekeep.service.recording import verdict
from sidekeep.service.recording.afterthoughts import PUT_ASIDE, Afterthoughts, not_done
from sidekeep.service.recording.hearing import Hearing, warm_up
from sidekeep.service.recording.open_take import ClosedPiece, OpenTake, bext_of
from sidekeep.service.recording.pieces import Pieces
from sidekeep.service.recording.room import Room, not_written
from sidekeep.service.recording.side_fit import printed_sides, sides_on_sleeve
from sidekeep.service.recording.sides_due import SidesDue
from sidekeep.service.recording.take_types import Act, Follower, NoFollower, Phase, TakeOptions, TakeStatus
from sidekeep.shelf.record_folder import RecordFolder, ShelfTake

BEFORE_NEEDLE_S = 4.0
BEFORE_VAGUE_S = 30.0
"""Where the needle's moment is not known, all that the capture still holds is kept."""
AFTER_LIFT_S = 1.5
_STILL_S = 30.0


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
        self.folder = folder
        self.settings = settings
        self.options = options
        self._tell = tell
        self._follower = follower or NoFollower()
        self._open_recorder = open_recorder
        self._find_input = find_input or (lambda: (self.settings, ()))
        self._wait = wait
        self._acts: queue.SimpleQueue[Act] = queue.SimpleQueue()
        self._hearing = Hearing(settings)
        self._record = folder.record()
        self._printed = printed_sides(self._record)
        self._room = Room(folder.path, settings)
        self._phase: Phase = "opening"
        self._due = SidesDue(options.sides)
        self._recorder: Any = None
        self._input_open = self._was_open = False
        self._take: OpenTake | None = None
        self._pieces = Pieces()
        self._afterthoughts = Afterthoughts(self._pieces, self._due, self._follower, settings.rate_hz)
        self._end_at: tuple[int, str] | None = None
        self._queued: tuple[int, bool] | None = None
        self._over = ""
        self._answer_until: int | None = None
        self._doubt = ""
        self._told_still = False
        self._next_status_frame = 0

    # What a skin does

    @property
    def takes(self) -> list[ShelfTake]:
        """What was taken and is closed; false starts are not among it."""
        return self._pieces.takes

    def act(self, act: Act) -> None:
        """From any thread; acts are obeyed in the order they came."""
        self._acts.put(act)

    def run(self) -> list[ShelfTake]:
        """Record all sides. Trouble at the turntable is news, not an exception; what was recorded is kept."""
        verdict.refuse_strange_sides(self.options, sides_on_sleeve(self._record))
        try:
            self._say()
            warm_up(self.settings.rate_hz, self.settings.channels)
            while not self._over:
                self._listen()
                self._wait_for_input()
        finally:
            self._leave()
        self._phase = "done"
        self._say(
            News(code="done") if self._over == "done" else News(code="stopped", facts={"reason": self._over})
        )
        return self.takes

    # The life of one opening of the input

    def _listen(self) -> None:
        with self._open_recorder(self.settings) as recorder:
            self._recorder = recorder
            self._hearing = Hearing(self.settings)
            for event in recorder.events():
                self._on_event(event)
                self._obey()
                self._check_end()
                self._tell_collected()
                if event.kind == "left" or (self._over and self._take is None):
                    break
        self._recorder, self._input_open = None, False
        if self._take is not None:  # the capture is gone and could not say how the take ended
            self._on_ended(RecorderEvent(kind="ended", facts={"path": str(self._take.path), "frames": -1}))

    def _wait_for_input(self) -> None:
        """The input is away: look for it now and then, and obey acts meanwhile. All sides taken, nothing is waited for."""
        if self._answer_until is not None:
            self._over = self._over or "done"
        self._phase = "waiting"
        told: set[str] = set()
        while not self._over:
            settings, news = self._find_input()
            self._say(*[each for each in news if each.code not in told])
            told |= {each.code for each in news}
            self._obey()
            self._tell_collected()
            if settings is not None:
                self.settings = settings
                return
            self._wait(1.0)

    def _on_event(self, event: RecorderEvent) -> None:
        if event.kind == "audio" and event.block is not None:
            self._on_audio(event)
        elif event.kind == "started":
            self._input_open = True
            self._arm(
                News(code="input-back", facts={"name": self.options.input_name}) if self._was_open else None
            )
            self._was_open = True
        elif event.kind == "begun" and self._take is not None:
            self._on_begun(event)
        elif event.kind == "synced" and self._take is not None:
            self._take.safe_frames = int(event.fact("frames", 0))
        elif event.kind == "news" and event.news is not None:
            self._on_news(event.news)
        elif event.kind == "ended" and self._take is not None:
            self._on_ended(event)
        elif event.kind == "quiet":
            self._say()

    def _on_audio(self, event: RecorderEvent) -> None:
        assert event.block is not None
        for change in self._hearing.listen(event):
            self._on_needle(change)
        take = self._take
        if take is not None and take.begun:
            for news in take.listen(event.block, self._hearing.clipped_frames, self._hearing.frame):
                self._note(news)
            self._tell_still(take)
        if self._hearing.frame >= self._next_status_frame:
            step = max(1, round(self.options.status_every_s * self.settings.rate_hz))
            self._next_status_frame = self._hearing.frame + step
            self._say()

    def _tell_still(self, take: OpenTake) -> None:
        is_still = self._phase == "recording" and self._hearing.still_s >= _STILL_S
        if is_still and not self._told_still:
            self._say(News(code="still", side=take.side, take=take.name))
        self._told_still = is_still

    # The needle

    def _on_needle(self, change: NeedleEvent) -> None:
        if not self.options.by_needle:
            return
        frame = change.frame
        rate_hz = self.settings.rate_hz
        take = self._take
        if change.state == "down":
            if take is None:
                self._begin(frame, vague=change.vague, joined=change.joined, again=change.again)
            elif self._phase == "run-out":
                self._end_at = None
                self._phase = "recording"
                self._say(News(code="music-again", side=take.side, take=take.name))
            elif self._end_at is not None or self._phase == "closing":
                # Lifted, and lowered again before the take was closed: the next one begins there.
                self._queued = (frame, change.joined)
                self._end("lift" if self._end_at is None else self._end_at[1])
        elif (
            take is None
            and self._answer_until is not None
            and self._doubt == "run-out"
            and change.state == "up"
        ):
            self._over = self._over or "done"
        elif take is None or self._phase not in ("recording", "run-out", "opening"):
            return
        elif change.state == "run-out":
            kept_s = verdict.run_out_kept_s(self._printed.get(take.side), self._hearing.music_s)
            self._end_at = (self._hearing.frame + round(kept_s * rate_hz), "run-out")
            self._phase = "run-out"
            self._say(News(code="run-out", side=take.side, take=take.name, facts={"ends_in_s": kept_s}))
        else:
            take.up_frame = frame
            why = change.why if change.why == "switched-on" else "lift"
            self._end_at = (frame + round(AFTER_LIFT_S * rate_hz), why)

    def _check_end(self) -> None:
        take = self._take
        if take is None and self._answer_until is not None and self._hearing.frame >= self._answer_until:
            self._over = self._over or "done"
        if take is None or self._phase == "closing":
            return
        if self._end_at is not None and self._hearing.frame >= self._end_at[0]:
            self._end(self._end_at[1])
        elif (
            take.elapsed_frames(self._hearing.frame) > self.options.cap_hours * 3600.0 * self.settings.rate_hz
        ):
            self._note(News(code="cap", severity="look", facts={"hours": self.options.cap_hours}))
            self._queued = (self._hearing.frame + round(BEFORE_NEEDLE_S * self.settings.rate_hz), True)
            self._end("cap")

    # Takes

    def _begin(self, frame: int, *, vague: bool = False, joined: bool = False, again: bool = False) -> None:
        """Begin the take of the awaited side, with what lies before ``frame`` of the capture."""
        before_s = BEFORE_VAGUE_S if vague else BEFORE_NEEDLE_S
        start = max(0, frame - round(before_s * self.settings.rate_hz))
        last = self._pieces.all[-1] if self._pieces.all else None
        if again and last is not None and last.reason == "run-out" and last.side != self._due.side:
            # Music after a run-out that was none, and no lift between: the side before goes on.
            self._due.first(last.side)
        anew = last is not None and last.side == self._due.side and (again or verdict.was_cut_short(last))
        try:
            self.folder, take_folder = self._room.new_take_folder(self.folder, self._due.side)
        except OSError as error:
            self._say(not_written(self.folder, self._due.side, error))
            return
        take = OpenTake(
            side=self._due.side,
            path=take_folder / "take.wav",
            settings=self.settings,
            start_frame=start,
            needle_frame=frame,
            joined=joined,
            anew=anew,
        )
        self._take = take
        self._end_at = self._answer_until = None
        self._told_still, self._phase = False, "opening"
        bext = bext_of(self._record, self._due.side, self.settings, self.options.stylus)
        with suppress(SidekeepError):  # the capture has died, and its end comes next
            self._recorder.begin(take.path, bext, from_frame=start, places=self._room.places())

    def _on_begun(self, event: RecorderEvent) -> None:
        """The writer has bytes on the disk: only now it is said."""
        take, path = self._take, Path(str(event.fact("path")))
        assert take is not None
        if take.begun and path != take.path:
            self._follower.ended(take.path)
        take.path, take.begun = path, True
        take.start_frame = int(event.fact("start_frame"))
        take.safe_frames = int(event.fact("frames", 0))
        if self._phase == "opening":
            self._phase = "recording"
        for news in take.begun_news():
            self._say(news) if news.severity == "note" else self._note(news)
        self._follower.begun(take.path, take.path.parent, take.side)

    def _end(self, why: str) -> None:
        if self._take is None:
            return
        if self._phase == "closing":
            # Only that it is no side after all can still be told of a take that is being closed.
            self._take.end_reason = why if why in PUT_ASIDE else self._take.end_reason
            return
        self._take.end_reason = why
        self._phase, self._end_at = "closing", None
        self._say()
        if self._recorder is not None:
            with suppress(SidekeepError):
                self._recorder.end()

    def _on_ended(self, event: RecorderEvent) -> None:
        """The file is closed; decide what it is, and go on. Its checksum is taken beside."""
        take, self._take = self._take, None
        assert take is not None
        if take.begun:
            self._follower.ended(take.path)
        if not take.end_reason:
            # Lifted, or run out, before the input was lost: then nothing of the side was.
            take.end_reason = self._end_at[1] if self._end_at is not None else str(event.fact("why", ""))
        self.folder, take.path = self._room.where_now(self.folder, take.path, str(event.fact("path", "")))
        piece = ClosedPiece.of(
            take, int(event.fact("frames", -1)), self._hearing.frame, self._hearing.music_s
        )
        self._end_at = None
        if not take.begun and not take.path.exists():
            self._arm()
            return
        self._pieces.all.append(piece)
        self._judge(piece)
        queued, self._queued = self._queued, None
        if queued is not None and not self._over and self._recorder is not None:
            self._begin(queued[0], joined=queued[1] and piece.reason == "cap")

    def _judge(self, piece: ClosedPiece) -> None:
        """A false start, or a side: say which, and how it fits what is printed; then go on."""
        judged, news = verdict.judge(piece, self._pieces.all[:-1], self._printed, self.options)
        self._afterthoughts.note(piece, self._hearing.frame)
        self._pieces.submit(piece, self.folder, self.options)
        if judged == "taken":
            self._say(*news)
            self._next_side(verdict.doubt_of(piece, news, self._printed.get(piece.side)))
        else:
            self._arm(*news)

    def _next_side(self, doubt: str = "") -> None:
        """Ask for the flip. After the last side the evening is over, but not with a question that nobody had time to answer."""
        if self._over:
            return
        if self._due.next():
            side = self._due.side
            self._phase = "flip"
            self._say(News(code="flip", side=side), *self._room.news(self._printed.get(side)))
        elif doubt:
            self._phase = "armed"
            self._doubt = doubt
            self._answer_until = self._hearing.frame + round(self.options.answer_s * self.settings.rate_hz)
            facts: dict[str, Fact] = {"minutes": self.options.answer_s / 60.0, "doubt": doubt}
            self._say(News(code="answer", side=self._due.side, facts=facts))
        else:
            self._over = "done"

    def _arm(self, *news: News | None) -> None:
        """Wait for the needle, for the side that is due."""
        if self._phase != "flip":
            self._phase = "armed"
        own = self._printed.get(self._due.side)
        armed = News(code="armed", side=self._due.side, facts={"printed_s": own.length_s if own else None})
        self._say(*[each for each in news if each is not None], armed, *self._room.news(own))

    # Acts

    def _obey(self) -> None:
        while not self._acts.empty():
            act, self.folder = self._acts.get_nowait(), self._room.here(self.folder)
            try:
                news = self._afterthoughts.not_meant(act, self._take)
                self._obey_one(act) if news is None else self._say(news)
            except (SidekeepError, OSError) as error:
                self._say(not_done(act, error))

    def _obey_one(self, act: Act) -> None:
        open_take = self._take is not None
        if act.do == "stop":
            self._over = self._over or act.why
            self._end("key")
        elif act.do == "begin" and not open_take and self._input_open:
            self._begin(self._hearing.frame)
        elif act.do == "end" and open_take:
            self._end("key")
        elif act.do in ("again", "discard") and open_take:
            self._end(act.do)
        elif act.do in ("again", "discard"):
            self._undo_last(act.do)
        elif act.do == "keep" and not open_take:
            self._keep_last()
        elif act.do == "side-is":
            self._side_is(act.side)

    def _undo_last(self, why: str) -> None:
        self._tell_collected(settle=True)
        news = self._afterthoughts.undo(self.folder, why, self._hearing.frame)
        if news is not None and news.code == "false-start":
            self._phase, self._answer_until = "armed", None
            self._arm(news)
        elif news is not None:
            self._say(news)

    def _keep_last(self) -> None:
        self._tell_collected(settle=True)
        news = self._afterthoughts.keep(self.folder)
        if news is not None:
            self._say(news)
            if news.side == self._due.side:
                self._next_side()

    def _side_is(self, side: str) -> None:
        """The open take, or the last one, is another side than was thought."""
        self._tell_collected(settle=self._take is None)
        was = self._take.side if self._take is not None else self._pieces.last_side()
        if not side or not was or side == was:
            return
        renamed = News(code="side-is", side=side, facts={"was": was})
        if self._take is not None:
            self._take.side = side
            self._due.open_is(side, was)
            self._say(renamed)
            return
        at_end, self._answer_until = self._answer_until is not None, None
        if self._pieces.relabel_last(self.folder, side, self._follower):
            self._say(renamed, News(code="side-is", side=was, facts={"was": side}))
            if at_end:
                self._next_side()
            return
        self._due.taken_is(side, was)
        self._say(renamed)
        if not self._over:
            self._phase = "flip"
            self._arm()

    # News, closing

    def _on_news(self, news: News) -> None:
        if self._take is None or (news.code.startswith("input-") and news.severity == "note"):
            self._say(news)
        else:
            self._note(news)

    def _note(self, news: News) -> None:
        """Said at once and kept in ``take.json``."""
        take = self._take
        if take is not None:
            at = news.at_frame if news.at_frame >= 0 else max(0, self._hearing.frame - take.start_frame)
            news = replace(news, side=take.side, take=take.name, at_frame=at)
            take.notes.append(news)
        self._say(news)

    def _tell_collected(self, *, settle: bool = False) -> None:
        """Pieces whose checksum is there; with ``settle`` all of them are waited for."""
        news = self._pieces.collect(self._follower, settle=settle)
        live = tuple(self._follower.poll())
        if news or live:
            self._say(*news, live=live)

    def _leave(self) -> None:
        if self._take is not None:
            self._on_ended(RecorderEvent(kind="ended", facts={"path": str(self._take.path), "frames": -1}))
        self._phase = "closing"
        self._say()
        self._tell_collected(settle=True)
        self._pieces.close()
        self._follower.close()

    def _say(self, *news: News, live: tuple[Mapping[str, Any], ...] = ()) -> None:
        take = self._take
        self._tell(
            TakeStatus(
                phase=self._phase,
                side=take.side if take is not None else self._due.side,
                take=take.name if take is not None else "",
                elapsed_frames=take.elapsed_frames(self._hearing.frame) if take is not None else 0,
                safe_frames=take.safe_frames if take is not None else 0,
                rate_hz=self.settings.rate_hz,
                reading=self._hearing.reading(),
                input_open=self._input_open,
                news=news,
                live=live,
            )
        )
