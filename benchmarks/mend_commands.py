"""Mending as a person meets it: processes, from their start to their end."""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

Floats = NDArray[np.float64]

RUNS = 3
"""Of each command: one alone tells what else the machine did."""
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


def process_and_all(audio: Floats, rate_hz: int, *, with_reference: bool) -> list[str]:
    """Both as commands from file to file, 24 bits, in turns: ``sidekeep mend`` and the reference's tool.

    Cells for the best of each, then a line with every run: the best is what a machine can do, the rest what it was busy with.
    """
    with tempfile.TemporaryDirectory() as folder:
        side, out = f"{folder}/side.wav", f"{folder}/out.wav"
        soundfile.write(side, audio, rate_hz, subtype="PCM_24")
        commands = {"ours": [sys.executable, "-m", "sidekeep", "mend", side, out]}
        tool = shutil.which("ffmpeg") if with_reference else None
        if tool is not None:
            commands["the reference"] = [tool, "-v", "error", "-y", "-i", side, "-af", "adeclick"]
            commands["the reference"] += ["-c:a", "pcm_s24le", out]
        runs: dict[str, list[tuple[float, float]]] = {name: [] for name in commands}
        for _ in range(RUNS):
            for name, command in commands.items():
                Path(out).unlink(missing_ok=True)  # to take away what was there is no part of mending
                runs[name].append(as_command_s(command))
    best_s = {name: [min(column) for column in zip(*took, strict=True)] for name, took in runs.items()}
    seconds, (ours_s, ours_cpu_s) = len(audio) / rate_hz, best_s["ours"]
    ratio = "-"
    if tool is not None:
        other_s, other_cpu_s = best_s["the reference"]
        ratio = f"{other_s / ours_s:.1f} (of the processor's seconds {other_cpu_s / ours_cpu_s:.1f})"
    told = [
        f"{name} " + ", ".join(f"{wall_s:.2f} ({cpu_s:.2f})" for wall_s, cpu_s in took)
        for name, took in runs.items()
    ]
    cells = f"{seconds / ours_s:5.0f} | {seconds / ours_cpu_s:6.0f} | {ratio}"
    return [cells, f"seconds by the wall (of the processor): {'; '.join(told)}"]
