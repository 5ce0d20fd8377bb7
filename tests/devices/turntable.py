"""A turntable that is switched on: the noise of the chain into the virtual deck without end, until a needle is lowered on a side.

Whoever records has all the time a loaded machine needs: nothing is played until it is asked for.
"""

from __future__ import annotations

import os
import queue
import subprocess
import threading
from collections.abc import Callable
from contextlib import suppress

import numpy as np
from numpy.typing import NDArray

from .conftest import Deck

AHEAD_MS = 2500
"""What the sound server holds of what is still to be played: a player that gets no processor for so long has a gap."""


class Turntable:
    """``chain`` gives the next noise of the chain, some 50 ms of it; ``played`` is all that was put into the deck, as 24-bit steps, and
    ``starts`` the frame of it at which each side began."""

    def __init__(self, deck: Deck, chain: Callable[[], NDArray[np.float64]], rate_hz: int = 48_000) -> None:
        self.played: list[NDArray[np.int32]] = []
        self.starts: list[int] = []
        self._chain = chain
        self._sides: queue.Queue[NDArray[np.int32]] = queue.Queue()
        self._is_off = threading.Event()
        self._stream = subprocess.Popen(
            ["paplay", "--device=deck", "--raw", "--format=s24-32le", f"--rate={rate_hz}", "--channels=2",
             f"--latency-msec={AHEAD_MS}"],
            stdin=subprocess.PIPE,
            bufsize=0,
            env={**os.environ, **deck.environment},
        )  # fmt: skip
        with suppress(ImportError, AttributeError, OSError):
            import fcntl

            assert self._stream.stdin is not None
            fcntl.fcntl(self._stream.stdin, fcntl.F_SETPIPE_SZ, 1 << 20)  # some seconds more ahead
        with suppress(OSError):  # where we may: the turntable is no part of what is tested
            os.setpriority(os.PRIO_PROCESS, self._stream.pid, -10)
        self._thread = threading.Thread(target=self._turn, daemon=True)
        self._thread.start()

    def lower_needle(self, side: NDArray[np.float64]) -> None:
        """Play a side, with what its own chain gives before the needle and after."""
        self._sides.put(steps_of(side))

    def switch_off(self) -> None:
        """Silence, at once."""
        self._is_off.set()
        self._stream.kill()
        self._thread.join(10.0)
        assert self._stream.stdin is not None
        with suppress(OSError):
            self._stream.stdin.close()
        self._stream.wait()

    def _turn(self) -> None:
        frames = 0
        assert self._stream.stdin is not None
        while not self._is_off.is_set():
            try:
                steps = self._sides.get_nowait()
                self.starts.append(frames)
            except queue.Empty:
                steps = steps_of(self._chain())
            self.played.append(steps)
            frames += len(steps)
            data = steps.tobytes()
            for start in range(0, len(data), 1 << 15):
                if self._is_off.is_set():
                    return
                try:
                    self._stream.stdin.write(data[start : start + (1 << 15)])
                except BrokenPipeError:
                    return


def steps_of(audio: NDArray[np.float64]) -> NDArray[np.int32]:
    """Full scale +-1 as whole steps of 24 bits."""
    return np.round(np.clip(audio, -1.0, 1.0 - 2.0**-23) * 2**23).astype("<i4")
