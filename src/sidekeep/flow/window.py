"""The stretch of a take that a step still needs: frames come in at one end and are let go at the other.

Positions are frames of the take. The store is moved only when it is full, so frames are copied about once; memory that it never
comes to is none.
"""

from __future__ import annotations

import numpy as np

from sidekeep.flow.ports import Audio


class Window:
    """Frames ``start`` to ``stop`` of a take, (frames, channels), writable in place.

    ``held_frames``: how many are held as a rule, where that is known.
    """

    def __init__(self, channels: int, held_frames: int = 0) -> None:
        self.start = 0
        self._store = np.empty((3 * held_frames, channels))
        self._first = 0
        self._count = 0

    @property
    def stop(self) -> int:
        """One past the last frame held."""
        return self.start + self._count

    def append(self, block: Audio) -> None:
        """Take frames in behind those held."""
        end = self._first + self._count
        if end + len(block) > len(self._store):
            needed = self._count + len(block)
            held = self._store[self._first : end]
            if needed > len(self._store) // 2:
                # half as much again as moving asks for: what is held goes up and down, and new memory costs more than moving
                self._store = np.empty((3 * needed, self._store.shape[1]))
            self._store[: self._count] = held
            self._first, end = 0, self._count
        self._store[end : end + len(block)] = block
        self._count += len(block)

    def view(self, start: int, stop: int) -> Audio:
        """Frames [start, stop) cut to what is held; writing to it changes the window."""
        low = self._first + max(0, start - self.start)
        high = self._first + min(self._count, stop - self.start)
        return self._store[low:high]

    def drop_before(self, frame: int) -> None:
        """Let go of the frames before ``frame``."""
        count = min(max(0, frame - self.start), self._count)
        self.start += count
        self._first += count
        self._count -= count
