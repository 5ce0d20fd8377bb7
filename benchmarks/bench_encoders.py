"""How fast the bare encoders and the readers are: the reference that the whole job is measured against.

``reference_run`` is what nothing can beat on this machine: every track of a 96/24 side to FLAC level 8, and
through soxr to MP3 320, tracks side by side on all cores, no meters, no checks, no tags. ``bench_transfer``
divides its own time by it.

"x per core" counts processor time, so that it holds on a busy machine too.

    ./run bench encoders [--quick]        20 minutes of 96/24 (2 with --quick)
"""

from __future__ import annotations

import argparse
import os
import platform
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from functools import partial
from itertools import pairwise
from pathlib import Path

import av
import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from benchmarks import real_music
from sidekeep.copies.kinds.table import KINDS
from sidekeep.files.codecs.av_encoder import AvEncoder
from sidekeep.files.reading.reader import open_source
from sidekeep.files.reading.source import FileSource
from sidekeep.files.wave.rf64 import TakeWriter
from sidekeep.files.writing.sinks import CODECS, open_sink

BLOCK_FRAMES = 65_536
RATE_HZ = 96_000
MP3_RATE_HZ = KINDS["portable"].rate_hz(RATE_HZ)
"""What ``transfer`` writes; another rate would be other work."""


@dataclass(frozen=True)
class Timing:
    """Wall and processor seconds for ``audio_s`` seconds of sound."""

    audio_s: float
    wall_s: float
    cpu_s: float

    def row(self, name: str) -> str:
        return (
            f"{name:<34} {self.wall_s:8.2f} s wall {self.audio_s / self.wall_s:8.1f} x "
            f"{self.audio_s / self.cpu_s:8.1f} x per core"
        )


def timed(audio_s: float, work: Callable[[], object]) -> Timing:
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return Timing(audio_s, time.perf_counter() - wall, time.process_time() - cpu)


def blocks_24(path: Path, start: int, stop: int) -> Iterator[NDArray[np.int32]]:
    """Whole numbers of 24 bits of a span."""
    with soundfile.SoundFile(str(path)) as file:
        file.seek(start)
        at = start
        while at < stop:
            block = file.read(min(BLOCK_FRAMES, stop - at), dtype="int32", always_2d=True)
            at += len(block)
            yield block >> 8


def bare_flac(path: Path, out: Path, start: int, stop: int) -> None:
    """FLAC level 8, nothing else."""
    with open(out, "wb+") as file:
        encoder = AvEncoder(
            file,
            container="flac",
            codec="flac",
            sample_format="s32",
            rate_hz=RATE_HZ,
            channels=2,
            options={"compression_level": "8"},
        )
        for block in blocks_24(path, start, stop):
            encoder.encode(block << 8)
        encoder.finish()


def bare_mp3(path: Path, out: Path, start: int, stop: int, rate_hz: int = MP3_RATE_HZ) -> None:
    """soxr VHQ and MP3 320 joint stereo, nothing else."""
    resampler = soxr.ResampleStream(RATE_HZ, rate_hz, 2, dtype="float32", quality="VHQ")
    with (
        soundfile.SoundFile(str(path)) as file,
        soundfile.SoundFile(
            str(out),
            "w",
            rate_hz,
            2,
            format="MP3",
            subtype="MPEG_LAYER_III",
            bitrate_mode="CONSTANT",
            compression_level=0.0,
        ) as mp3,
    ):
        file.seek(start)
        at = start
        while at < stop:
            block = file.read(min(BLOCK_FRAMES, stop - at), dtype="float32", always_2d=True)
            at += len(block)
            mp3.write(resampler.resample_chunk(block, last=at >= stop))


def reference_run(
    path: Path,
    cuts: Sequence[int],
    folder: Path,
    *,
    workers: int | None = None,
    mp3_rate_hz: int = MP3_RATE_HZ,
) -> Timing:
    """All tracks (``cuts`` are their edges in frames) to FLAC and MP3 on ``workers`` cores, longest first."""
    spans = list(pairwise(cuts))
    jobs: list[tuple[Callable[[Path, Path, int, int], None], str, int, int]] = []
    for number, (start, stop) in enumerate(sorted(spans, key=lambda span: span[0] - span[1])):
        jobs.append((partial(bare_mp3, rate_hz=mp3_rate_hz), f"{number}.mp3", start, stop))
    for number, (start, stop) in enumerate(spans):
        jobs.append((bare_flac, f"{number}.flac", start, stop))

    def run() -> None:
        with ThreadPoolExecutor(workers or os.cpu_count() or 1) as pool:
            for done in [pool.submit(job, path, folder / name, a, b) for job, name, a, b in jobs]:
                done.result()

    return timed((cuts[-1] - cuts[0]) / RATE_HZ, run)


def make_side(path: Path, length_s: float) -> None:
    """A 96/24 side: real music when it is in the cache, else partials and hiss, with groove noise on it."""
    rng = np.random.default_rng(1)
    frames = round(length_s * RATE_HZ)
    piece = np.zeros((0, 2))
    if real_music.available("orchestral"):
        piece = real_music.load_audio(real_music.list_files("orchestral")[0], RATE_HZ, 120.0)
    if not len(piece):
        t = np.arange(60 * RATE_HZ) / RATE_HZ
        tone = sum(np.sin(2 * np.pi * 110.0 * k * t + np.sin(3 * t + k)) / k for k in range(1, 8))
        piece = 0.2 * np.stack([tone, np.roll(tone, 2000)], axis=1)
    with TakeWriter(path, rate_hz=RATE_HZ, channels=2, bits=24, replace=True) as take:
        at = 0
        while at < frames:
            start = at % len(piece)
            part = piece[start : start + min(BLOCK_FRAMES, frames - at)]
            noisy = part + rng.normal(0.0, 0.0015, part.shape)
            take.append(np.rint(np.clip(noisy, -0.99, 0.99) * 2**23).astype(np.int32))
            at += len(part)


def through_sink(path: Path, kind: str, rate_hz: int, sound: NDArray[np.float64], check: bool) -> None:
    """One file of a kind, as the copies are made."""
    with open_sink(path, kind, rate_hz=rate_hz, channels=2, check=check, replace=True) as sink:
        for at in range(0, len(sound), BLOCK_FRAMES):
            sink.write(sound[at : at + BLOCK_FRAMES])


def read_through(source: FileSource) -> int:
    """All blocks of a source; their frames."""
    return sum(map(len, source.blocks(BLOCK_FRAMES)))


def each_kind(path: Path, folder: Path, length_s: float) -> None:
    """Every kind through its sink (with reading back) and bare of it, one thread."""
    source = open_source(path)
    frames = min(source.format.length_frames, round(length_s * RATE_HZ))
    whole = source.read(0, frames)
    for kind, codec in CODECS.items():
        rate_hz = RATE_HZ if codec.lossless else 48_000
        sound = whole if codec.lossless else soxr.resample(whole, RATE_HZ, rate_hz, "VHQ")

        for check, words in ((False, f"at {rate_hz} Hz"), (True, "and reading it back")):
            work = partial(through_sink, folder / kind, kind, rate_hz, sound, check)
            print(timed(frames / RATE_HZ, work).row(f"{kind} {words}"))


def reading(path: Path, folder: Path) -> None:
    """Blocks of float64 from each lossless container."""
    source = open_source(path)
    for name, form in (("a.wav", "WAV"), ("a.w64", "W64"), ("a.aiff", "AIFF"), ("a.flac", "FLAC")):
        with soundfile.SoundFile(str(folder / name), "w", RATE_HZ, 2, "PCM_24", format=form) as out:
            for block in source.blocks(BLOCK_FRAMES):
                out.write(block)
    for name in ("take.wav", "a.wav", "a.w64", "a.aiff", "a.flac"):
        opened = open_source(path if name == "take.wav" else folder / name)
        print(timed(opened.format.length_s, partial(read_through, opened)).row(f"reading {name}"))


def several_mp3(count: int, path: Path, folder: Path, frames: int) -> None:
    """The same span by ``count`` threads."""
    threads = [
        threading.Thread(target=bare_mp3, args=(path, folder / f"p{n}.mp3", 0, frames)) for n in range(count)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()


def parallel(path: Path, folder: Path, length_s: float) -> None:
    """Whether several encoders of one process keep several cores busy."""
    frames = round(length_s * RATE_HZ)
    for count in (1, os.cpu_count() or 1):
        work = partial(several_mp3, count, path, folder, frames)
        print(timed(length_s * count, work).row(f"{count} MP3 encoder(s) at once"))


def main() -> None:
    parser = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="2 minutes instead of 20")
    options = parser.parse_args()
    minutes = 2.0 if options.quick else 20.0
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, "
        f"PyAV {av.__version__}, libsndfile {soundfile.__libsndfile_version__}, soxr {soxr.__version__}; "
        "96 kHz, 24 bit, stereo"
    )
    with tempfile.TemporaryDirectory(prefix="sidekeep-bench-") as name:
        folder = Path(name)
        path = folder / "take.wav"
        make_side(path, minutes * 60.0)
        reading(path, folder)
        each_kind(path, folder, 30.0)
        parallel(path, folder, 30.0)
        frames = round(minutes * 60.0 * RATE_HZ)
        cuts = [round(frames * share) for share in (0.0, 0.17, 0.41, 0.6, 0.85, 1.0)]
        print(reference_run(path, cuts, folder).row(f"FLAC 8 + MP3 320 of {minutes:g} min, 5 tracks"))


if __name__ == "__main__":
    main()
