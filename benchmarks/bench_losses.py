"""Losses of known size and place in a real stream: are they told, where, and is nothing else told?

A sound server of our own plays into a virtual sink; the capture's own stream and writer take it from the sink's monitor,
stamps and all, with three busy programs beside. Frames are thrown away between the stream and the writer, as a machine
that came too late does it. ``--stalls`` also stops the process now and then for a second, which loses nothing.

The stamps of the same run are then gone through again, each time with losses laid in elsewhere: many losses for one run, and one
alone at each of many places, as far as it can be known where by the stamps (the sound of a take may tell more).

    ./run bench losses [--minutes 3] [--stalls] [--laid-in 24]
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import queue
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from benchmarks.bench_capture import busy
from sidekeep.devices.loss_watch import LossWatch
from sidekeep.devices.messenger import Messenger
from sidekeep.devices.recorder_process import Stream
from sidekeep.devices.take_keeper import Block, TakeKeeper

RATE_HZ = 48_000
FRAME_BYTES = 6
SIZES_S = (0.02, 0.05, 0.1, 0.3, 0.45, 0.9, 1.5)
NEAR_S = 0.05
HOGS = 3


class Leaky(queue.Queue[Any]):
    """The way from stream to writer, which loses frames: ``lost`` is (frame of the writer, frames)."""

    def __init__(self, first_s: float, every_s: float, last_s: float) -> None:
        super().__init__()
        self._last = round(last_s * RATE_HZ)
        self.lost: list[tuple[int, int]] = []
        self._chance = random.Random(1)
        self._next, self._every = round(first_s * RATE_HZ), round(every_s * RATE_HZ)
        self._frames = 0
        self._to_lose = 0
        self.stamps: list[float] = []

    def put(self, item: Any, block: bool = True, timeout: float | None = None) -> None:
        if not isinstance(item, Block):
            super().put(item)
            return
        self.stamps.append(item.stamp_s)
        raw, count, late = item.raw, len(item.raw) // FRAME_BYTES, 0
        if not self._to_lose and self._frames + count > self._next and self._frames < self._last:
            self._to_lose = round(SIZES_S[len(self.lost) % len(SIZES_S)] * RATE_HZ)
            keep = self._chance.randrange(count)
            self.lost.append((self._frames + keep, self._to_lose))
            rest = max(0, count - keep - self._to_lose)
            self._to_lose -= count - keep - rest
            raw = raw[: keep * FRAME_BYTES] + raw[len(raw) - rest * FRAME_BYTES :]
            late = 0 if keep else count - rest
            self._next += self._every + self._chance.randrange(RATE_HZ)
        elif self._to_lose:
            late = min(count, self._to_lose)
            self._to_lose -= late
            raw = raw[late * FRAME_BYTES :]
        if raw:
            # The stamp is that of the first frame that is left.
            super().put(Block(raw, item.stamp_s + late / RATE_HZ, item.overflow))
            self._frames += len(raw) // FRAME_BYTES


class Told(Messenger):
    """Keeps the news of losses."""

    def __init__(self) -> None:
        self.losses: list[tuple[int, int]] = []
        self.other: list[str] = []

    def tell(self, event: str, **facts: Any) -> None:
        """Nothing of the disk is wanted here."""

    def audio(self, frame: int, raw: bytes) -> None:
        """Nobody listens."""

    def news(self, code: str, weight: Any = "note", at_frame: int = -1, **facts: Any) -> None:
        """A loss, or something else."""
        if code == "loss":
            self.losses.append((at_frame, int(facts["lost_frames"])))
        else:
            self.other.append(code)


def record(minutes: float) -> dict[str, Any]:
    """In a process of its own: what was lost, and what was told."""
    told = Told()
    keeper = TakeKeeper(told, rate_hz=RATE_HZ, channels=2, bits=24)
    # What was lost in the last seconds has no time to be told.
    leaky = Leaky(15.0, 11.0, 60.0 * minutes - 15.0)
    keeper.blocks = leaky
    config = {"channels": 2, "bits": 24, "rate_hz": RATE_HZ, "device": "pulse"}
    writer = threading.Thread(target=keeper.run)
    writer.start()
    with tempfile.TemporaryDirectory() as folder:
        keeper.blocks.put({"do": "begin", "path": f"{folder}/take.wav", "from_frame": 0})
        stream = Stream(config, keeper)
        time.sleep(60.0 * minutes)
        stream.close()
        keeper.blocks.put(None)
        writer.join()
    return {"lost": leaky.lost, "told": told.losses, "other": told.other, "stamps": leaky.stamps}


def laid_in(stamps: list[float], losses: list[tuple[int, int]]) -> dict[str, Any]:
    """The watch alone over the stamps of whole blocks, with losses of (frame of the input, frames): as ``record`` tells it."""
    block = RATE_HZ // 20
    watch, lost, told, kept = LossWatch(RATE_HZ), [], [], 0
    likely: list[tuple[int, ...]] = []
    waiting, to_lose = list(losses), 0
    for number, stamp_s in enumerate(stamps):
        pieces = [(0, block)]
        if waiting and number * block + block > waiting[0][0]:
            begin, to_lose = waiting.pop(0)
            keep = max(0, begin - number * block)
            lost.append((kept + keep, to_lose))
            gone = min(to_lose, block - keep)
            pieces = [(0, keep), (keep + gone, block)]
            to_lose -= gone
        elif to_lose:
            gone = min(to_lose, block)
            pieces = [(gone, block)]
            to_lose -= gone
        for start, stop in pieces:
            if stop > start:
                found = watch.take(kept, stamp_s + start / RATE_HZ)
                told += [(loss.at_frame, loss.frames) for loss in found]
                likely += [(loss.at_frame, *loss.or_at_frames) for loss in found]
                kept += stop - start
    return {"lost": lost, "told": told, "likely": likely}


def one_at_a_time(stamps: list[float], count: int) -> None:
    """A loss alone, told sooner or later: at its place, or with its place among those as likely."""
    chance = random.Random(3)
    first_s, last_s = 20.0, len(stamps) / 20 - 25.0
    if last_s <= first_s:
        return
    print(
        f"\none at a time, at {count} places (s: made, told, within {1000 * NEAR_S:.0f} ms, place among likely, other)"
    )
    for size_s in SIZES_S[:4]:
        told = near = among = other = 0
        for number in range(count):
            at_s = first_s + (last_s - first_s) * (number + chance.random()) / count
            found = laid_in(stamps, [(round(at_s * RATE_HZ), round(size_s * RATE_HZ))])
            place = found["lost"][0][0]
            told += bool(found["told"])
            near += any(abs(at - place) <= NEAR_S * RATE_HZ for at, _ in found["told"])
            among += any(
                abs(at - place) <= 2 * NEAR_S * RATE_HZ for places in found["likely"] for at in places
            )
            other += max(0, len(found["told"]) - 1)
        print(f"{size_s:6.2f} {count:5d} {told:5d} {near:5d} {among:5d} {other:5d}")


def many_layouts(stamps: list[float], count: int) -> None:
    """Losses of every size at places of chance, and what became of them."""
    chance = random.Random(5)
    length_s = len(stamps) / 20
    rows = {size_s: [0, 0, 0] for size_s in SIZES_S}
    alarms = 0
    for layout in range(count):
        losses, at_s, index = [], 15.0 + chance.uniform(0.0, 11.0), layout
        while at_s < length_s - 12.0:
            losses.append((round(at_s * RATE_HZ), round(SIZES_S[index % len(SIZES_S)] * RATE_HZ)))
            at_s += 11.0 + chance.random()
            index += 1
        found = laid_in(stamps, losses)
        left = list(found["told"])
        for place, size in found["lost"]:
            row = rows[min(SIZES_S, key=lambda size_s: abs(size_s - size / RATE_HZ))]
            row[0] += 1
            if near := [each for each in left if abs(each[0] - place) <= 0.5 * RATE_HZ]:
                best = min(near, key=lambda each: abs(each[0] - place))
                left.remove(best)
                row[1] += 1
                row[2] += abs(best[0] - place) <= NEAR_S * RATE_HZ
        alarms += len(left)
    print(f"\nlaid into these stamps at {count} times (s: made, told, told within {1000 * NEAR_S:.0f} ms)")
    for size_s, row in rows.items():
        print(f"{size_s:6.2f} {row[0]:5d} {row[1]:5d} {row[2]:5d}")
    print(f"told and not made: {alarms}; with no loss at all: {len(laid_in(stamps, [])['told'])}")


def play(environment: dict[str, str]) -> subprocess.Popen[bytes]:
    """Noise without end into the sink."""
    source = subprocess.Popen(["cat", "/dev/urandom"], stdout=subprocess.PIPE)
    return subprocess.Popen(
        ["pacat", "--playback", "--raw", "--device=deck", f"--rate={RATE_HZ}", "--format=s24le", "--channels=2"],
        stdin=source.stdout, stderr=subprocess.DEVNULL, env={**os.environ, **environment},
    )  # fmt: skip


def stall(process_id: int, over: threading.Event) -> None:
    """Stop the capture for a second every now and then; the server's buffer is longer than that."""
    while not over.wait(17.0):
        with contextlib.suppress(OSError):
            os.kill(process_id, signal.SIGSTOP)
            time.sleep(1.0)
            os.kill(process_id, signal.SIGCONT)


def judge(found: dict[str, Any]) -> tuple[list[float], list[float], list[float]]:
    """How far off every told loss was in s, the sizes of those that were not told, and of alarms that were none."""
    left = [tuple(each) for each in found["told"]]
    offs, missed = [], []
    for place, size in found["lost"]:
        near = [each for each in left if abs(each[0] - place) <= 0.5 * RATE_HZ]
        if near:
            best = min(near, key=lambda each: abs(each[0] - place))
            left.remove(best)
            offs.append(abs(best[0] - place) / RATE_HZ)
        else:
            missed.append(size / RATE_HZ)
    return offs, missed, [size / RATE_HZ for _, size in left]


def main() -> None:
    """Record, compare, print."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--minutes", type=float, default=3.0)
    parser.add_argument("--stalls", action="store_true", help="stop the capture for a second now and then")
    parser.add_argument(
        "--laid-in", type=int, default=24, metavar="TIMES", help="layouts of losses tried afterwards"
    )
    parser.add_argument("--quick", action="store_true", help="one minute")
    parser.add_argument("--record", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    options.minutes = 1.0 if options.quick else options.minutes
    if missing := [name for name in ("pulseaudio", "pactl", "pacat") if shutil.which(name) is None]:
        print(f"skipped: {', '.join(missing)} not installed")
        return
    if options.record:
        print(json.dumps(record(options.minutes)))
        return
    from tests.devices.conftest import Deck

    with tempfile.TemporaryDirectory(prefix="sidekeep-bench-") as name, busy(HOGS):
        deck = Deck(Path(name))
        player = play(deck.environment)
        over = threading.Event()
        try:
            capture = subprocess.Popen(
                [sys.executable, "-m", "benchmarks", "losses", "--record", "--minutes", str(options.minutes)],
                stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                env={**os.environ, **deck.environment, "PULSE_SOURCE": "deck.monitor"},
            )  # fmt: skip
            if options.stalls:
                threading.Thread(target=stall, args=(capture.pid, over), daemon=True).start()
            out, _ = capture.communicate()
        finally:
            over.set()
            player.kill()
            player.wait()
            deck.kill()
    found = json.loads(out.decode().splitlines()[-1])
    offs, missed, false = judge(found)
    load = f"load {os.getloadavg()[0]:.1f} with {HOGS} busy programs"
    print(f"{load}; {options.minutes:g} minutes, {'with' if options.stalls else 'without'} stalls")
    print(f"losses made                 {len(found['lost'])}, of {min(SIZES_S):g} to {max(SIZES_S):g} s")
    print(f"told                        {len(offs)}, farthest from its place {max(offs, default=0.0):.3f} s")
    print(f"told within {1000 * NEAR_S:.0f} ms           {sum(off <= NEAR_S for off in offs)}")
    print(f"not told, s                 {_list(missed)}")
    print(f"told and not made, s        {_list(false)} (a machine this busy may have lost them)")
    print(f"other news                  {', '.join(found['other']) or 'none'}")
    if options.laid_in:
        many_layouts(found["stamps"], options.laid_in)
        one_at_a_time(found["stamps"], options.laid_in)


def _list(sizes_s: list[float]) -> str:
    return ", ".join(f"{size_s:.3f}" for size_s in sizes_s) or "none"


if __name__ == "__main__":
    main()
