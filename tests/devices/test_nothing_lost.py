"""Nothing that was recorded is lost: killed at any moment, on a full disk, with the machine busy."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sidekeep.devices.messenger import Messenger
from sidekeep.devices.take_keeper import Block, TakeKeeper, now_s
from sidekeep.files.wave.repair import repair_take
from tests.outside import mounted

RATE_HZ = 48_000
BLOCK = RATE_HZ // 20

KILLER = """
import json, os, random, signal, sys, time
from sidekeep.devices.messenger import Messenger
from sidekeep.devices.take_keeper import Block, TakeKeeper, now_s
folder, count, rate_hz = sys.argv[1], int(sys.argv[2]), 48000
block = rate_hz // 20
chance = random.Random(11)
told = []
for number in range(count):
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reading)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        import threading
        recorder = TakeKeeper(Messenger(open(os.devnull, "wb")), rate_hz=rate_hz, channels=2, bits=24)
        threading.Thread(target=recorder.run, daemon=True).start()
        recorder.blocks.put({"do": "begin", "path": f"{folder}/{number}.wav"})
        frame, base_s = 0, now_s()
        while True:  # time runs some 50 times faster than in a room
            raw = b"".join(
                (k & 0xFFFFFF).to_bytes(3, "little") * 2 for k in range(frame + 1, frame + block + 1)
            )
            frame += block
            recorder.blocks.put(Block(raw, base_s + (frame - block) / rate_hz))
            while recorder.blocks.qsize() > 1:
                time.sleep(0.0002)
            os.write(writing, frame.to_bytes(8, "little"))
    os.close(writing)
    # So much audio, then a moment: the kill falls anywhere however slow the disk is.
    target, last = chance.choice([0, chance.randrange(6 * rate_hz)]), b""
    while not last or int.from_bytes(last, "little") < target:
        last = os.read(reading, 8) or sys.exit("the recorder ended by itself")
    time.sleep(chance.uniform(0.0, 0.004 if target else 0.05))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    while chunk := os.read(reading, 65536):
        last = chunk[-8:]
    os.close(reading)
    told.append(int.from_bytes(last, "little"))
print(json.dumps(told))
"""


@pytest.mark.slow
def test_two_hundred_kills_at_any_moment(tmp_path: Path) -> None:
    count = 200
    done = subprocess.run(
        [sys.executable, "-c", KILLER, str(tmp_path), str(count)], capture_output=True, text=True, check=True
    )
    told = json.loads(done.stdout)
    lost_at_once = []
    for number, fed in enumerate(told):
        path = tmp_path / f"{number}.wav"
        if not path.exists():  # killed on a slow disk before the take had begun: no file, not a broken one
            assert fed <= 2 * BLOCK
            continue
        at_once = soundfile.info(path).frames  # opens as it is, without any repair
        lost_at_once.append(fed - at_once)
        repair_take(path)
        audio, _ = soundfile.read(path, dtype="int32", always_2d=True)
        steps = (audio >> 8) & 0xFFFFFF
        assert len(steps) >= at_once
        assert fed - len(steps) <= 2 * RATE_HZ
        np.testing.assert_array_equal(steps[:, 0], np.arange(1, len(steps) + 1) & 0xFFFFFF)
        np.testing.assert_array_equal(steps[:, 1], steps[:, 0])
    assert len(lost_at_once) > count // 3
    # Two seconds between syncs, and the block or two that were on their way.
    assert max(lost_at_once) <= 2 * RATE_HZ + 4 * BLOCK
    assert max(told) > 3 * RATE_HZ


class News:
    """Stands for the pipe to the parent."""

    def __init__(self) -> None:
        self.read_end, self._write_end = os.pipe()
        self.out = os.fdopen(self._write_end, "wb")

    def messages(self) -> list[dict[str, object]]:
        self.out.close()
        with os.fdopen(self.read_end, "rb") as pipe:
            raw = pipe.read()
        found, at = [], 0
        while at < len(raw):
            length = int.from_bytes(raw[at : at + 4], "little")
            if raw[at + 4 : at + 5] == b"J":
                found.append(json.loads(raw[at + 5 : at + 5 + length]))
            at += 5 + length
        return found


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 68 MB."""
    place = tmp_path / "small"
    place.mkdir()
    with mounted(place, "size=68m"):
        yield place


def feed(recorder: TakeKeeper, seconds: float, at_block: dict[int, object] | None = None) -> None:
    base_s = now_s()
    for number in range(int(seconds * 20)):
        action = (at_block or {}).get(number)
        if callable(action):
            recorder.blocks.put({"do": "nothing"})
            while recorder.blocks.qsize():
                pass
            action()
        raw = b"".join(
            k.to_bytes(3, "little") * 2 for k in range(number * BLOCK + 1, (number + 1) * BLOCK + 1)
        )
        recorder.blocks.put(Block(raw, base_s + number / 20))
    recorder.blocks.put(None)


def kept_steps(path: Path) -> np.ndarray:
    audio, _ = soundfile.read(path, dtype="int32", always_2d=True)
    return audio[:, 0] >> 8


def run_recorder(
    path: Path, seconds: float, at_block: dict[int, object] | None = None
) -> list[dict[str, object]]:
    import threading

    news = News()
    messenger = Messenger(news.out)
    messenger.audio = lambda frame, raw: None  # type: ignore[method-assign]
    recorder = TakeKeeper(messenger, rate_hz=RATE_HZ, channels=2, bits=24)
    recorder.blocks.put({"do": "begin", "path": str(path)})
    writer = threading.Thread(target=recorder.run)
    writer.start()
    feed(recorder, seconds, at_block)
    writer.join()
    messenger.close()
    return news.messages()


def codes(news: list[dict[str, object]]) -> list[str]:
    return [message["news"]["code"] for message in news if message["event"] == "news"]  # type: ignore[index]


def test_a_disk_that_fills_is_left_in_time(small_disk: Path) -> None:
    news = run_recorder(small_disk / "take.wav", 20.0)
    assert "disk-low" in codes(news)
    ended = next(message for message in news if message["event"] == "ended")
    steps = kept_steps(small_disk / "take.wav")
    assert len(steps) == ended["frames"] > 10 * RATE_HZ
    np.testing.assert_array_equal(steps, np.arange(1, len(steps) + 1))


def test_a_disk_somebody_else_fills_keeps_every_whole_block(small_disk: Path) -> None:
    def fill() -> None:
        with (small_disk / "other").open("wb") as file:
            try:
                while True:
                    file.write(bytes(1 << 16))
                    file.flush()
            except OSError:
                pass

    news = run_recorder(small_disk / "take.wav", 4.0, {31: fill})
    assert "not-written" in codes(news)
    steps = kept_steps(small_disk / "take.wav")
    assert len(steps) >= 31 * BLOCK
    assert len(steps) % BLOCK == 0
    np.testing.assert_array_equal(steps, np.arange(1, len(steps) + 1))
