"""WAV of 16, 24 or 32 bits or floats, and ``bwf``: the same with a ``bext`` chunk. RF64 past 4 GiB.

A WAV whose length is known and fits has the plainest head: 44 bytes for 16 bits, extensible for more.
"""

from __future__ import annotations

import contextlib
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.errors import CopyError
from sidekeep.files.codecs.codec import Codec, Encoder, FileForm
from sidekeep.files.wave.bext import Bext
from sidekeep.files.wave.rf64 import RIFF_LIMIT_BYTES, TakeWriter

_ROOM_FOR_TAGS = 256 << 20


class _WavEncoder:
    def __init__(self, job: FileForm, bext: Bext | None) -> None:
        self._float_type = np.dtype(f"<f{job.bits // 8}") if job.is_float else None
        self._writer = TakeWriter(
            job.path,
            rate_hz=job.rate_hz,
            channels=job.channels,
            bits=job.bits,
            bext=bext,
            is_float=job.is_float,
            of_copy=bext is None and _fits(job),
            is_part=True,
        )

    def encode(self, samples: NDArray[Any]) -> None:
        if self._float_type is None:
            self._writer.append(samples)
        else:
            self._writer.append_bytes(samples.astype(self._float_type).tobytes())

    def claim(self) -> None:
        self._writer.claim()

    def finish(self) -> None:
        self._writer.close()

    def drop(self) -> None:
        with contextlib.suppress(CopyError):
            self._writer.close()


def _fits(job: FileForm) -> bool:
    """Whether the samples, and tags after them, surely stay below 4 GiB."""
    if job.length_frames is None:
        return False
    return job.length_frames * job.channels * job.bits // 8 < RIFF_LIMIT_BYTES - _ROOM_FOR_TAGS


def _start_plain(job: FileForm) -> Encoder:
    return _WavEncoder(job, job.bext)


def _start_bwf(job: FileForm) -> Encoder:
    return _WavEncoder(job, job.bext or Bext())


WAV = Codec(kind="wav", suffix=".wav", lossless=True, start=_start_plain, bits=(16, 24, 32))
BWF = Codec(kind="bwf", suffix=".wav", lossless=True, start=_start_bwf, bits=(16, 24, 32))
