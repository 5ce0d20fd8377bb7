"""The whole job against the bare encoders: time, processor time and memory of ``transfer``.

A 96 kHz / 24-bit side of real music is pressed with damage and surface noise, its middle is repeated until it
is long enough, and ``transfer`` (lossless + portable) runs on it in a process of its own. In the same call the
bare encoders (``bench_encoders.reference_run``) make the same tracks from the same file, at the same rates: FLAC
at 96 kHz, MP3 at 48 kHz. Goal: at most twice their time, and under 700 MB at any length.

Two ratios are printed. Wall time holds on a quiet machine only; processor time holds on a busy one.

    ./run bench transfer [--quick] [--long]     20 minutes (3 with --quick); --long adds 60, for memory
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import av
import numba
import numpy as np
import soundfile
import soxr

from benchmarks import real_music
from benchmarks.bench_encoders import RATE_HZ, Timing, reference_run
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.press.disc.settings import used_lp
from sidekeep.press.disc.side import Pressed, press_side

BLOCK_FRAMES = 65_536
GOAL_RATIO = 2.0
GOAL_MB = 700.0
STAGES = {
    "listening": "survey",
    "finding": "tracks",
    "writing": "render",
    "encoding": "encoders, read back",
    "tagging": "tags, checksums, names",
}
"""First word of what the progress tells, and what it is called here."""


@dataclass(frozen=True)
class LongSide:
    """A take on disk and where its tracks start and stop, in frames."""

    path: Path
    sleeve_path: Path
    edges: tuple[int, ...]


def make_long_side(folder: Path, minutes: float, seed: int = 4) -> LongSide:
    """Press three tracks and repeat the first two, gaps and damage and all, until ``minutes`` are full."""
    track_s = min(100.0, minutes * 60.0 / 4.0)
    pieces = real_music.load_pieces("mixed", 3, track_s, RATE_HZ)
    pressed = press_side(pieces, rate_hz=RATE_HZ, settings=used_lp(), seed=seed)
    starts = [track.start_frame for track in pressed.truth.tracks]
    first, last = starts[0], starts[2]
    turns = max(1, round((minutes * 60.0 * RATE_HZ - len(pressed.audio)) / (last - first)) + 1)
    path = folder / f"side-{minutes:g}.wav"
    with TakeWriter(path, rate_hz=RATE_HZ, channels=2, bits=24, replace=True) as take:
        _append(take, pressed, 0, first)
        for _ in range(turns):
            _append(take, pressed, first, last)
        _append(take, pressed, last, len(pressed.audio))
    shift = (turns - 1) * (last - first)
    edges = [start + turn * (last - first) for turn in range(turns) for start in starts[:2]]
    edges += [last + shift, pressed.truth.music_stop_frame + shift]
    sleeve = folder / f"sleeve-{minutes:g}.txt"
    names = [f"A{number} Long Night {number}" for number in range(1, len(edges))]
    sleeve.write_text("The Long Side - Work And Time (1999)\n\nSide A\n" + "\n".join(names) + "\n")
    return LongSide(path, sleeve, tuple(edges))


def _append(take: TakeWriter, pressed: Pressed, start: int, stop: int) -> None:
    for at in range(start, stop, BLOCK_FRAMES):
        block = pressed.audio[at : min(stop, at + BLOCK_FRAMES)]
        take.append(np.rint(block * 2**23).astype(np.int32))


def run_child(path: Path, sleeve: Path, out: Path) -> None:
    """In a process of its own: the whole job, its stages and its peak memory, printed as JSON."""
    from sidekeep.service.transfers.report import transfer_with_report

    marks: list[tuple[str, float, float, float]] = []

    def progress(share: float, doing: str = "") -> None:
        stage = STAGES.get(doing.split(" ")[0], doing)
        if not marks or marks[-1][0] != stage:
            marks.append((stage, time.perf_counter(), time.process_time(), peak_mb()))

    began = time.perf_counter()
    result, _ = transfer_with_report([path], out_dir=out, sleeve_path=sleeve, progress=progress)
    ended, spent = time.perf_counter(), time.process_time()
    stages = [
        (stage, following[1] - wall, following[2] - cpu, following[3])
        for (stage, wall, cpu, _), following in zip(
            marks, [*marks[1:], ("", ended, spent, peak_mb())], strict=True
        )
    ]
    told = {
        "wall_s": ended - began,
        "stages": stages,
        "peak_mb": peak_mb(),
        "files": len(result.written),
        "repairs": sum(len(take.survey.repairs) for take in result.takes),
        "bytes": sum(written.size_bytes for written in result.written),
    }
    print(json.dumps(told))


def peak_mb() -> float:
    """Highest resident memory of this process. ``ru_maxrss`` would count the parent's on Linux."""
    status = Path("/proc/self/status")
    if status.exists():
        line = next(row for row in status.read_text().splitlines() if row.startswith("VmHWM"))
        return int(line.split()[1]) / 1024.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20


@dataclass(frozen=True)
class TransferFigures:
    """One run of the whole job: ``timing`` is of the process from start to end, its start-up included.
    ``stages``: name, wall s, CPU s, and the highest memory (MB) up to its end."""

    timing: Timing
    peak_mb: float
    stages: list[tuple[str, float, float, float]]
    told: dict[str, Any]


def run_transfer(side: LongSide, out: Path) -> TransferFigures:
    """Run it and wait; CPU time from the kernel's account of the child."""
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "benchmarks.bench_transfer", "--child", side.path, side.sleeve_path, out],
        cwd=Path(__file__).parents[1],
        stdout=subprocess.PIPE,
        text=True,
        check=True,
    )
    wall_s, after = time.perf_counter() - began, resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    told = json.loads(done.stdout.splitlines()[-1])
    audio_s = (side.edges[-1] - side.edges[0]) / RATE_HZ
    return TransferFigures(Timing(audio_s, wall_s, cpu_s), told["peak_mb"], told["stages"], told)


@dataclass(frozen=True)
class Comparison:
    """The job beside the bare encoders, same tracks, same machine, one after the other."""

    minutes: float
    job: TransferFigures
    bare: Timing

    @property
    def wall_ratio(self) -> float:
        """Goal: at most 2, on a quiet machine."""
        return self.job.timing.wall_s / self.bare.wall_s

    @property
    def cpu_ratio(self) -> float:
        """The same in processor time."""
        return self.job.timing.cpu_s / self.bare.cpu_s


def compare(minutes: float) -> Comparison:
    """Press, run the bare encoders, run the job."""
    with tempfile.TemporaryDirectory(prefix="sidekeep-bench-") as name:
        folder = Path(name)
        side = make_long_side(folder, minutes)
        (folder / "bare").mkdir()
        bare = reference_run(side.path, side.edges, folder / "bare")
        job = run_transfer(side, folder / "out")
    return Comparison(minutes, job, bare)


def warm_up() -> None:
    """Compile (or load from the cache) every kernel once, so that no figure holds compilation."""
    with tempfile.TemporaryDirectory(prefix="sidekeep-bench-") as name:
        run_transfer(make_long_side(Path(name), 0.5), Path(name) / "out")


def machine() -> str:
    """What the figures were made on and with."""
    load = f", load {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else ""
    return (
        f"{platform.machine()}, {os.cpu_count()} cores{load}; Python {platform.python_version()}, numpy "
        f"{np.__version__}, numba {numba.__version__}, PyAV {av.__version__}, libsndfile "
        f"{soundfile.__libsndfile_version__}, soxr {soxr.__version__}; 96 kHz, 24 bit, stereo"
    )


def print_comparison(found: Comparison) -> None:
    """Totals, then where the time went."""
    job, bare = found.job, found.bare
    print(
        f"\n{found.minutes:g} minutes, {job.told['files']} files, {job.told['bytes'] / 1e6:.0f} MB, "
        f"{job.told['repairs']} repairs"
    )
    print(f"{'':<28}{'wall s':>9}{'CPU s':>9}{'cores':>7}{'peak MB':>9}")
    rows = [
        ("bare encoders", bare.wall_s, bare.cpu_s, 0.0),
        ("transfer", job.timing.wall_s, job.timing.cpu_s, job.peak_mb),
    ]
    start_up_s = job.timing.wall_s - job.told["wall_s"]
    inside = [(f"  {stage}", wall, cpu, peak) for stage, wall, cpu, peak in job.stages if wall > 0.05]
    start_up_cpu_s = job.timing.cpu_s - sum(stage[2] for stage in job.stages)
    rows += [("  start of the program", start_up_s, start_up_cpu_s, 0.0), *inside]
    for words, wall_s, cpu_s, peak in rows:
        memory = f"{peak:>9.0f}" if peak else ""
        print(f"{words:<28}{wall_s:>9.1f}{cpu_s:>9.1f}{cpu_s / max(wall_s, 1e-9):>7.2f}{memory}")
    print(f"ratio: {found.wall_ratio:.2f} by wall time, {found.cpu_ratio:.2f} by CPU (goal {GOAL_RATIO:g})")
    print(f"peak memory: {job.peak_mb:.0f} MB (goal {GOAL_MB:g})")


def main() -> None:
    """Press, run, print."""
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="3 minutes instead of 20")
    parser.add_argument("--long", action="store_true", help="60 minutes too")
    parser.add_argument("--minutes", type=float, help="another length")
    parser.add_argument("--child", nargs=3, type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.child:
        run_child(*options.child)
        return
    print(machine())
    warm_up()
    lengths = [options.minutes or (3.0 if options.quick else 20.0)]
    for minutes in [*lengths, 60.0] if options.long else lengths:
        print_comparison(compare(minutes))


if __name__ == "__main__":
    main()
