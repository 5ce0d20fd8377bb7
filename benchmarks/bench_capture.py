"""Recording through the real path under load: does anything get lost at 192 kHz / 24 bit with the meters on?

A sound server of our own with a virtual sink plays a counter (left) and numbers made from it (right); the
recorder takes them from the sink's monitor through the sound library, as it would from a card, while three
programs keep the processor busy and the gauge is read ten times a second. Afterwards every frame of the take is
compared: a jump of the counter is loss; frames of silence are the *player* coming late, which a real turntable
cannot do, and are told apart.

    ./run bench capture [--quick]               2 minutes (20 s with --quick) three times: without a survey behind the needle,
                                                with one, with one that is killed half way; none may cost a frame
    ./run bench capture --hour                  60 minutes without it
    ./run bench capture --survey follow         one of the three: none, follow, kill
    ./run bench capture --pages 30              with the server of the page in the listening process, and so many pages open
"""

from __future__ import annotations

import argparse
import contextlib
import os
import platform
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest.mock import patch

import numpy as np
import soundfile
from numpy.typing import NDArray

from sidekeep.devices.recorder import Recorder, RecorderSettings
from sidekeep.flow.needle.gauge import Gauge
from sidekeep.service.house.turntable.session_view import reading_view
from sidekeep.service.live.follower import LiveSurvey
from sidekeep.shelf.record_folder import RecordFolder

RATE_HZ = 192_000
BITS = 24
SINK = "reference"
HOGS = 3
TRIALS = {
    "none": "without a survey behind the needle",
    "follow": "with a survey behind the needle",
    "kill": "with a survey that is killed on the way",
}
HOG = "import os, sys\nwhile os.getppid() == int(sys.argv[1]): sum(range(100_000))"
"""Keeps a core busy, and ends with the bench even when that is killed."""
READINGS_PER_S = 10.0
PATIENCE_S = 60.0
"""So much longer than twice the recording is waited for its end: a listener that is starved falls behind, and says so then."""
_CHUNK = 48_000
_TOP = 1 << 24


def reference(start: int, count: int) -> NDArray[np.uint32]:
    """Frames ``start ..`` of the reference, (count, 2): 24-bit counter, and a hash of the whole count."""
    return reference_of(np.arange(start, start + count, dtype=np.uint64))


def reference_of(number: NDArray[np.uint64]) -> NDArray[np.uint32]:
    """The frames of the reference with these counts."""
    mixed = (number ^ (number >> np.uint64(24))) * np.uint64(0x9E3779B97F4A7C15)
    # The lowest bit is always set: no frame of the reference is silence.
    right = (mixed >> np.uint64(40)) | np.uint64(1)
    return np.stack([number & np.uint64(_TOP - 1), right], axis=1).astype(np.uint32)


def packed(frames: NDArray[np.uint32]) -> bytes:
    """As little-endian 24-bit samples."""
    return np.ascontiguousarray(frames.astype("<u4")).view(np.uint8).reshape(-1, 4)[:, :3].tobytes()


@dataclass
class Heard:
    """What came through. ``late_frames`` are silence in the midst of it, ``wrong_frames`` any other value."""

    frames: int = 0
    lost_frames: int = 0
    jumps: int = 0
    late_frames: int = 0
    wrong_frames: int = 0
    first: int | None = None
    _next: int = 0
    _silent: int = 0

    def compare(self, frames: NDArray[np.uint32]) -> None:
        """The next frames of the take."""
        sounding = frames.any(axis=1)
        places = np.flatnonzero(sounding)
        if not len(places):
            self._silent += len(frames)
            return
        if self.first is None:
            self.first = self._next = int(frames[places[0], 0])
        else:
            self.late_frames += self._silent + int(places[0])
        self.late_frames += int((np.diff(places) - 1).sum())
        self._silent = len(frames) - 1 - int(places[-1])
        kept = frames[places]
        steps = np.mod(np.diff(kept[:, 0].astype(np.int64), prepend=(self._next - 1) % _TOP), _TOP)
        numbers = self._next - 1 + np.cumsum(steps)
        jumped = steps != 1
        self.jumps += int(jumped.sum())
        self.lost_frames += int((steps[jumped] - 1).sum())
        for place in range(0, len(kept), _CHUNK):
            whole = reference_of(numbers[place : place + _CHUNK].astype(np.uint64))
            self.wrong_frames += int((whole != kept[place : place + _CHUNK]).any(axis=1).sum())
        self.frames += len(kept)
        self._next = int(numbers[-1]) + 1


@dataclass
class Session:
    """What the parent saw while it listened."""

    news: dict[str, int] = field(default_factory=dict)
    blocks: int = 0
    gaps_ms: list[float] = field(default_factory=list)
    listened_frames: int = 0
    readings: int = 0
    reading_cpu_s: float = 0.0
    take_frames: int = 0
    survey_cpu_s: float = 0.0
    page_events: int = 0
    pages_reached: int = 0
    wall_s: float = 0.0
    ended: bool = False


@contextlib.contextmanager
def busy(count: int) -> Iterator[None]:
    """Programs that do nothing as fast as they can."""
    hogs = [subprocess.Popen([sys.executable, "-c", HOG, str(os.getpid())]) for _ in range(count)]
    try:
        yield
    finally:
        for hog in hogs:
            hog.kill()
            hog.wait()


def play(seconds: float, environment: dict[str, str], stop: threading.Event) -> None:
    """Feed the sink; the sound server sets the pace."""
    player = subprocess.Popen(
        ["pacat", "--playback", "--raw", f"--device={SINK}", f"--rate={RATE_HZ}", "--format=s24le",
         "--channels=2", "--latency-msec=2000", "--process-time-msec=500"],
        stdin=subprocess.PIPE, stderr=subprocess.DEVNULL, env={**os.environ, **environment},
    )  # fmt: skip
    assert player.stdin is not None
    try:
        # The sink swallows the first tenths of a second of a player.
        player.stdin.write(bytes(RATE_HZ * 6))
        for start in range(1, round(seconds * RATE_HZ), _CHUNK):
            if stop.is_set():
                break
            player.stdin.write(packed(reference(start, _CHUNK)))
        player.stdin.close()
        player.wait(timeout=20.0)
    except (BrokenPipeError, subprocess.TimeoutExpired):
        player.kill()
        player.wait()


def listen(
    take: Path,
    seconds: float,
    survey: LiveSurvey | None = None,
    kill_after_s: float = 0.0,
    show: Callable[[dict[str, Any]], None] | None = None,
) -> Session:
    """Record for a while with the gauge on, as the program does it; ``survey`` follows the take. It ends whatever happens."""
    session, gauge = Session(), Gauge(rate_hz=RATE_HZ, channels=2)
    settings = RecorderSettings(rate_hz=RATE_HZ, bits=BITS, device="pulse", source=f"{SINK}.monitor")
    began = last_block_s = last_reading_s = time.perf_counter()
    with Recorder(settings) as recorder:
        recorder.begin(take)
        for event in recorder.events():
            now = time.perf_counter()
            if event.kind == "audio" and event.block is not None:
                if session.blocks > 1:  # the first ones wait while the input opens
                    session.gaps_ms.append(1000.0 * (now - last_block_s))
                last_block_s = now
                session.blocks += 1
                session.listened_frames += len(event.block)
                before = time.thread_time()
                gauge.process(event.block)
                if now - last_reading_s >= 1.0 / READINGS_PER_S:
                    reading = gauge.reading()
                    session.readings += 1
                    if show is not None:
                        show({"reading": reading_view(reading), "recording": True})
                    last_reading_s = now
                session.reading_cpu_s += time.thread_time() - before
            elif event.kind != "quiet":
                what = event.news.code if event.news is not None else event.kind
                session.news[what] = session.news.get(what, 0) + 1
            if survey is not None:
                if event.kind == "begun":
                    survey.begun(take, take.parent, "A")
                survey.poll()
                session.survey_cpu_s = max(session.survey_cpu_s, cpu_of(survey.process_id))
                if kill_after_s and now - began > kill_after_s and survey.process_id is not None:
                    os.kill(survey.process_id, signal.SIGKILL)
            if event.kind == "ended":
                session.ended, session.take_frames = True, event.fact("frames", 0)
                break
            if event.kind == "left" or now - began > 2.0 * seconds + PATIENCE_S:
                break
            if now - began > seconds and "asked" not in session.news:
                session.news["asked"] = 1
                recorder.end()
        session.news.pop("asked", None)
        session.wall_s = time.perf_counter() - began
    return session


@contextlib.contextmanager
def pages(
    count: int, shelf: Path, session: list[Session]
) -> Iterator[Callable[[dict[str, Any]], None] | None]:
    """The page's server beside the listening, as ``sidekeep open`` runs it, with many pages in another process."""
    if not count:
        yield None
        return
    from tests.web.conftest import RunningServer

    server = RunningServer(shelf)
    watchers = subprocess.Popen(
        [sys.executable, "-m", "benchmarks.page_watchers", str(server.port), str(count)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        yield lambda facts: server.house.news.show("meter", facts)
        with contextlib.suppress(subprocess.TimeoutExpired):  # on a starved machine: then none was reached
            told, _ = watchers.communicate("", timeout=PATIENCE_S)
            session[0].page_events, session[0].pages_reached = map(int, told.split())
    finally:
        watchers.kill()
        server.close()


def compare_take(take: Path) -> Heard:
    """Every frame of the take against the reference."""
    heard = Heard()
    with soundfile.SoundFile(str(take)) as file:
        while len(block := file.read(10 * _CHUNK, dtype="int32", always_2d=True)):
            heard.compare((block.view(np.uint32) >> 8).astype(np.uint32))
    return heard


def cpu_of(process_id: int | None) -> float:
    """Processor seconds a process has used; 0 when it is gone or this is not Linux."""
    try:
        fields = Path(f"/proc/{process_id}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 0.0
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def run(seconds: float, folder: Path, following: str = "", open_pages: int = 0) -> tuple[Session, Heard]:
    """One recording. ``following``: nothing, ``follow`` or ``kill``; ``open_pages`` watch it."""
    from tests.devices.conftest import Deck

    record = RecordFolder.create(folder / "record", sleeve="")
    take = record.new_take_folder("A") / "take.wav"
    survey = LiveSurvey() if following else None

    (folder / "deck").mkdir()
    deck = Deck(folder / "deck")
    stop, heard_here = threading.Event(), patch.dict(os.environ, deck.environment)
    heard_here.start()
    try:
        subprocess.run(
            ["pactl", "load-module", "module-null-sink", f"sink_name={SINK}", "format=s24le",
             f"rate={RATE_HZ}", "channels=2"],
            check=True, capture_output=True,
        )  # fmt: skip
        player = threading.Thread(
            target=play, args=(seconds + 20.0, deck.environment, stop), name="player", daemon=True
        )
        player.start()
        made: list[Session] = []
        with busy(HOGS), pages(open_pages, folder / "shelf", made) as show:
            made.append(listen(take, seconds, survey, 0.5 * seconds if following == "kill" else 0.0, show))
        session = made[0]
        stop.set()
        player.join(PATIENCE_S)  # where it is stuck, the end of the sound server frees it
    finally:
        stop.set()
        if survey is not None:
            survey.close()
        deck.kill()
        heard_here.stop()
    if not session.ended:
        session.take_frames = soundfile.info(str(take)).frames
    return session, compare_take(take)


def capture(seconds: float, following: str = "", open_pages: int = 0) -> tuple[Session, Heard] | None:
    """Run it where the rig can stand; None, with the reason printed, where it cannot."""
    missing = [name for name in ("pulseaudio", "pactl", "pacat") if shutil.which(name) is None]
    if missing:
        print(f"skipped: {', '.join(missing)} not installed")
        return None
    with tempfile.TemporaryDirectory(prefix="sidekeep-bench-") as name:
        return run(seconds, Path(name), following, open_pages)


def main() -> None:
    """Record, compare, print."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="20 seconds")
    parser.add_argument("--hour", action="store_true", help="60 minutes")
    parser.add_argument("--minutes", type=float, help="another length")
    parser.add_argument(
        "--survey", choices=tuple(TRIALS), help="one trial only: with a survey behind the needle, or without"
    )
    parser.add_argument("--pages", type=int, default=0, metavar="N", help="so many pages open (32 at most)")
    options = parser.parse_args()
    seconds = 60.0 * (options.minutes or (1 / 3 if options.quick else 60.0 if options.hour else 2.0))
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} and {HOGS} busy programs "
        f"more; Python {platform.python_version()}; {RATE_HZ} Hz, {BITS} bit, stereo, {seconds:g} s"
    )
    usual = "none" if options.hour or options.pages else ""
    for name in (options.survey or usual,) if options.survey or usual else TRIALS:
        print(f"-- {TRIALS[name]}")
        if not trial(seconds, "" if name == "none" else name, options.pages):
            return


def trial(seconds: float, following: str, open_pages: int) -> bool:
    """One recording under load, and what came of it; False where there is nothing to record with."""
    before = resource.getrusage(resource.RUSAGE_SELF)
    done = capture(seconds, following, open_pages)
    if done is None:
        return False
    after = resource.getrusage(resource.RUSAGE_SELF)
    session, heard = done
    news = {
        kind: session.news.get(kind, 0) for kind in ("overflow", "loss", "stall", "input-gone", "not-written")
    }
    gaps = np.array(session.gaps_ms or [0.0])
    if not session.ended:
        print(
            f"NOT ENDED                   within {2.0 * seconds + PATIENCE_S:g} s; what the take holds is compared"
        )
    print(f"frames in the take          {session.take_frames} ({session.take_frames / RATE_HZ:.1f} s)")
    print(f"reference frames in it      {heard.frames}, each compared on both channels")
    print(f"frames lost                 {heard.lost_frames} in {heard.jumps} places")
    print(f"frames changed              {heard.wrong_frames}")
    print(f"player late (not capture)   {heard.late_frames} frames of silence")
    print(f"told by the recorder        {', '.join(f'{kind} {count}' for kind, count in news.items())}")
    print(
        f"block to block, ms          50 wanted; median {np.median(gaps):.0f}, 99.9 % {np.percentile(gaps, 99.9):.0f}, "
        f"longest {gaps.max():.0f} (as the listening program sees it, pipe and all)"
    )
    if open_pages:
        print(
            f"pages                       {session.pages_reached} of {open_pages} were told {session.page_events} readings"
        )
    print(
        f"gauge                       {session.readings} readings, {session.listened_frames} frames heard, "
        f"{session.reading_cpu_s / max(1.0, session.listened_frames / RATE_HZ):.2f} cores; whole program "
        f"{(after.ru_utime - before.ru_utime) / max(1.0, session.wall_s):.2f} cores"
    )
    if following:
        print(f"survey behind the needle    {session.survey_cpu_s / max(1.0, session.wall_s):.2f} cores")
    return True


if __name__ == "__main__":
    main()
