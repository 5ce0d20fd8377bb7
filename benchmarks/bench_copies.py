"""What other programs make of our copies: one table, kind by reader, from the readers that are installed.

A side of three tracks that run into one another, and a second side, are written in every kind. Every reader decodes every
file it can. *length* is the largest difference from what went in, in frames; *joins* is the rest (decoded less
what went in) within 5 ms of the joins against the rest elsewhere, in dB: 0 and below means a join that is no louder
than the coding noise around it; *exact* means no rest beyond the dither. Tags are counted as a reader sees them, and
the gain of every track is computed again from the decoded file with another meter (BS.1770 in pyebur128).

    ./run bench copies [--quick] [--copies portable,aac]        tracks of 20 s (6 with --quick)
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

import av
import mutagen
import numpy as np
import soundfile
from numpy.typing import NDArray

from sidekeep.copies.kinds.table import KINDS, parse_kinds
from sidekeep.copies.plan.layout import plan_copies
from sidekeep.copies.run.run import CopyRun
from sidekeep.copies.tracks.cutting import SideAudio
from sidekeep.dsp.output.resample import resample
from sidekeep.model.record import Record, Side, SleeveTrack

RATE_HZ = 48_000
Audio = NDArray[np.float64]
TRACKS = {"A": ("Lamp Oil", "Grüße", "Tide Table"), "B": ("Long Quay",)}


def music(frames: int, seed: int) -> Audio:
    """Loud partials with hiss, never still: the hardest case for a join."""
    rng = np.random.default_rng(seed)
    time_s = np.arange(frames) / RATE_HZ
    audio = 0.02 * rng.standard_normal((frames, 2))
    for hz in 110.0 * 2.0 ** (rng.choice(25, 9, replace=False) / 12.0):
        for partial in range(1, 9):
            swell = 1.0 + 0.5 * np.sin(2 * np.pi * rng.uniform(0.1, 2.0) * time_s)
            audio += (swell * np.sin(2 * np.pi * hz * partial * time_s + rng.uniform(0, 6)))[:, None] * (
                rng.uniform(0.4, 1.0, 2) / partial
            )
    return np.asarray(audio * (0.7 / np.abs(audio).max()))


def by_program(*command: str) -> Callable[[Path], Audio]:
    """A program that writes a WAV file; IN and OUT stand for the names."""

    def read(path: Path) -> Audio:
        with tempfile.TemporaryDirectory() as folder:
            out = Path(folder) / "out.wav"
            words = [{"IN": str(path), "OUT": str(out)}.get(word, word) for word in command]
            subprocess.run(words, check=True, capture_output=True, timeout=120)
            return np.asarray(soundfile.read(out, always_2d=True)[0])

    return read


def by_pyav(path: Path) -> Audio:
    with av.open(str(path)) as container:
        stream = container.streams.audio[0]
        resampler = av.AudioResampler(format="fltp", layout="stereo", rate=stream.rate)
        blocks = [
            out.to_ndarray().T for frame in container.decode(stream) for out in resampler.resample(frame)
        ]
    return np.concatenate(blocks).astype(np.float64)


READERS: dict[str, tuple[str, Callable[[Path], Audio]]] = {
    "ffmpeg": ("ffmpeg", by_program("ffmpeg", "-v", "error", "-i", "IN", "-c:a", "pcm_f32le", "OUT")),
    "PyAV": ("", by_pyav),
    "libsndfile": ("", lambda path: np.asarray(soundfile.read(path, always_2d=True)[0])),
    "flac": ("flac", by_program("flac", "-s", "-d", "IN", "-o", "OUT")),
    "mpg123": ("mpg123", by_program("mpg123", "-q", "-e", "s24", "-w", "OUT", "IN")),
    "opusdec": ("opusdec", by_program("opusdec", "--quiet", "--float", "IN", "OUT")),
    "sox": ("sox", by_program("sox", "IN", "-e", "floating-point", "-b", "32", "OUT")),
}


def installed() -> dict[str, Callable[[Path], Audio]]:
    """Readers that are there."""
    return {name: read for name, (program, read) in READERS.items() if not program or shutil.which(program)}


def make(folder: Path, track_s: float, kinds: Sequence[str]) -> tuple[Path, dict[str, Audio]]:
    """Copies of a record that is invented here; the folder, and what each side holds."""
    lengths = {
        side: [round(track_s * RATE_HZ) + 137 * n for n in range(len(names))]
        for side, names in TRACKS.items()
    }
    sounds = {side: music(sum(lengths[side]), seed) for seed, side in enumerate(TRACKS, start=1)}
    sides = []
    for side, frames in lengths.items():
        edges = [0, *np.cumsum(frames).tolist()]
        spans = tuple(zip(edges[:-1], edges[1:], strict=True))
        sides.append(
            SideAudio(
                side=side, rate_hz=RATE_HZ, channels=2, spans=spans, source_key=f"bench {track_s} {side}"
            )
        )
    record = Record(
        artist="The Wicker Boats",
        title="Tallow Wharf Almanac",
        year=1971,
        genre="Folk; Shanty",
        sides=tuple(
            Side(
                name=side, tracks=tuple(SleeveTrack(number=n, title=t) for n, t in enumerate(names, start=1))
            )
            for side, names in TRACKS.items()
        ),
    )
    with CopyRun(plan_copies(record, sides, kinds, folder)) as run:
        for side in sides:
            for index, (start, stop) in enumerate(side.spans):
                run.feed(side.side, index, sounds[side.side][start:stop])
        run.finish()
    return run.plan.folder, sounds


def compared(got: list[Audio], wanted: Audio, rate_hz: int) -> str:
    """Length and joins of one side, or of a whole."""
    if rate_hz != RATE_HZ:
        wanted = resample(wanted, rate_hz=RATE_HZ, new_rate_hz=rate_hz)
    whole = np.concatenate(got)
    off = len(whole) - len(wanted)
    count = min(len(whole), len(wanted))
    rest = whole[:count] - wanted[:count]
    level_db = 10 * np.log10(np.mean(rest**2) / np.mean(wanted**2) + 1e-30)
    text = "exact" if level_db < -88.0 else f"{level_db:5.1f} dB"
    cuts = np.cumsum([len(track) for track in got])[:-1]
    if len(cuts):
        near = np.zeros(count, bool)
        for cut in cuts:
            near[max(0, cut - rate_hz // 200) : cut + rate_hz // 200] = True
        joins_db = 10 * np.log10((np.mean(rest[near] ** 2) + 1e-30) / (np.mean(rest[~near] ** 2) + 1e-30))
        text += f" joins {joins_db:+5.1f}"
    return f"{off:+d} {text}"


def cell(name: str, read: Callable[[Path], Audio], folder: Path, kind: str, sounds: dict[str, Audio]) -> str:
    """What one reader makes of one kind."""
    suffix = KINDS[kind].suffix
    if name == "mpg123" and suffix != ".mp3":
        return "-"
    paths = sorted((folder / kind).glob(f"*{suffix}"))
    scope = KINDS[kind].scope
    try:
        got = [read(path) for path in paths]
    except (subprocess.SubprocessError, OSError, soundfile.SoundFileError, av.error.FFmpegError):
        return "-"
    rate_hz = sample_rate_hz(paths[0])
    if KINDS[kind].is_image:
        # Every side is filled up to whole CD frames: the first side is compared.
        got = [got[0][: len(resample(sounds["A"], rate_hz=RATE_HZ, new_rate_hz=rate_hz))]]
        return compared(got, sounds["A"], rate_hz)
    if scope in ("track", "cd"):
        return compared(got[: len(TRACKS["A"])], sounds["A"], rate_hz)
    if scope == "side":
        return compared(got[:1], sounds["A"], rate_hz)
    return compared(got, np.concatenate([sounds["A"], sounds["B"]]), rate_hz)


def sample_rate_hz(path: Path) -> int:
    """Of the decoded sound."""
    with av.open(str(path)) as container:
        return int(container.streams.audio[0].rate)


def tags_seen(folder: Path, kind: str) -> str:
    """How many tags two readers see on the first file, and the largest error of a track's gain."""
    paths = sorted((folder / kind).glob(f"*{KINDS[kind].suffix}"))
    ours = mutagen.File(paths[0])
    seen = "-" if ours is None else str(len(ours.tags or ()))
    if shutil.which("ffprobe"):
        command = [
            "ffprobe",
            "-v",
            "error",
            "-show_entries",
            "format_tags:stream_tags",
            "-of",
            "json",
            str(paths[0]),
        ]
        found = json.loads(subprocess.run(command, check=True, capture_output=True).stdout)
        tags = dict(found.get("format", {}).get("tags", {}))
        for stream in found.get("streams", []):
            tags |= stream.get("tags", {})
        seen += f" / {len(tags)}"
    return seen


def gain_error_db(folder: Path, kind: str) -> float | None:
    """Largest difference of a track's ReplayGain from -18 LUFS less its loudness by another meter."""
    try:
        import pyebur128
    except ImportError:
        return None
    worst = 0.0
    for path in sorted((folder / kind).glob(f"*{KINDS[kind].suffix}")):
        ours = mutagen.File(path)
        texts = {} if ours is None else {str(key).upper(): value for key, value in (ours.tags or {}).items()}
        value = next((each for key, each in texts.items() if key.endswith("REPLAYGAIN_TRACK_GAIN")), None)
        if value is None:
            return None
        first = value[0] if isinstance(value, list) else value
        text = first.decode() if isinstance(first, bytes) else str(first)
        audio = np.ascontiguousarray(by_pyav(path))
        rate_hz = sample_rate_hz(path)
        state = pyebur128.R128State(2, rate_hz, pyebur128.MeasurementMode.MODE_I)
        state.add_frames(audio.ravel(), len(audio))
        loudness_lufs = pyebur128.get_loudness_global(state)
        worst = max(worst, abs(float(text.split()[0]) - (-18.0 - loudness_lufs)))
    return worst


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="bench copies", description=__doc__)
    parser.add_argument("--quick", action="store_true", help="tracks of 6 s")
    parser.add_argument("--copies", default="all", help="kinds, comma-separated")
    options = parser.parse_args()
    track_s = 6.0 if options.quick else 20.0
    kinds = [name for name in parse_kinds(options.copies) if name != "master"]
    readers = installed()
    missing = sorted(set(READERS) - set(readers))
    print(
        "length in frames, rest against the music, joins against the rest elsewhere (- is not for this reader)"
    )
    if missing:
        print("not installed: " + ", ".join(missing))
    with tempfile.TemporaryDirectory(prefix="sidekeep-bench-") as place:
        folder, sounds = make(Path(place), track_s, kinds)
        for kind in kinds:
            gain_db = gain_error_db(folder, kind)
            gain = "" if gain_db is None else f", gain within {gain_db:.2f} dB"
            print(f"{kind} ({tags_seen(folder, kind)} tags{gain})")
            for name, read in readers.items():
                found = cell(name, read, folder, kind, sounds)
                if found != "-":
                    print(f"    {name:<12} {found}")


if __name__ == "__main__":
    main()
