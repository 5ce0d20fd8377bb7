"""Opus (RFC 6716, RFC 7845), 192 kbit/s variable, 48 kHz; gapless by pre-skip and granule position."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from sidekeep.files.codecs.codec import AvFileEncoder, Codec, Encoder, FileForm

BIT_RATE = 192_000
"""Of two channels: over what listening tests find transparent for nearly all music (common practice, no source)."""


def _as_float(samples: NDArray[Any]) -> NDArray[np.float32]:
    return samples.astype(np.float32)


def _start(job: FileForm) -> Encoder:
    return AvFileEncoder(
        job,
        _as_float,
        container="opus",
        codec="libopus",
        sample_format="flt",
        bit_rate=(job.bit_rate or BIT_RATE) * job.channels // 2,
        container_options={"serial_offset": str(job.serial)},
        options={"application": "audio", "vbr": "on", "compression_level": "10"},
    )


OPUS = Codec(kind="opus", suffix=".opus", lossless=False, start=_start, rates_hz=(48_000,))
