"""Losses of known size and place in a real stream: are they told, where, and is nothing else told?

A sound server of our own has a card with a clock of its own (``crystal_card``), or with ``--timer`` a virtual sink, whose clock
is a timer of the server; the capture's own stream and writer take the sound from there, with busy programs beside.
Frames are thrown away between the stream and the writer, as a machine that came too late does it. ``--stalls`` also stops the
process now and then for a second, which loses nothing.

Every frame that is played carries its number (``numbered_sound``), so the take says itself what it lacks, and what is told is
judged by that alone: what was thrown away here, and what the server or the card of this machine lost besides.

The stamps of the same run are then gone through again, each time with losses laid in elsewhere: many losses for one run, and one
alone at each of many places, as far as it can be known where by the stamps (the sound of a take may tell more).

    ./run bench losses [--minutes 3] [--hogs 3] [--stalls] [--drift PPM] [--none] [--laid-in 24]
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
from collections.abc import Sequence
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import soundfile

from benchmarks import crystal_card
from benchmarks.bench_capture import busy
from benchmarks.numbered_sound import Frames, Numbered, endless, read_numbers, unpacked
from sidekeep.devices.loss_watch import LossWatch
from sidekeep.devices.messenger import Messenger
from sidekeep.devices.recorder_process import Stream
from sidekeep.devices.take_keeper import Block, TakeKeeper, now_s

RATE_HZ = 48_000
FRAME_BYTES = 6
SIZES_S = (0.02, 0.05, 0.1, 0.3, 0.45, 0.9, 1.5)
NEAR_S = 0.05
HOGS = 3
TAKE, WHOLE, FOUND = "take.wav", "whole.raw", "found.json"
_SOUND_S = 20.0
_PATIENCE_S = 40.0


class Leaky(queue.Queue[Any]):
    """The way from stream to writer, which loses frames: ``lost`` is (frame of the writer, frames). All goes to ``whole``."""

    def __init__(self, first_s: float, every_s: float, last_s: float, whole: BinaryIO) -> None:
        super().__init__()
        self._whole = whole
        self._last = round(last_s * RATE_HZ)
        self.lost: list[tuple[int, int]] = []
        self._chance = random.Random(1)
        self._next, self._every = round(first_s * RATE_HZ), round(every_s * RATE_HZ)
        self._frames = 0
        self._to_lose = 0
        self.stamps: list[float] = []
        self.arrived: list[float] = []

    def put(self, item: Any, block: bool = True, timeout: float | None = None) -> None:
        if not isinstance(item, Block):
            super().put(item)
            return
        self.stamps.append(item.stamp_s)
        self.arrived.append(now_s())
        self._whole.write(item.raw)
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


def record(minutes: float, folder: Path, *, lossless: bool) -> dict[str, Any]:
    """In a process of its own: what was thrown away, and what was told; ``folder`` gets the take and all that came."""
    told = Told()
    keeper = TakeKeeper(told, rate_hz=RATE_HZ, channels=2, bits=24)
    with (folder / WHOLE).open("wb") as whole:
        # What was lost in the last seconds has no time to be told.
        last_s = 0.0 if lossless else 60.0 * minutes - 15.0
        leaky = Leaky(15.0, 11.0, last_s, whole)
        keeper.blocks = leaky
        config = {"channels": 2, "bits": 24, "rate_hz": RATE_HZ, "device": "pulse"}
        writer = threading.Thread(target=keeper.run)
        writer.start()
        keeper.blocks.put({"do": "begin", "path": str(folder / TAKE), "from_frame": 0})
        stream = Stream(config, keeper)
        time.sleep(60.0 * minutes)
        stream.close()
        keeper.blocks.put(None)
        writer.join()
    return {
        "lost": leaky.lost,
        "told": told.losses,
        "other": told.other,
        "stamps": leaky.stamps,
        "arrived": leaky.arrived,
    }


def laid_in(stamps: list[float], losses: list[tuple[int, int]], own: list[tuple[int, int]]) -> dict[str, Any]:
    """The watch alone over the stamps of whole blocks, with losses of (frame of the input, frames): as ``record`` tells it.
    ``own`` is what is missing there without us."""
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
    here = [
        (frame - sum(size for place, size in losses if place <= frame), size) for frame, size in own
    ]  # of the frames that are left
    return {"lost": lost, "own": here, "told": told, "likely": likely}


def one_at_a_time(stamps: list[float], count: int, own: list[tuple[int, int]]) -> None:
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
            found = laid_in(stamps, [(round(at_s * RATE_HZ), round(size_s * RATE_HZ))], own)
            place = found["lost"][0][0]
            alarms = len(judge(found["told"], found["own"])[2])
            told += bool(alarms)
            near += any(abs(at - place) <= NEAR_S * RATE_HZ for at, _ in found["told"])
            among += any(
                abs(at - place) <= 2 * NEAR_S * RATE_HZ for places in found["likely"] for at in places
            )
            other += max(0, alarms - 1)
        print(f"{size_s:6.2f} {count:5d} {told:5d} {near:5d} {among:5d} {other:5d}")


def many_layouts(stamps: list[float], count: int, own: list[tuple[int, int]]) -> None:
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
        found = laid_in(stamps, losses, own)
        offs, _, left = judge(found["told"], found["lost"])
        for (_, size), off_s in zip(found["lost"], offs, strict=True):
            row = rows[min(SIZES_S, key=lambda size_s: abs(size_s - size / RATE_HZ))]
            row[0] += 1
            row[1] += off_s is not None
            row[2] += off_s is not None and off_s <= NEAR_S
        alarms += len(judge(left, found["own"])[2])
    print(f"\nlaid into these stamps at {count} times (s: made, told, told within {1000 * NEAR_S:.0f} ms)")
    for size_s, row in rows.items():
        print(f"{size_s:6.2f} {row[0]:5d} {row[1]:5d} {row[2]:5d}")
    alone = judge(laid_in(stamps, [], own)["told"], own)[2]
    print(f"told, and nothing is missing there: {alarms}; without a loss of ours: {len(alone)}")


def noise() -> Frames:
    """Some seconds of it, 24 bit."""
    sound = np.random.default_rng(2).standard_normal((round(_SOUND_S * RATE_HZ), 2)) * 2.0**17
    return sound.astype(np.int32)


def play(environment: dict[str, str]) -> subprocess.Popen[bytes]:
    """Numbered noise without end into the sink."""
    player = subprocess.Popen(
        ["pacat", "--playback", "--raw", "--device=deck", f"--rate={RATE_HZ}", "--format=s24le",
         "--channels=2", "--latency-msec=2000", "--process-time-msec=500"],
        stdin=subprocess.PIPE, stderr=subprocess.DEVNULL, env={**os.environ, **environment},
    )  # fmt: skip
    assert player.stdin is not None
    write = player.stdin.write

    def feed() -> None:
        with contextlib.suppress(OSError, ValueError):  # until the player is gone
            endless(noise(), write)

    threading.Thread(target=feed, name="player", daemon=True).start()
    return player


def play_by_crystal(
    folder: Path, environment: dict[str, str], minutes: float, drift_ppm: float
) -> subprocess.Popen[bytes]:
    """The same through a card with a clock of its own."""
    sound = folder / "played.raw"
    with sound.open("wb") as file:
        last = round((60.0 * minutes + 30.0) * RATE_HZ)
        endless(noise(), lambda raw: file.write((unpacked(raw) << 8).astype("<i4").tobytes()), last)
    return crystal_card.start(folder, sound, environment, rate_hz=RATE_HZ, drift_ppm=drift_ppm)


def stall(process_id: int, over: threading.Event) -> None:
    """Stop the capture for a second every now and then; the server's buffer is longer than that."""
    while not over.wait(17.0):
        with contextlib.suppress(OSError):
            os.kill(process_id, signal.SIGSTOP)
            time.sleep(1.0)
            os.kill(process_id, signal.SIGCONT)


def judge(
    told: Sequence[Sequence[int]], lost: Sequence[Sequence[int]]
) -> tuple[list[float | None], list[float], list[tuple[int, int]]]:
    """How far off the telling of each loss was in s (None: not told), the sizes of those not told, and what was told
    and is not lost."""
    left = [(int(place), int(size)) for place, size in told]
    offs: list[float | None] = []
    for place, _ in lost:
        near = [each for each in left if abs(each[0] - place) <= 0.5 * RATE_HZ]
        best = min(near, key=lambda each: abs(each[0] - place), default=None)
        if best is not None:
            left.remove(best)
        offs.append(abs(best[0] - place) / RATE_HZ if best is not None else None)
    missed = [size / RATE_HZ for (_, size), off_s in zip(lost, offs, strict=True) if off_s is None]
    return offs, missed, left


def as_it_says_itself(folder: Path) -> tuple[Numbered, Numbered]:
    """What is missing in the take, and in all that came, by the numbers in the sound."""
    frames, _ = soundfile.read(folder / TAKE, dtype="int32", always_2d=True)
    return read_numbers(frames >> 8), read_numbers(unpacked((folder / WHOLE).read_bytes()))


def main() -> None:
    """Record, compare, print."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--minutes", type=float, default=3.0)
    parser.add_argument("--stalls", action="store_true", help="stop the capture for a second now and then")
    parser.add_argument(
        "--laid-in", type=int, default=24, metavar="TIMES", help="layouts of losses tried afterwards"
    )
    parser.add_argument("--quick", action="store_true", help="one minute")
    parser.add_argument("--none", action="store_true", help="throw nothing away: is anything told?")
    parser.add_argument("--hogs", type=int, default=HOGS, metavar="N", help="busy programs beside")
    parser.add_argument(
        "--drift", type=float, default=0.0, metavar="PPM", help="how fast the card's clock is"
    )
    parser.add_argument(
        "--timer", action="store_true", help="a virtual sink's monitor, whose clock is a timer of the server"
    )
    parser.add_argument(
        "--keep", type=Path, metavar="FOLDER", help="leave take, stamps and all that came there"
    )
    parser.add_argument("--record", type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    options.minutes = 1.0 if options.quick else options.minutes
    if missing := [name for name in ("pulseaudio", "pactl", "pacat") if shutil.which(name) is None]:
        print(f"skipped: {', '.join(missing)} not installed")
        return
    if options.record:
        found = record(options.minutes, options.record, lossless=options.none)
        (options.record / FOUND).write_text(json.dumps(found))
        os._exit(0)  # the sound library may hang where its server is gone
    with tempfile.TemporaryDirectory(prefix="sidekeep-bench-") as name:
        folder = Path(name)
        load = trial(folder, options)
        if not (folder / FOUND).exists():
            print(f"NOT ENDED: {load}; the capture did not come to an end")
            return
        found = json.loads((folder / FOUND).read_text())
        print(f"{load}; {options.minutes:g} minutes, {'with' if options.stalls else 'without'} stalls")
        own = tell(found, *as_it_says_itself(folder))
        if options.keep:
            shutil.copytree(
                folder, options.keep, ignore=shutil.ignore_patterns("run", "home", "card", "played.raw")
            )
    if options.laid_in and not options.none:
        many_layouts(found["stamps"], options.laid_in, own)
        one_at_a_time(found["stamps"], options.laid_in, own)


def trial(folder: Path, options: argparse.Namespace) -> str:
    """One recording into ``folder``; what the load was."""
    from tests.devices.conftest import Deck

    with busy(options.hogs), contextlib.ExitStack() as stack:
        deck = Deck(folder)
        stack.callback(deck.kill)
        environment = {**deck.environment, "PULSE_SOURCE": "deck.monitor"}
        if options.timer:
            player = play(environment)
        else:
            player = play_by_crystal(folder, environment, options.minutes, options.drift)
            environment["PULSE_SOURCE"] = crystal_card.SOURCE
        stack.callback(player.kill)
        over = threading.Event()
        stack.callback(over.set)
        capture = subprocess.Popen(
            [sys.executable, "-m", "benchmarks", "losses", "--record", str(folder), "--minutes", str(options.minutes),
             *(["--none"] if options.none else [])],
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env={**os.environ, **environment},
        )  # fmt: skip
        if options.stalls:
            threading.Thread(target=stall, args=(capture.pid, over), daemon=True).start()
        try:
            capture.wait(60.0 * options.minutes + _PATIENCE_S)
        except subprocess.TimeoutExpired:
            capture.kill()
    return f"load {os.getloadavg()[0]:.1f} with {options.hogs} busy programs"


def tell(found: dict[str, Any], take: Numbered, whole: Numbered) -> list[tuple[int, int]]:
    """Print what became of the losses in the take; what is missing in all that came, which nobody here threw away."""
    offs, missed, false = judge(found["told"], take.lost)
    near = [off_s for off_s in offs if off_s is not None]
    late_s = sum(size for _, size in take.silent) / RATE_HZ
    print(f"frames thrown away here     {len(found['lost'])} times, {min(SIZES_S):g} to {max(SIZES_S):g} s")
    print(f"missing in the take         {len(take.lost)} times by the numbers in its sound")
    print(f"lost before it came to us   {_list([size / RATE_HZ for _, size in whole.lost])} s")
    print(f"player late (not capture)   {late_s:.3f} s of silence in {len(take.silent)} places")
    print(f"told                        {len(near)}, farthest from its place {max(near, default=0.0):.3f} s")
    print(f"told within {1000 * NEAR_S:.0f} ms           {sum(off_s <= NEAR_S for off_s in near)}")
    print(f"missing and not told, s     {_list(missed)}")
    print(f"told and nothing missing, s {_list([size / RATE_HZ for _, size in false])}")
    print(f"other news                  {', '.join(found['other']) or 'none'}")
    return whole.lost


def _list(sizes_s: list[float]) -> str:
    return ", ".join(f"{size_s:.3f}" for size_s in sizes_s) or "none"


if __name__ == "__main__":
    main()
