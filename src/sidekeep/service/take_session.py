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
from sidekeep.flow.needle_watch import NeedleEvent
from sidekeep.model.news import Fact, News, Weight
from sidekeep.service.hearing import Hearing, warm_up
from sidekeep.service.open_take import ClosedPiece, OpenTake, bext_of
from sidekeep.service.pieces import Pieces
from sidekeep.service.room import Room
from sidekeep.service.side_fit import printed_sides, sides_on_sleeve
from sidekeep.service.take_types import Act, Follower, NoFollower, Phase, TakeOptions, TakeStatus
from sidekeep.service.verdict import CUT_SHORT, judge, refuse_strange_sides
from sidekeep.shelf.record_folder import RecordFolder, ShelfTake

BEFORE_NEEDLE_S = 4.0
BEFORE_VAGUE_S = 30.0
"""Where the needle's moment is not known, all that the capture still holds is kept."""
AFTER_LIFT_S = 1.5
RUN_OUT_KEPT_S = 8.0
DOUBTED_RUN_OUT_KEPT_S = 45.0
"""A tick once per turn in a long pause may be a scratch: before the printed time is over it must last."""
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
        self._printed = printed_sides(folder.record())
        self._room = Room(folder.path, settings)
        self._phase: Phase = "opening"
        self._waiting = list(options.sides)
        self._side = self._waiting.pop(0) if self._waiting else ""
        self._recorder: Any = None
        self._input_open = self._was_open = False
        self._take: OpenTake | None = None
        self._pieces = Pieces()
        self._end_at: tuple[int, str] | None = None
        self._queued: tuple[int, bool] | None = None
        self._over = ""
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
        refuse_strange_sides(self.options, sides_on_sleeve(self.folder.record()))
        try:
            self._say()
            warm_up(self.settings.rate_hz, self.settings.channels)
            while not self._over:
                self._listen()
                if not self._over:
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
        self._recorder = None
        self._input_open = False
        if self._take is not None:  # the capture is gone and could not say how the take ended
            self._on_ended(RecorderEvent(kind="ended", facts={"path": str(self._take.path), "frames": -1}))

    def _wait_for_input(self) -> None:
        """The input is away: look for it now and then, and obey acts meanwhile."""
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
            step = round(self.options.status_every_s * self.settings.rate_hz)
            self._next_status_frame = self._hearing.frame + max(1, step)
            self._say()

    def _tell_still(self, take: OpenTake) -> None:
        was, self._told_still = (
            self._told_still,
            self._phase == "recording" and self._hearing.still_s >= _STILL_S,
        )
        if self._told_still and not was:
            self._say(News(code="still", side=take.side, take=take.name))

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
        elif take is None or self._phase not in ("recording", "run-out", "opening"):
            return
        elif change.state == "run-out":
            own = self._printed.get(take.side)
            early = own is None or self._hearing.music_s < 0.9 * own.length_s
            kept_s = DOUBTED_RUN_OUT_KEPT_S if early else RUN_OUT_KEPT_S
            self._end_at = (self._hearing.frame + round(kept_s * rate_hz), "run-out")
            self._phase = "run-out"
            self._say(News(code="run-out", side=take.side, take=take.name, facts={"ends_in_s": kept_s}))
        else:
            take.up_frame = frame
            why = change.why if change.why == "switched-on" else "lift"
            self._end_at = (frame + round(AFTER_LIFT_S * rate_hz), why)

    def _check_end(self) -> None:
        take = self._take
        if take is None or self._phase == "closing":
            return
        if self._end_at is not None and self._hearing.frame >= self._end_at[0]:
            self._end(self._end_at[1])
        elif (
            self._hearing.frame - take.start_frame
        ) > self.options.cap_hours * 3600.0 * self.settings.rate_hz:
            self._note(News(code="cap", weight="look", facts={"hours": self.options.cap_hours}))
            self._queued = (self._hearing.frame + round(BEFORE_NEEDLE_S * self.settings.rate_hz), True)
            self._end("cap")

    # Takes

    def _begin(self, frame: int, *, vague: bool = False, joined: bool = False, again: bool = False) -> None:
        """Begin the take of the awaited side, with what lies before ``frame`` of the capture."""
        before_s = BEFORE_VAGUE_S if vague else BEFORE_NEEDLE_S
        start = max(0, frame - round(before_s * self.settings.rate_hz))
        last = self._pieces.all[-1] if self._pieces.all else None
        if again and last is not None and last.reason == "run-out" and last.side != self._side:
            # Music after a run-out that was none, and no lift between: the side before goes on.
            self._waiting.insert(0, self._side)
            self._side = last.side
        anew = last is not None and last.side == self._side and (again or last.reason in CUT_SHORT)
        try:
            take_folder = self.folder.new_take_folder(self._side)
        except OSError:
            # The record's folder may have another name by now; if not, somewhere safe.
            self.folder = self._room.find_again() or self.folder
            take_folder = self._room.rescue_folder(self._side)
        take = OpenTake(
            side=self._side,
            path=take_folder / "take.wav",
            settings=self.settings,
            start_frame=start,
            needle_frame=frame,
            joined=joined,
            anew=anew,
        )
        self._take = take
        self._end_at = None
        self._told_still = False
        self._phase = "opening"
        self._recorder.begin(
            take.path,
            bext_of(self.folder.record(), self._side, self.settings, self.options.stylus),
            from_frame=start,
            places=self._room.places(),
        )

    def _on_begun(self, event: RecorderEvent) -> None:
        """The writer has bytes on the disk: only now it is said."""
        take = self._take
        assert take is not None
        path = Path(str(event.fact("path")))
        if take.begun and path != take.path:
            self._follower.ended(take.path)
        take.path, take.begun = path, True
        take.start_frame = int(event.fact("start_frame"))
        take.safe_frames = int(event.fact("frames", 0))
        if self._phase == "opening":
            self._phase = "recording"
        before_s = (take.needle_frame - take.start_frame) / self.settings.rate_hz
        facts: dict[str, Fact] = {"side": take.side, "before_s": round(before_s, 2), "joined": take.joined}
        weight: Weight = "look" if take.joined else "note"
        news = News(code="begun", side=take.side, take=take.name, weight=weight, facts=facts, at_frame=0)
        self._note(news) if take.joined else self._say(news)
        if take.anew:
            self._note(News(code="goes-on", weight="act", side=take.side, take=take.name))
        self._follower.begun(take.path, take.path.parent, take.side)

    def _end(self, why: str) -> None:
        if self._take is None or self._phase == "closing":
            return
        self._take.end_reason = why
        self._phase = "closing"
        self._end_at = None
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
        if event.fact("why"):
            take.end_reason = str(event.fact("why"))
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
        verdict, news = judge(piece, self._pieces.all[:-1], self._printed, self.options)
        self._pieces.submit(piece, self.folder, self.options)
        if verdict == "taken":
            self._say(*news)
            self._next_side()
        else:
            self._arm(*news)

    def _next_side(self) -> None:
        if self._waiting and not self._over:
            self._side = self._waiting.pop(0)
            self._phase = "flip"
            self._say(News(code="flip", side=self._side), *self._room.news(self._printed.get(self._side)))
        elif not self._over:
            self._over = "done"

    def _arm(self, *news: News | None) -> None:
        """Wait for the needle, for the side that is due."""
        if self._phase != "flip":
            self._phase = "armed"
        own = self._printed.get(self._side)
        armed = News(code="armed", side=self._side, facts={"printed_s": own.length_s if own else None})
        self._say(
            *[each for each in news if each is not None],
            armed,
            *self._room.news(self._printed.get(self._side)),
        )

    # Acts

    def _obey(self) -> None:
        while True:
            try:
                act = self._acts.get_nowait()
            except queue.Empty:
                return
            self._obey_one(act)

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
            self._undo_last(again=act.do == "again")
        elif act.do == "keep" and not open_take:
            self._keep_last()
        elif act.do == "side-is":
            self._side_is(act.side)

    def _undo_last(self, *, again: bool) -> None:
        self._tell_collected(settle=True)
        piece = self._pieces.undo_last(self.folder, "again" if again else "discard")
        if piece is None:
            return
        self._follower.dropped(piece.take.path)
        if again and piece.side != self._side:
            self._waiting.insert(0, self._side)
            self._side = piece.side
        facts: dict[str, Fact] = {
            "length_s": round(piece.length_s, 1),
            "reason": piece.binned,
            "printed_s": None,
        }
        self._phase = "armed"
        self._arm(News(code="false-start", side=piece.side, take=piece.name, facts=facts))

    def _keep_last(self) -> None:
        self._tell_collected(settle=True)
        piece = self._pieces.keep_last(self.folder)
        if piece is None:
            return
        kept = {"length_s": round(piece.length_s, 1)}
        self._say(News(code="kept", side=piece.side, take=piece.name, facts=kept))
        if piece.side == self._side:
            self._next_side()

    def _side_is(self, side: str) -> None:
        """The open take, or the last one, is another side than was thought."""
        self._tell_collected(settle=self._take is None)
        was = self._take.side if self._take is not None else self._pieces.last_side()
        if not side or not was or side == was:
            return
        if self._take is not None:
            self._take.side = self._side = side
        else:
            self._pieces.relabel_last(self.folder, side)
        self._waiting = [each for each in self._waiting if each != side]
        if self._take is None and self._side == side:
            self._side = was
        elif was not in self._waiting:
            self._waiting.insert(0, was)
        self._say(News(code="side-is", side=side, facts={"was": was}))
        if self._take is None and not self._over:
            self._phase = "flip"
            self._arm()

    # News, closing

    def _on_news(self, news: News) -> None:
        if self._take is None or (news.code.startswith("input-") and news.weight == "note"):
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
        begun = take is not None and take.begun
        self._tell(
            TakeStatus(
                phase=self._phase,
                side=take.side if take is not None else self._side,
                take=take.name if take is not None else "",
                elapsed_frames=max(0, self._hearing.frame - take.start_frame)
                if take is not None and begun
                else 0,
                safe_frames=take.safe_frames if take is not None else 0,
                rate_hz=self.settings.rate_hz,
                reading=self._hearing.reading(),
                input_open=self._input_open,
                news=news,
                live=live,
            )
        )
