"""AAC-LC in an m4a file, gapless in every player that reads an edit list or a statement of the end, and in those
that read neither at the end.

The edit list (ISO/IEC 14496-12) skips what comes before the first frame. What is left over at the end of the last
packet is another matter: many decoders play it. So nothing is left over: the silence in front is made as long as it
must be for the sound to end with a packet.

That silence is needed anyway. The encoder starts badly on a sound that begins at once, as the second of two joined
tracks does: the error of its first 1024 frames was -16 dB against the music (measured); with one AAC frame of
silence before it -42 dB, better than the rest (-38 dB); with a start inside a packet -32 dB and better. A mirrored
beginning gave -31 dB.

Where the sound before and after is known (the neighbours of a track), the encoder hears a second of it, because its rate
control needs that long to settle: begun in loud music its first second was at -30 dB. Packets that lie outside the track
and its run-up are left out, so that the ends are as good as the rest.
"""

from __future__ import annotations

import contextlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.files.codecs.codec import AvFileEncoder, Codec, Encoder, FileForm

BIT_RATE = 256_000
PACKET_FRAMES = 1024
RUN_UP = PACKET_FRAMES
"""Least frames before the first that are encoded and not played."""
SETTLING = 48 * PACKET_FRAMES
"""Frames of the neighbour before that the encoder hears and that are left out of the file."""

_READ_BYTES = 1 << 20


def run_up_frames(length_frames: int) -> int:
    """Silence in front of a sound of this length, so that it ends with a packet; one that does not fill a packet
    needs its own from the start, or demuxers find none to play."""
    if length_frames < PACKET_FRAMES:
        return RUN_UP
    return RUN_UP + -length_frames % PACKET_FRAMES


def _as_float(samples: NDArray[Any]) -> NDArray[np.float32]:
    return samples.astype(np.float32)


def _start(job: FileForm) -> Encoder:
    return _Held(job) if job.length_frames is None else _begin(job, job.length_frames)


def _begin(job: FileForm, length_frames: int) -> Encoder:
    run_up = run_up_frames(length_frames)
    known = 0 if job.before is None else min(len(job.before), run_up + SETTLING)
    early = max(0, known - run_up) // PACKET_FRAMES * PACKET_FRAMES
    encoder = _Surrounded(
        job,
        _as_float,
        container="ipod",
        codec="aac",
        sample_format="fltp",
        bit_rate=(job.bit_rate or BIT_RATE) * job.channels // 2,
        container_options={"movie_timescale": str(job.rate_hz), "movflags": "+faststart"},
        first_frame=-run_up - early,
        # The first packet only primes the overlap of the one after it.
        kept_frames=(-run_up - PACKET_FRAMES, max(length_frames, PACKET_FRAMES)),
    )
    before = np.zeros((run_up + early, job.channels))
    if job.before is not None and (known := min(known, len(before))):
        before[-known:] = job.before[-known:]
    encoder.encode(before)
    encoder.after = job.after
    return encoder


class _Surrounded(AvFileEncoder):
    """Lets the encoder hear what comes after the end."""

    after: NDArray[Any] | None = None

    def finish(self) -> None:
        if self.after is not None and len(self.after):
            self.encode(self.after)
        super().finish()


class _Held:
    """Holds samples on the disk until their number is known."""

    def __init__(self, job: FileForm) -> None:
        self._job = job
        self._frames = 0
        import tempfile  # here, for whoever asks for another kind needs none of it

        self._file = tempfile.TemporaryFile(prefix="sidekeep-", dir=job.path.parent)  # noqa: SIM115
        # The name is taken at once, as every encoder does.
        job.path.touch()

    def encode(self, samples: NDArray[Any]) -> None:
        self._file.write(np.ascontiguousarray(samples, dtype="<f4").tobytes())
        self._frames += len(samples)

    def finish(self) -> None:
        encoder = _begin(self._job, self._frames)
        try:
            self._file.seek(0)
            frame_bytes = 4 * self._job.channels
            while raw := self._file.read(_READ_BYTES // frame_bytes * frame_bytes):
                encoder.encode(np.frombuffer(raw, "<f4").reshape(-1, self._job.channels))
            encoder.finish()
        except BaseException:
            encoder.drop()
            raise
        finally:
            self._file.close()

    def drop(self) -> None:
        with contextlib.suppress(OSError):
            self._file.close()


AAC = Codec(
    kind="aac",
    suffix=".m4a",
    lossless=False,
    start=_start,
    before_frames=RUN_UP + PACKET_FRAMES - 1 + SETTLING,
    after_frames=2 * PACKET_FRAMES,
    rates_hz=(8_000, 11_025, 12_000, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000, 64_000, 88_200, 96_000),
)
