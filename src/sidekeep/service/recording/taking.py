"""The takes of an evening: which one is open, when it begins and ends, which side it is, and what comes after it.

Every decision can be put right by an act. Whatever is believed here, sound with the needle down is on the disk: in doubt it
is recorded on. Moments are frames of the open input.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from sidekeep.devices.recorder import RecorderEvent, RecorderSettings
from sidekeep.errors import SidekeepError
from sidekeep.flow.needle.needle_watch import NeedleEvent
from sidekeep.flow.ports import Audio
from sidekeep.model.finding import Fact
from sidekeep.model.news import News
from sidekeep.service.recording import verdict
from sidekeep.service.recording.afterthoughts import PUT_ASIDE, Afterthoughts
from sidekeep.service.recording.coming_end import ComingEnd
from sidekeep.service.recording.hearing import Hearing
from sidekeep.service.recording.last_question import LastQuestion
from sidekeep.service.recording.open_take import ClosedPiece, OpenTake, bext_of
from sidekeep.service.recording.pieces import Pieces
from sidekeep.service.recording.room import Room, not_written
from sidekeep.service.recording.side_fit import printed_sides, sides_on_sleeve
from sidekeep.service.recording.sides_due import SidesDue, is_turned_over
from sidekeep.service.recording.take_types import Act, Follower, Phase, TakeOptions
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake

BEFORE_NEEDLE_S = 4.0
"""Kept of what was heard before the needle came down: the chain by itself, which noise and hum are measured in."""
BEFORE_VAGUE_S = 30.0
"""Where the needle's moment is not known, all that the capture still holds is kept."""
_STILL_S = 30.0


@dataclass(eq=False)
class OpenInput:
    """The input as it is now: ``recorder`` is None while it is away, ``hearing`` begins anew with every opening."""

    settings: RecorderSettings
    hearing: Hearing
    recorder: Any = None
    is_open: bool = False


class Taking:
    """``take`` is the open one; ``over`` says why the evening ends, once it does. ``say`` tells the person, with the state as
    it is."""

    def __init__(
        self,
        folder: RecordFolder,
        sound_input: OpenInput,
        options: TakeOptions,
        *,
        follower: Follower,
        say: Callable[..., None],
    ) -> None:
        self.folder = folder
        self.options = options
        self._input = sound_input
        self._follower = follower
        self._say = say
        self._record = folder.record()
        self._printed = printed_sides(self._record)
        self._room = Room(folder.path, sound_input.settings)
        self.phase: Phase = "opening"
        self.due = SidesDue(options.sides)
        self.take: OpenTake | None = None
        self._pieces = Pieces()
        self._afterthoughts = Afterthoughts(self._pieces, self.due, follower, sound_input.settings.rate_hz)
        self._coming_end = ComingEnd()
        self._queued: tuple[int, bool] | None = None
        self.over = ""
        self._question = LastQuestion()
        self._told_still = False

    @property
    def closed(self) -> list[ShelfTake]:
        """What was taken and is closed; false starts are not among it."""
        return self._pieces.takes

    @property
    def waits_for_answer(self) -> bool:
        """All sides are taken, and only a question is open."""
        return bool(self._question.doubt)

    @property
    def _frame(self) -> int:
        return self._input.hearing.frame

    @property
    def _rate_hz(self) -> int:
        return self._input.settings.rate_hz

    def opened(self) -> None:
        """The input was opened anew."""
        self._pieces.opened()

    def not_meant(self, act: Act) -> News | None:
        """What is said of an act that names another take than it meets; a record that was renamed is found first."""
        self.folder = self._room.here(self.folder)
        return self._afterthoughts.not_meant(act, self.take)

    # The needle

    def needle(self, change: NeedleEvent) -> None:
        """The needle went down or up, or has reached the locked groove."""
        if not self.options.by_needle:
            return
        frame, take = change.frame, self.take
        if change.state == "down":
            if take is None:
                self.begin(frame, vague=change.vague, joined=change.joined, again=change.again)
            elif self.phase == "run-out":
                self._coming_end.forget()
                self.phase = "recording"
                self._say(News(code="music-again", side=take.side, take=take.name))
            elif self._goes_on(take, frame):
                self._coming_end.forget()
                self.note(take.lowered_again(frame))
            elif self._coming_end.why or self.phase == "closing":
                # Lifted, and lowered again before the take was closed: the next one begins there.
                self._queued = (frame, change.joined)
                self.end(self._coming_end.why or "lift")
        elif take is None and self._question.is_answered_by(change):
            self.over = self.over or "done"
        elif take is None or self.phase not in ("recording", "run-out", "opening"):
            return
        elif change.state == "run-out":
            kept_s = verdict.run_out_kept_s(self._printed.get(take.side), self._music_s(take))
            self._coming_end.after_run_out(self._frame, kept_s, self._rate_hz)
            self.phase = "run-out"
            self._say(News(code="run-out", side=take.side, take=take.name, facts={"ends_in_s": kept_s}))
        else:
            music_s = self._music_s(take)
            take.lifted(frame, music_s)
            may_go_on = self.phase == "recording" and verdict.may_go_on(self._printed.get(take.side), music_s)
            self._coming_end.after_lift(change, self._rate_hz, may_go_on=may_go_on)

    def _music_s(self, take: OpenTake) -> float:
        """From the first to the last music of a take, over all times the needle was lowered for it."""
        return take.music_before_s + self._input.hearing.music_s

    def _goes_on(self, take: OpenTake, frame: int) -> bool:
        """Whether a needle that is down again is where it was lifted."""
        return (
            self.phase == "recording"
            and self._coming_end.is_lever(take.up_frame, frame, self._rate_hz)
            and verdict.may_go_on(self._printed.get(take.side), take.music_at_lift_s)
        )

    def check_end(self) -> None:
        """After every event: end what is to end by now."""
        take = self.take
        if take is None and self._question.is_over(self._frame):
            self.over = self.over or "done"
        if take is None or self.phase == "closing":
            return
        if self._coming_end.is_due(self._frame):
            self.end(self._coming_end.why)
        elif take.elapsed_frames(self._frame) > self.options.cap_hours * 3600.0 * self._rate_hz:
            self.note(News(code="cap", severity="look", facts={"hours": self.options.cap_hours}))
            self._queued = (self._frame + round(BEFORE_NEEDLE_S * self._rate_hz), True)
            self.end("cap")

    # Takes

    def _expect_side(self, side: str) -> None:
        printed = self._printed.get(side)
        self._input.hearing.expect_side(printed.expected_s if printed else None)

    def listen(self, block: Audio) -> None:
        """The newest sound, for what the open take tells of it."""
        take = self.take
        if take is None or not take.begun:
            return
        for news in take.listen(block, self._input.hearing.clipped_frames, self._frame):
            self.note(news)
        is_still = self.phase == "recording" and self._input.hearing.still_s >= _STILL_S
        if is_still and not self._told_still:
            self._say(News(code="still", side=take.side, take=take.name))
        self._told_still = is_still

    def begin(self, frame: int, *, vague: bool = False, joined: bool = False, again: bool = False) -> None:
        """Begin the take of the awaited side, with what lies before ``frame`` of the capture."""
        before_s = BEFORE_VAGUE_S if vague else BEFORE_NEEDLE_S
        start = max(0, frame - round(before_s * self._rate_hz))
        last = self._pieces.all[-1] if self._pieces.all else None
        if again and last is not None and last.reason == "run-out" and last.side != self.due.side:
            # Music after a run-out that was none, and no lift between: the side before goes on.
            self.due.first(last.side)
        anew = last is not None and last.side == self.due.side and (again or verdict.was_cut_short(last))
        try:
            self.folder, take_folder = self._room.new_take_folder(self.folder, self.due.side)
        except OSError as error:
            self._say(not_written(self.folder, self.due.side, error))
            return
        take = OpenTake(
            side=self.due.side,
            path=take_folder / "take.wav",
            settings=self._input.settings,
            start_frame=start,
            needle_frame=frame,
            joined=joined,
            anew=anew,
        )
        self.take = take
        self._expect_side(take.side)
        self._coming_end.forget()
        self._question.settle()
        self._told_still, self.phase = False, "opening"
        bext = bext_of(self._record, self.due.side, self._input.settings, self.options.stylus)
        with suppress(SidekeepError):  # the capture has died, and its end comes next
            self._input.recorder.begin(take.path, bext, from_frame=start, places=self._room.places())

    def begun(self, event: RecorderEvent) -> None:
        """The writer has bytes on the disk: only now it is said."""
        take, path = self.take, Path(str(event.fact("path")))
        assert take is not None
        goes_on = take.begun and path != take.path
        if goes_on:
            self._follower.dropped(take.path)  # its survey is made when it is needed
            take.parts.append(take.path)
        take.path, take.begun = path, True
        take.start_frame = int(event.fact("start_frame"))
        take.safe_frames = int(event.fact("frames", 0))
        if self.phase == "opening":
            self.phase = "recording"
        for news in take.begun_news():
            self._say(news) if news.severity == "note" else self.note(news)
        if take.path.is_relative_to(self.folder.path):
            self._follower.begun(take.path, take.path.parent, take.side)
        else:
            self._room.note_home(take.path.parent, take.side, goes_on=goes_on)

    def end(self, why: str) -> None:
        """Have the open take closed, for a reason; nothing without one."""
        if self.take is None:
            return
        if self.phase == "closing":
            # Only that it is no side after all can still be told of a take that is being closed.
            self.take.end_reason = why if why in PUT_ASIDE else self.take.end_reason
            return
        self.take.end_reason = why
        self.phase = "closing"
        self._coming_end.forget()
        self._say()
        if self._input.recorder is not None:
            with suppress(SidekeepError):
                self._input.recorder.end()

    def ended(self, event: RecorderEvent) -> None:
        """The file is closed; decide what it is, and go on. Its checksum is taken beside."""
        take, self.take = self.take, None
        assert take is not None
        if take.begun:
            self._follower.ended(take.path)
        if not take.end_reason:
            # Lifted, or run out, before the input was lost: then nothing of the side was.
            take.end_reason = self._coming_end.why or str(event.fact("why", ""))
        self.folder, take.path = self._room.where_now(self.folder, take.path, str(event.fact("path", "")))
        piece = ClosedPiece.of(take, int(event.fact("frames", -1)), self._frame, self._music_s(take))
        self._coming_end.forget()
        if not take.begun and not take.path.exists():
            self.arm()
            return
        self._pieces.all.append(piece)
        self._judge(piece)
        queued, self._queued = self._queued, None
        if queued is not None and not self.over and self._input.recorder is not None:
            self.begin(queued[0], joined=queued[1] and piece.reason == "cap")

    def lost(self) -> None:
        """The capture is gone and could not say how the take ended."""
        assert self.take is not None
        self.ended(RecorderEvent(kind="ended", facts={"path": str(self.take.path), "frames": -1}))

    def _judge(self, piece: ClosedPiece) -> None:
        """A false start, or a side: say which, and how it fits what is printed; then go on."""
        judged, news = verdict.judge(piece, self._pieces.all[:-1], self._printed, self.options)
        self._afterthoughts.note(piece, self._frame)
        self._pieces.submit(piece, self.folder, self.options)
        if judged == "taken":
            self._say(*news)
            self._next_side(verdict.doubt_of(piece, news, self._printed.get(piece.side)))
        else:
            self.arm(*news)

    def _next_side(self, doubt: str = "") -> None:
        """Ask for the flip. After the last side the evening is over, but not with a question that nobody had time to answer."""
        if self.over:
            return
        if self.due.next():
            side = self.due.side
            self.phase = "flip"
            turned = is_turned_over(self._pieces.last_side(), side)
            facts: dict[str, Fact] = {"turned": turned, "by_needle": self.options.by_needle}
            self._say(News(code="flip", side=side, facts=facts), *self._room.news(self._printed.get(side)))
        elif doubt:
            self.phase = "armed"
            until = self._frame + round(self.options.answer_s * self._rate_hz)
            self._say(self._question.ask(self.due.side, doubt, until, self.options.answer_s))
        else:
            self.over = "done"

    def arm(self, *news: News | None) -> None:
        """Wait for the needle, for the side that is due."""
        if self.phase != "flip":
            self.phase = "armed"
        own = self._printed.get(self.due.side)
        printed_s = own.length_s if own else None
        facts: dict[str, Fact] = {"printed_s": printed_s, "by_needle": self.options.by_needle}
        armed = News(code="armed", side=self.due.side, facts=facts)
        self._say(*[each for each in news if each is not None], armed, *self._room.news(own))

    # Afterthoughts

    def undo_last(self, why: str) -> None:
        """The last take was none: to the bin with it, and with ``again`` its side is due."""
        self.tell_collected(settle=True)
        news = self._afterthoughts.undo(self.folder, why, self._frame)
        if news is not None and news.code == "false-start":
            self.phase = "armed"
            self._question.settle()
            self.arm(news)
        elif news is not None:
            self._say(news)

    def keep_last(self) -> None:
        """What was put aside last was a side after all."""
        self.tell_collected(settle=True)
        news = self._afterthoughts.keep(self.folder)
        if news is not None:
            self._say(news)
            if news.side == self.due.side:
                self._next_side()

    def side_is(self, side: str) -> None:
        """The open take, or the last one, is another side than was thought."""
        self.tell_collected(settle=self.take is None)
        was = self.take.side if self.take is not None else self._pieces.last_side()
        if not side or not was or side == was:
            return
        renamed = News(code="side-is", side=side, facts={"was": was})
        if self.take is not None:
            self.take.side = side
            self._expect_side(side)
            self.due.open_is(side, was)
            self._say(renamed)
            return
        at_end = self._question.settle()
        is_swap = self._pieces.relabel_last(self.folder, side, self._follower)
        renamed = replace(renamed, take=self._pieces.last_folder())
        if is_swap:
            self._say(renamed, News(code="side-is", side=was, facts={"was": side}))
            if at_end:
                self._next_side()
            return
        self.due.taken_is(side, was)
        self._say(renamed)
        if not self.over:
            self.phase = "flip"
            self.arm()

    def let_first(self, side: str) -> None:
        """Another side than the one that is due is played first: the discs lie otherwise, or the person wants it so. One that is
        not on the sleeve is no side to play first, unless any is taken."""
        known = sides_on_sleeve(self._record) or self.options.sides
        if side and side not in (*known, *self.options.sides) and not self.options.any_side:
            return
        was = self.due.side
        self.due.let_first(side, is_taken=self._question.settle())
        if self.due.side != was and self.phase in ("armed", "flip"):
            self.arm()

    # News, closing

    def note(self, news: News) -> None:
        """Said at once and kept in ``take.json``."""
        take = self.take
        if take is not None:
            at = news.at_frame if news.at_frame >= 0 else max(0, self._frame - take.start_frame)
            news = replace(news, side=take.side, take=take.name, at_frame=at)
            take.notes.append(news)
        self._say(news)

    def note_late(self, news: News) -> None:
        """A loss outside the open take: kept with the one before if it lies there; in no take it is nobody's."""
        facts = dict(news.facts)
        frame = int(str(facts.pop("capture_frame")))
        piece = self._pieces.that_holds(frame)
        if piece is None:
            return
        self.tell_collected(settle=True)
        news = replace(
            news, side=piece.side, take=piece.name, at_frame=frame - piece.take.start_frame, facts=facts
        )
        self._say(news)
        with suppress(SidekeepError):
            self._pieces.note(piece, self.folder, news)

    def tell_collected(self, *, settle: bool = False) -> None:
        """Pieces whose checksum is there; with ``settle`` all of them are waited for."""
        news = self._pieces.collect(self._follower, settle=settle)
        live = tuple(self._follower.poll())
        if news or live:
            self._say(*news, live=live)

    def close(self) -> None:
        """The evening is over: what is open is closed, and every checksum waited for."""
        if self.take is not None:
            self.lost()
        self.phase = "closing"
        self._say()
        self.tell_collected(settle=True)
        self._pieces.close()
        self._follower.close()
