"""Short listens for the report, as played, mended and what was taken out: the places where most was mended."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sidekeep.dsp.output.fades import fade_gain
from sidekeep.dsp.output.resample import Resampler
from sidekeep.files.bounded import LIST_BYTES, read_bounded
from sidekeep.files.reading.source import FileSource
from sidekeep.files.writing.sinks import open_sink
from sidekeep.flow.patches import PatchReader
from sidekeep.flow.ports import Audio
from sidekeep.model.repair import Repair
from sidekeep.units import clock_text, db_to_gain, frames_to_seconds, seconds_to_frames

CLIP_S = 6.0
_FADE_S = 0.05
_CLIP_RATE_HZ = 44_100
MIME = "audio/mpeg"


@dataclass(frozen=True, kw_only=True)
class Clip:
    """The same place as played, mended, and what was taken out, as MP3 bytes at one level."""

    title: str
    played: bytes
    mended: bytes
    taken_out: bytes


def choose_place(repairs: Sequence[Repair], span: tuple[int, int], rate_hz: int) -> int | None:
    """Start frame of the stretch where the clearest repairs crowd, inside the span; None without any."""
    start_frame, stop_frame = span
    length = seconds_to_frames(CLIP_S, rate_hz)
    chosen = [
        r for r in repairs if start_frame <= r.start_frame and r.stop_frame <= stop_frame and r.size_db > 6.0
    ]
    if not chosen or stop_frame - start_frame < length:
        return None
    frames = np.array([repair.start_frame for repair in chosen])
    weights = np.array([min(repair.size_db, 40.0) for repair in chosen])
    sums = np.concatenate([[0.0], np.cumsum(weights)])
    ends = np.searchsorted(frames, frames + length - seconds_to_frames(1.0, rate_hz))
    best = int(np.argmax(sums[ends] - sums[:-1]))
    return int(min(max(frames[best] - seconds_to_frames(0.7, rate_hz), start_frame), stop_frame - length))


def make_clip(
    source: FileSource,
    patches_path: Path,
    left: frozenset[int],
    start_frame: int,
    *,
    gain_db: float,
    side: str,
) -> Clip:
    """The listens of one place, at the level of the copies."""
    rate_hz = source.format.rate_hz
    stop_frame = min(source.format.length_frames, start_frame + seconds_to_frames(CLIP_S, rate_hz))
    played = source.read(start_frame, stop_frame)
    with patches_path.open("rb") as file:
        mended = PatchReader(file, left).apply(start_frame, played)
    at = clock_text(frames_to_seconds(start_frame, rate_hz))
    return Clip(
        title=f"Side {side} at {at}",
        played=to_mp3(played, rate_hz, gain_db),
        mended=to_mp3(mended, rate_hz, gain_db),
        taken_out=to_mp3(played - mended, rate_hz, gain_db),
    )


def to_mp3(audio: Audio, rate_hz: int, gain_db: float) -> bytes:
    """A short listen as MP3 bytes, 1 dB under the gain, faded at both ends."""
    # A take's clicks may pass full scale with the gain of the copies on: all listens are clipped alike.
    audio = np.clip(audio * db_to_gain(gain_db - 1.0), -1.0, 1.0)
    if rate_hz != _CLIP_RATE_HZ:
        resampler = Resampler(rate_hz, _CLIP_RATE_HZ, audio.shape[1])
        audio = np.concatenate([resampler.process(audio), resampler.flush()])
    fade = fade_gain(0, len(audio), seconds_to_frames(_FADE_S, _CLIP_RATE_HZ))[:, None]
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "clip.mp3"
        with open_sink(
            path, "mp3-variable", rate_hz=_CLIP_RATE_HZ, channels=audio.shape[1], check=False
        ) as sink:
            sink.write(np.clip(audio, -1.0, 1.0) * fade * fade[::-1])
        return read_bounded(path, "listen", most_bytes=LIST_BYTES)
