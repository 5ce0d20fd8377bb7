"""ALAC in an m4a file, 16 or 24 bits."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.files.codec import AvFileEncoder, Codec, Encoder, Job


def _as_16(samples: NDArray[Any]) -> NDArray[np.int16]:
    return samples.astype(np.int16)


def _as_24_in_32(samples: NDArray[Any]) -> NDArray[np.int32]:
    return np.left_shift(samples, 8, dtype=np.int32)


def _start(job: Job) -> Encoder:
    return AvFileEncoder(
        job,
        _as_16 if job.bits == 16 else _as_24_in_32,
        container="ipod",
        codec="alac",
        sample_format="s16p" if job.bits == 16 else "s32p",
        container_options={"movie_timescale": str(job.rate_hz), "movflags": "+faststart"},
    )


ALAC = Codec(kind="alac", suffix=".m4a", lossless=True, start=_start, bits=(16, 24), highest_rate_hz=384_000)
