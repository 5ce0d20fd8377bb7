"""Recording the sides of a record, unattended: wait for the needle, record, see the end, ask for the flip.

The capture process writes the take; this session only decides when takes begin and end. If it dies, the
capture closes the take; if that dies too, ``recover`` mends the file's head at the next start.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Literal

from sidekeep.devices.recorder import Recorder, RecorderEvent, RecorderSettings
from sidekeep.errors import AudioFileError, DeviceError, ParameterError, ShelfError
from sidekeep.files.bext import history_line
from sidekeep.files.checksum import file_sha256
from sidekeep.files.reader import open_source
from sidekeep.files.rf64 import repair_take
from sidekeep.flow.gauge import Gauge, GaugeReading, GaugeSettings
from sidekeep.shelf.adopt import close_take
from sidekeep.shelf.catalogue import Catalogue, record_folders
from sidekeep.shelf.record_folder import RecordFolder, ShelfTake, TakeFile
from sidekeep.units import clock_text

__all__ = [
    "Key",
    "ShelfTake",
    "TakeOptions",
    "TakeSession",
    "TakeStatus",
    "interrupted",
    "only_one_taker",
    "recover",
]

Phase = Literal["armed", "recording", "closing", "flip", "done"]
Key = Literal["start", "end", "stop"]
RUN_OUT_KEPT_S = 8.0
AFTER_LIFT_S = 1.5


@dataclass(frozen=True, kw_only=True)
class TakeStatus:
    """What a person sees. ``message`` is set when something new is to be said."""

    phase: Phase
    side: str
    elapsed_s: float
    reading: GaugeReading | None = None
    message: str = ""


@dataclass(frozen=True, kw_only=True)
class TakeOptions:
    """What is taken. ``by_needle`` False waits for keys only."""

    sides: tuple[str, ...]
    stylus: str = ""
    input_name: str = ""
    by_needle: bool = True


class TakeSession:
    """One evening's work on one record. ``run`` returns when all sides are taken or the person stopped."""

    def __init__(
        self,
        folder: RecordFolder,
        settings: RecorderSettings,
        options: TakeOptions,
        *,
        tell: Callable[[TakeStatus], None],
        key: Callable[[], Key | None] = lambda: None,
    ) -> None:
        self.folder = folder
        self.settings = settings
        self.options = options
        self._tell = tell
        self._key = key
        self._gauge = Gauge(
            rate_hz=settings.rate_hz,
            channels=settings.channels,
            settings=GaugeSettings.for_bits(settings.bits),
        )
        self._phase: Phase = "armed"
        self._side = ""
        self._path = Path()
        self._begun_frame = 0
        self._frame = 0
        self._end_at_frame: int | None = None
        self._run_out_frame: int | None = None
        self._needs_lift = False
        self._problems: list[str] = []
        self._was_clipped = 0
        self._next_status_frame = 0
        self.takes: list[ShelfTake] = []

    def run(self) -> list[ShelfTake]:
        """Record all sides. Raises ``DeviceError`` when the input is lost; what was recorded is kept."""
        waiting = list(self.options.sides)
        if not waiting:
            raise ParameterError("no side was named; say which: A, or A B")
        self._side = waiting.pop(0)
        self._say(f"armed for side {self._side}: turn the speakers down, then lower the needle")
        with Recorder(self.settings) as recorder:
            for event in recorder.events():
                if event.kind == "left":
                    raise DeviceError("the capture ended by itself; what was recorded is kept")
                if event.kind == "failed" and self._phase in ("armed", "flip"):
                    raise DeviceError(str(event.fact("reason")))
                ended = self._on_event(event, recorder)
                if ended:
                    if self._close_side(ended) and waiting:
                        self._side = waiting.pop(0)
                        self._phase = "flip"
                        self._say(
                            f"side {self._side}: flip the record, clean it, lower the needle when ready"
                        )
                    else:
                        self._phase = "done"
                        break
                if self._obey_key(recorder) == "stop" and self._phase != "closing":
                    break
        self._phase = "done"
        self._say("done")
        return self.takes

    def _on_event(self, event: RecorderEvent, recorder: Recorder) -> RecorderEvent | None:
        """Handle one piece of news; the ``ended`` event when a take was closed."""
        if event.kind == "audio" and event.block is not None:
            self._on_audio(event, recorder)
        elif event.kind == "begun":
            self._begun_frame = int(event.fact("start_frame"))
        elif event.kind in ("gap", "overflow", "lost", "failed"):
            self._on_trouble(event)
        elif event.kind == "ended":
            return event
        return None

    def _on_audio(self, event: RecorderEvent, recorder: Recorder) -> None:
        assert event.block is not None
        self._frame = event.frame + len(event.block)
        changes = self._gauge.process(event.block)
        for change in changes:
            if change.state == "up":
                self._needs_lift = False
            if not self.options.by_needle:
                continue
            if change.state == "down" and self._phase in ("armed", "flip") and not self._needs_lift:
                self._begin(recorder)
            elif change.state == "down":
                self._end_at_frame = self._run_out_frame = None
            elif self._phase == "recording" and change.state == "run-out":
                self._end_at_frame = self._frame + int(RUN_OUT_KEPT_S * self.settings.rate_hz)
                self._say("the run-out: the side ends here unless music comes back")
            elif self._phase == "recording" and change.state == "up":
                self._end_at_frame = self._frame + int(AFTER_LIFT_S * self.settings.rate_hz)
        if (
            self._phase == "recording"
            and self._end_at_frame is not None
            and self._frame >= self._end_at_frame
        ):
            self._needs_lift = self._gauge.needle != "up"
            self._end(recorder)
        self._watch_level()
        if self._frame >= self._next_status_frame:
            self._next_status_frame = self._frame + self.settings.rate_hz // 5
            self._say("")

    def _begin(self, recorder: Recorder) -> None:
        take_folder = self.folder.new_take_folder(self._side)
        self._path = take_folder / "take.wav"
        now = datetime.now(UTC)
        record = self.folder.record()
        words = " - ".join(text for text in (record.artist, record.title, f"side {self._side}") if text)
        mode = "stereo" if self.settings.channels == 2 else "mono"
        turntable = "turntable" + (f"; {self.options.stylus}" if self.options.stylus else "")
        recorder.begin(
            self._path,
            {
                "description": words,
                "originator": "sidekeep",
                "origination_date": now.strftime("%Y-%m-%d"),
                "origination_time": now.strftime("%H:%M:%S"),
                "coding_history": history_line("ANALOGUE", mode=mode, text=turntable)
                + history_line("PCM", rate_hz=self.settings.rate_hz, bits=self.settings.bits, mode=mode),
            },
        )
        self._begun_frame = self._frame
        self._phase = "recording"
        self._end_at_frame = None
        self._problems = []
        self._was_clipped = 0
        self._say(f"recording side {self._side}")

    def _end(self, recorder: Recorder) -> None:
        self._phase = "closing"
        self._end_at_frame = None
        recorder.end()

    def _on_trouble(self, event: RecorderEvent) -> None:
        at = clock_text(max(0, self._frame - self._begun_frame) / self.settings.rate_hz, 1)
        text = {
            "gap": f"about {event.fact('lost_frames', 0) / self.settings.rate_hz:.1f} s of sound was lost at {at} "
            "(the machine was too busy or asleep): take this side again",
            "overflow": f"the sound input ran over at {at}: something may be missing there",
        }.get(event.kind, str(event.fact("reason", "")))
        self._problems.append(text)
        self._say(text)

    def _watch_level(self) -> None:
        clipped = self._gauge.clipped_frames
        if self._phase == "recording" and clipped > self._was_clipped:
            if self._was_clipped == 0:
                at = clock_text((self._frame - self._begun_frame) / self.settings.rate_hz, 1)
                text = f"clipped at {at}: turn the input down and take this side again"
                self._problems.append(text)
                self._say(text)
            self._was_clipped = clipped

    def _obey_key(self, recorder: Recorder) -> Key | None:
        key = self._key()
        if key == "start" and self._phase in ("armed", "flip"):
            self._needs_lift = False
            self._begin(recorder)
        elif key in ("end", "stop") and self._phase == "recording":
            self._needs_lift = self._gauge.needle != "up"
            self._end(recorder)
        return key

    def _close_side(self, ended: RecorderEvent) -> bool:
        """Note the facts of the take that was just closed; whether to go on with the next side."""
        self._phase = "closing"
        self._say(f"closing side {self._side}: taking its checksum")
        take = close_recorded(
            self.folder,
            self._path,
            side=self._side,
            stylus=self.options.stylus,
            input_name=self.options.input_name,
            problems=self._problems,
        )
        self.takes.append(take)
        self._say(f"side {self._side} is taken: {clock_text(take.length_s)}")
        lost = any("gone" in text or "full" in text for text in self._problems)
        return not lost

    def _say(self, message: str) -> None:
        started = self._phase in ("recording", "closing")
        elapsed = (self._frame - self._begun_frame) / self.settings.rate_hz if started else 0.0
        reading = self._gauge.reading() if self._frame else None
        self._tell(
            TakeStatus(
                phase=self._phase,
                side=self._side,
                elapsed_s=max(0.0, elapsed),
                reading=reading,
                message=message,
            )
        )


def close_recorded(
    folder: RecordFolder,
    path: Path,
    *,
    side: str,
    stylus: str = "",
    input_name: str = "",
    problems: Sequence[str] = (),
) -> ShelfTake:
    """Facts, checksum, read-only: the take is finished and on the shelf."""
    form = open_source(path).format
    take_folder = path.parent
    take = ShelfTake(
        side=side,
        number=int(take_folder.name.rpartition("-")[2]),
        folder=take_folder.relative_to(folder.path).as_posix(),
        rate_hz=form.rate_hz,
        channels=form.channels,
        bits=form.bits,
        length_frames=form.length_frames,
        files=(TakeFile(name=path.name, size_bytes=path.stat().st_size, sha256=file_sha256(path)),),
        taken_utc=datetime.now(UTC).replace(microsecond=0).isoformat(),
        how="recorded",
        stylus=stylus,
        input_name=input_name,
        problems=tuple(problems),
    )
    close_take(take_folder, take)
    return take


@contextlib.contextmanager
def only_one_taker(shelf: Path) -> Iterator[None]:
    """A second sidekeep must not record onto the same shelf: two would fight for one input."""
    shelf.mkdir(parents=True, exist_ok=True)
    with (shelf / ".taking").open("a+b") as file:
        if not _lock(file):
            raise ShelfError(f"another sidekeep is recording onto {shelf}; end it first")
        yield


def is_taking(shelf: Path) -> bool:
    """Whether somebody records onto this shelf now."""
    try:
        with (shelf / ".taking").open("r+b") as file:
            return not _lock(file)
    except OSError:
        return False


def _lock(file: IO[bytes]) -> bool:
    try:
        if os.name == "nt":
            import msvcrt

            msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined]
        else:
            import fcntl

            fcntl.flock(file.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def interrupted(shelf: Path) -> list[Path]:
    """Take folders that something interrupted, unless somebody is recording now."""
    if is_taking(shelf):
        return []
    return [take for folder in record_folders(shelf) for take in folder.unfinished()]


def recover(shelf: Path) -> list[ShelfTake]:
    """Close takes that something interrupted: the file's head is mended and all that was written is kept."""
    if is_taking(shelf):
        return []
    found: list[ShelfTake] = []
    for folder in record_folders(shelf):
        for take_folder in folder.unfinished():
            path = take_folder / "take.wav"
            try:
                frames = repair_take(path).frames
            except AudioFileError:
                continue  # not ours to judge: it stays where it is and stays listed
            if frames == 0:  # ended as it began: there is no sound to keep
                path.unlink()
                with contextlib.suppress(OSError):
                    take_folder.rmdir()
                continue
            found.append(
                close_recorded(
                    folder,
                    path,
                    side=take_folder.name.rpartition("-")[0],
                    problems=["the recording ended unexpectedly; everything that was written is here"],
                )
            )
        if found:
            with Catalogue(shelf) as catalogue:
                catalogue.put(folder)
    return found
