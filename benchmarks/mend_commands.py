"""Mending as a person meets it: processes, from their start to their end."""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
import tempfile
import time

import numpy as np
import soundfile
from numpy.typing import NDArray

Floats = NDArray[np.float64]

START_UP = """
import numpy as np
from sidekeep.flow.mend import Mender
from sidekeep.model.recipe import MendSettings
mender = Mender(MendSettings(), rate_hz=44_100, channels=2)
mender.process(0.01 * np.random.default_rng(1).standard_normal((44_100, 2)))
mender.flush()
"""


def start_up_s() -> float:
    """What a second of sound takes in a process of its own, its kernels compiled before: the best of three."""
    took = []
    for _ in range(4):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-c", START_UP], check=True)
        took.append(time.perf_counter() - began)
    return min(took[1:])


def as_command_s(command: list[str]) -> tuple[float, float]:
    """Seconds by the wall and of the processor that a command takes, its start included."""
    used, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    if subprocess.run(command, stdout=subprocess.DEVNULL).returncode not in (0, 1):  # 1: findings to look at
        raise RuntimeError(f"{command[0]} failed")
    took_s, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    return took_s, after.ru_utime + after.ru_stime - used.ru_utime - used.ru_stime


def process_and_all(audio: Floats, rate_hz: int, *, with_reference: bool) -> str:
    """Cells for both as commands from file to file, 24 bits: ``sidekeep mend`` and the reference's tool."""
    with tempfile.TemporaryDirectory() as folder:
        side, out = f"{folder}/side.wav", f"{folder}/out.wav"
        soundfile.write(side, audio, rate_hz, subtype="PCM_24")
        seconds = len(audio) / rate_hz
        ours_s, ours_cpu_s = as_command_s([sys.executable, "-m", "sidekeep", "mend", side, out])
        ratio, tool = "-", shutil.which("ffmpeg") if with_reference else None
        if tool is not None:
            filtered = [tool, "-v", "error", "-y", "-i", side, "-af", "adeclick", "-c:a", "pcm_s24le", out]
            other_s, other_cpu_s = as_command_s(filtered)
            ratio = f"{other_s / ours_s:.1f} (of the processor's seconds {other_cpu_s / ours_cpu_s:.1f})"
        return f"{seconds / ours_s:5.0f} | {seconds / ours_cpu_s:6.0f} | {ratio}"
