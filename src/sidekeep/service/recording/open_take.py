"""A take while it is recorded, and the piece that is left when it has ended."""

from __future__ import annotations

from collections.abc import Mapping
from concurrent.futures import Future
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.devices.recorder import RecorderSettings
from sidekeep.devices.take_keeper import forget_reserve
from sidekeep.errors import ShelfError
from sidekeep.files.wave.bext import history_line
from sidekeep.files.wave.repair import repair_take
from sidekeep.flow.ports import Audio
from sidekeep.model.finding import Fact, Severity
from sidekeep.model.news import News
from sidekeep.model.record import Record
from sidekeep.service.recording.loss_places import placed_by_sound
from sidekeep.service.recording.room import bring_home
from sidekeep.service.recording.side_fit import COURSE_STEP_S
from sidekeep.service.recording.take_close import close_interrupted, close_recorded
from sidekeep.service.recording.take_types import TakeOptions
from sidekeep.shelf.record_folder import RecordFolder
from sidekeep.shelf.shelf_take import ShelfTake
from sidekeep.shelf.take_bin import bin_take, relabel_take
from sidekeep.units import power_to_db


@dataclass
class OpenTake:
    """Frames are the capture's. ``begun``: the writer has confirmed the file. ``anew``: it goes on where an earlier take of
    the side was cut short. ``music_before_s``: music up to the last time the needle was lowered again. ``course``: level in dB
    every ``COURSE_STEP_S``. ``parts`` were written before a disk refused and it went on elsewhere."""

    side: str
    path: Path
    settings: RecorderSettings
    start_frame: int
    needle_frame: int
    joined: bool = False
    anew: bool = False
    begun: bool = False
    safe_frames: int = 0
    up_frame: int = -1
    music_at_lift_s: float = 0.0
    music_before_s: float = 0.0
    end_reason: str = ""
    notes: list[News] = field(default_factory=list)
    course: list[float] = field(default_factory=list)
    parts: list[Path] = field(default_factory=list)
    _powers: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    _clipped: bool = False

    @property
    def name(self) -> str:
        """``takes/A-1``."""
        return f"takes/{self.path.parent.name}"

    def elapsed_frames(self, heard_frame: int) -> int:
        """How much of it was heard; nothing before the writer has confirmed it."""
        return max(0, heard_frame - self.start_frame) if self.begun else 0

    def begun_news(self) -> list[News]:
        """What to say once the disk has its beginning."""
        before_s = round((self.needle_frame - self.start_frame) / self.settings.rate_hz, 2)
        facts: dict[str, Fact] = {"side": self.side, "before_s": before_s, "joined": self.joined}
        severity: Severity = "look" if self.joined else "note"
        news = [
            News(code="begun", side=self.side, take=self.name, severity=severity, facts=facts, at_frame=0)
        ]
        if self.anew or self.parts:
            news.append(News(code="goes-on", severity="act", side=self.side, take=self.name))
        return news

    def lifted(self, frame: int, music_s: float) -> None:
        """The needle is up, after so much music of this take."""
        self.up_frame, self.music_at_lift_s = frame, music_s

    def lowered_again(self, frame: int) -> News:
        """It was lifted in the middle of the side, and the side goes on; the news of it."""
        lifted_frame, self.up_frame = self.up_frame, -1
        lifted_s = (frame - lifted_frame) / self.settings.rate_hz
        self.music_before_s = self.music_at_lift_s + lifted_s
        return News(
            code="lowered-again",
            severity="act",
            at_frame=max(0, lifted_frame - self.start_frame),
            facts={"lifted_s": round(lifted_s, 1)},
        )

    def listen(self, block: Audio, clipped_frames: int, frame: int) -> list[News]:
        """Follow the course of the side; news of the first clipping."""
        powers = np.concatenate([self._powers, (np.diff(block, axis=0) ** 2).sum(axis=1)])
        step = max(1, round(COURSE_STEP_S * self.settings.rate_hz))
        count = len(powers) // step
        means = powers[: count * step].reshape(count, step).mean(axis=1)
        self.course += [power_to_db(float(mean) + 1e-14) for mean in means]
        self._powers = powers[count * step :]
        if clipped_frames and not self._clipped:
            self._clipped = True
            return [
                News(code="clipped", severity="act", at_frame=max(0, frame - len(block) - self.start_frame))
            ]
        return []


@dataclass(eq=False)
class ClosedPiece:
    """A take that has ended. ``length_s`` is from needle to lift, ``music_s`` from first to last music; ``frames`` is
    what the writer counted, -1 when it could not say. ``binned``: why it is no side; ``looks_like``: another side whose printed
    length it has."""

    take: OpenTake
    reason: str
    length_s: float
    music_s: float
    frames: int
    binned: str = ""
    looks_like: str = ""
    closed: ShelfTake | None = None
    future: Future[None] | None = None
    told: list[News] = field(default_factory=list)

    @classmethod
    def of(cls, take: OpenTake, frames: int, heard_frame: int, music_s: float) -> ClosedPiece:
        """What is left of a take; ``heard_frame`` is the capture's newest."""
        rate_hz = take.settings.rate_hz
        up = take.up_frame if take.up_frame >= 0 else heard_frame
        return cls(
            take=take,
            reason=take.end_reason or "lost",
            length_s=max(0.0, (up - take.needle_frame) / rate_hz),
            # Of a take that went on elsewhere all of the side counts, not what the last file holds.
            music_s=max(0.0, min(music_s, (up - min(take.start_frame, take.needle_frame)) / rate_hz)),
            frames=frames,
        )

    @property
    def side(self) -> str:
        """Which side it is taken for."""
        return self.closed.side if self.closed is not None else self.take.side

    @property
    def name(self) -> str:
        """``takes/A-1``."""
        return self.closed.folder if self.closed is not None else self.take.name

    @property
    def path(self) -> Path | None:
        """The sound."""
        return self.take.path

    def close(self, folder: RecordFolder, options: TakeOptions) -> None:
        """Facts and checksum; to the bin if that is where it belongs. Runs beside the session."""
        take = self.take
        notes = list(take.notes)
        if self.frames < 0:
            forget_reserve(take.path.parent)
            frames = repair_take(take.path).frames
            cut = News(code="unexpected-end", severity="act", side=take.side, take=take.name, at_frame=frames)
            notes.append(cut)
            self.told.append(cut)
        if not take.path.is_relative_to(folder.path):
            take.path, news = bring_home(take.path, folder, take.side)
            self.told.append(news)
            notes.append(news)
            if news.code == "left-at":
                return
        notes = placed_by_sound(take.path, notes)
        closed = close_recorded(
            folder,
            take.path,
            side=take.path.parent.name.rpartition("-")[0],
            stylus=options.stylus,
            input_name=options.input_name,
            notes=[note for note in notes if note.severity != "note"],
        )
        if closed.side != take.side:
            closed = relabel_take(folder, closed, take.side)
        self.closed = bin_take(folder, closed, self.binned) if self.binned else closed
        for path in take.parts:
            part = close_interrupted(
                folder, path.parent, stylus=options.stylus, input_name=options.input_name
            )
            if part is not None and self.binned:
                bin_take(folder, part, self.binned)

    def to_bin(self, folder: RecordFolder, why: str) -> None:
        """It was no side after all."""
        if self.closed is not None:
            self.closed = bin_take(folder, self.closed, why)
        self.binned = why

    def relabel(self, folder: RecordFolder, side: str) -> None:
        """It was another side."""
        if self.closed is None:
            raise ShelfError("take-not-closed", name=self.name)
        self.closed = relabel_take(folder, self.closed, side)
        self.take = replace(self.take, side=side)


def bext_of(record: Record, side: str, settings: RecorderSettings, stylus: str) -> Mapping[str, Any]:
    """What the file's own head says of the take."""
    now = datetime.now(UTC)
    words = " - ".join(text for text in (record.artist, record.title, f"side {side}") if text)
    mode = "stereo" if settings.channels == 2 else "mono"
    turntable = "turntable" + (f"; {stylus}" if stylus else "")
    return {
        "description": words,
        "originator": "sidekeep",
        "origination_date": now.strftime("%Y-%m-%d"),
        "origination_time": now.strftime("%H:%M:%S"),
        "coding_history": history_line("ANALOGUE", mode=mode, text=turntable)
        + history_line("PCM", rate_hz=settings.rate_hz, bits=settings.bits, mode=mode),
    }
