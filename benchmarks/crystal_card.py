"""A sound card with a crystal of its own, as near as software comes to one: it goes on at its rate whatever the machine is doing.

The monitor of a virtual sink has no clock but a timer of the sound server: where the machine holds that up, its stamps wander by
50 ms, which no real card does. Here a small process of real-time priority writes frames into the pipe of a source when they
are due, as a converter fills its buffer; a pipe that is full loses them, as a card does. Where real-time priority is not
allowed it runs as it may, and says so. Samples are 32 bits wide, the lowest eight zero: a source of this kind reads as many
bytes as fit its buffer, and only frames that divide that are safe.

    python -m benchmarks.crystal_card PIPE SOUND BYTES_PER_S     (until it is stopped)
"""

from __future__ import annotations

import fcntl
import mmap
import os
import subprocess
import sys
import time
from pathlib import Path

SOURCE = "turntable"
STEP_S = 0.005
PIPE_BYTES = 1 << 20
FRAME_BYTES = 8


def run(pipe: Path, sound: Path, bytes_per_s: float) -> None:
    """Write what is due, every few milliseconds, until the sound is over or nobody reads."""
    try:
        os.sched_setscheduler(0, os.SCHED_FIFO, os.sched_param(1))
        print("real-time", flush=True)
    except OSError:
        print("no real-time priority here", flush=True)
    to_card = os.open(pipe, os.O_WRONLY)
    fcntl.fcntl(to_card, 1031, PIPE_BYTES)  # F_SETPIPE_SZ, not in Python 3.11 everywhere
    os.set_blocking(to_card, False)
    with sound.open("rb") as file, mmap.mmap(file.fileno(), 0, access=mmap.ACCESS_READ) as frames:
        began, sent = time.monotonic(), 0
        while sent < len(frames):
            time.sleep(STEP_S)
            due = int((time.monotonic() - began) * bytes_per_s) // FRAME_BYTES * FRAME_BYTES
            try:
                os.write(to_card, frames[sent:due])
            except BlockingIOError:
                pass  # lost, as in a card
            except BrokenPipeError:
                return
            sent = due


def start(
    folder: Path, sound: Path, environment: dict[str, str], *, rate_hz: int, drift_ppm: float
) -> subprocess.Popen[bytes]:
    """Give the sound server the source ``SOURCE`` that plays ``sound``, frames of two channels of 32 bits."""
    pipe = folder / "card"
    subprocess.run(
        ["pactl", "load-module", "module-pipe-source", f"source_name={SOURCE}", f"file={pipe}",
         "format=s32le", f"rate={rate_hz}", "channels=2"],
        check=True, capture_output=True, env={**os.environ, **environment},
    )  # fmt: skip
    bytes_per_s = rate_hz * FRAME_BYTES * (1.0 + drift_ppm * 1e-6)
    return subprocess.Popen(
        [sys.executable, "-m", "benchmarks.crystal_card", str(pipe), str(sound), str(bytes_per_s)],
        stdout=subprocess.PIPE,
    )


if __name__ == "__main__":
    run(Path(sys.argv[1]), Path(sys.argv[2]), float(sys.argv[3]))
