"""The writer of the capture: the moment of an order does not count, and a disk that refuses costs no frame."""

from __future__ import annotations

import json
import os
import queue
import shutil
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from sidekeep.devices.messenger import Messenger
from sidekeep.devices.take_keeper import RESERVE_BYTES, RING_S, Block, Ring, TakeKeeper
from sidekeep.files.wave.rf64 import TakeWriter

RATE_HZ, BLOCK = 8_000, 400


class Said(Messenger):
    """Keeps what is said instead of sending it."""

    def __init__(self) -> None:
        self.messages: queue.Queue[dict[str, Any]] = queue.Queue()

    def tell(self, event: str, **facts: Any) -> None:
        self.messages.put(json.loads(json.dumps({"event": event, **facts})))

    def audio(self, frame: int, raw: bytes) -> None:
        pass

    def wait_for(self, event: str) -> dict[str, Any]:
        while (message := self.messages.get(timeout=120.0))["event"] != event:
            pass
        return message


class Running:
    def __init__(self) -> None:
        self.said = Said()
        self.keeper = TakeKeeper(self.said, rate_hz=RATE_HZ, channels=2, bits=24)
        self.thread = threading.Thread(target=self.keeper.run)
        self.thread.start()
        self._count = 0

    def feed(self, seconds: float) -> None:
        for _ in range(round(seconds * RATE_HZ / BLOCK)):
            numbers = range(self._count + 1, self._count + BLOCK + 1)
            raw = b"".join(number.to_bytes(3, "little") * 2 for number in numbers)
            self.keeper.blocks.put(Block(raw, self._count / RATE_HZ))
            self._count += BLOCK

    def order(self, **order: Any) -> None:
        self.keeper.blocks.put(order)

    def stop(self) -> None:
        self.keeper.blocks.put(None)
        self.thread.join()


def steps(path: Path) -> np.ndarray:
    return soundfile.read(path, dtype="int32", always_2d=True)[0][:, 0] >> 8


def test_the_ring_gives_back_what_it_holds_and_no_more() -> None:
    ring = Ring(1000, 2)
    for number in range(10):
        ring.add(np.arange(number * 300, number * 300 + 300, dtype="<i2").tobytes())
    held = np.frombuffer(b"".join(ring.since(2150)), "<i2")
    np.testing.assert_array_equal(held, np.arange(2150, 3000))
    assert 1000 <= ring.stop - ring.start <= 1600
    assert len(b"".join(ring.since(0))) == 2 * (ring.stop - ring.start)


def test_an_order_that_comes_late_begins_where_it_says(tmp_path: Path) -> None:
    running = Running()
    running.feed(20.0)
    # The needle went down at 9 s; the parent was too busy to say so before 20 s.
    running.order(do="begin", path=str(tmp_path / "take.wav"), from_frame=6 * RATE_HZ)
    running.feed(3.0)
    running.order(do="end")
    running.stop()
    assert running.said.wait_for("begun")["start_frame"] == 6 * RATE_HZ
    np.testing.assert_array_equal(steps(tmp_path / "take.wav"), np.arange(6 * RATE_HZ + 1, 23 * RATE_HZ + 1))


def test_a_take_that_cannot_be_written_goes_on_in_the_next_place(tmp_path: Path) -> None:
    wanted = tmp_path / "A-1" / "take.wav"
    wanted.parent.mkdir()
    running = Running()
    running.order(do="begin", path=str(wanted), from_frame=0, places=[str(tmp_path / "rescued")])
    running.feed(5.0)
    running.said.wait_for("begun")
    running.said.wait_for("synced")
    while running.keeper.blocks.qsize():
        pass
    running.keeper._take.append_bytes = _refuses  # type: ignore[union-attr,method-assign]
    running.feed(5.0)
    running.order(do="end")
    running.stop()
    parted = running.said.wait_for("begun")
    moved = Path(parted["path"])
    assert moved.is_relative_to(tmp_path / "rescued")
    first, second = steps(wanted), steps(moved)
    # Not a frame is missing between what the disk had confirmed and what came after.
    np.testing.assert_array_equal(first, np.arange(1, len(first) + 1))
    assert second[0] <= len(first) + 1
    np.testing.assert_array_equal(second, np.arange(second[0], 10 * RATE_HZ + 1))
    # the room that was held for closing is given back in both places
    assert [path.name for path in wanted.parent.iterdir()] == ["take.wav"]
    assert [path.name for path in moved.parent.iterdir()] == ["take.wav"]


def test_a_take_whose_file_is_taken_away_is_brought_to_the_next_place_whole(tmp_path: Path) -> None:
    """Somebody deletes the folder, or pulls the disk: much of the side is no longer in the ring, and the open file still has it."""
    wanted = tmp_path / "A-1" / "take.wav"
    wanted.parent.mkdir()
    running = Running()
    running.order(do="begin", path=str(wanted), from_frame=0, places=[str(tmp_path / "rescued")])
    running.feed(RING_S + 20.0)
    running.said.wait_for("begun")
    while running.keeper.blocks.qsize():
        time.sleep(0.01)
    shutil.rmtree(wanted.parent)
    running.feed(5.0)
    running.order(do="end")
    running.stop()
    begun = running.said.wait_for("begun")
    assert begun["start_frame"] == 0
    kept = steps(Path(begun["path"]))
    np.testing.assert_array_equal(kept, np.arange(1, round((RING_S + 25.0) * RATE_HZ) + 1))
    assert Path(running.said.wait_for("ended")["path"]) == Path(begun["path"])
    assert not wanted.parent.exists()


def test_a_place_that_has_no_room_keeps_no_empty_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """On a full shelf an empty ``rescued/A-1`` stayed for ever."""
    full, home = tmp_path / "full" / "rescued", tmp_path / "home"
    full.parent.mkdir()
    free = TakeWriter.free_bytes
    monkeypatch.setattr(
        TakeWriter, "free_bytes", lambda take: 0 if take.path.is_relative_to(full.parent) else free(take)
    )
    running = Running()
    wanted = full.parent / "A-1" / "take.wav"
    wanted.parent.mkdir()
    running.order(do="begin", path=str(wanted), from_frame=0, places=[str(full), str(home)])
    running.feed(2.0)
    running.order(do="end")
    running.stop()
    assert running.said.wait_for("begun")["path"] == str(home / "A-1" / "take.wav")
    assert [path.name for path in full.parent.iterdir()] == ["A-1"]


def _refuses(raw: bytes) -> None:
    raise OSError(5, os.strerror(5))


@pytest.mark.skipif(
    not Path("/proc/self/fd").exists(), reason="the system does not tell where an open file is"
)
def test_a_renamed_folder_is_written_on_and_found(tmp_path: Path) -> None:
    (tmp_path / "before").mkdir()
    running = Running()
    running.order(do="begin", path=str(tmp_path / "before" / "take.wav"), from_frame=0)
    running.feed(3.0)
    running.said.wait_for("begun")
    (tmp_path / "before").rename(tmp_path / "after")
    running.feed(6.0)
    running.order(do="end")
    running.stop()
    ended = running.said.wait_for("ended")
    assert Path(ended["path"]) == tmp_path / "after" / "take.wav"
    assert ended["frames"] == 9 * RATE_HZ
    assert len(steps(tmp_path / "after" / "take.wav")) == 9 * RATE_HZ
    assert [path.name for path in (tmp_path / "after").iterdir()] == ["take.wav"]


def test_room_for_closing_is_held_by_a_file_while_a_take_is_open(tmp_path: Path) -> None:
    running = Running()
    running.order(do="begin", path=str(tmp_path / "take.wav"), from_frame=0)
    running.feed(3.0)
    running.said.wait_for("begun")
    (reserve,) = [path for path in tmp_path.iterdir() if path.name != "take.wav"]
    assert reserve.stat().st_size == RESERVE_BYTES
    if hasattr(os, "posix_fallocate"):
        assert reserve.stat().st_blocks * 512 >= RESERVE_BYTES  # held, not only named
    running.order(do="end")
    running.stop()
    assert [path.name for path in tmp_path.iterdir()] == ["take.wav"]
