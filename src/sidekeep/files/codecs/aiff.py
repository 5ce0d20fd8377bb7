"""AIFF, 16 or 24 bits."""

from __future__ import annotations

from sidekeep.files.codecs.codec import Codec, Encoder, FileForm
from sidekeep.files.codecs.sndfile_encoder import SndfileEncoder


def _start(job: FileForm) -> Encoder:
    return SndfileEncoder(job, dtype="int32", shift=32 - job.bits, format="AIFF", subtype=f"PCM_{job.bits}")


AIFF = Codec(kind="aiff", suffix=".aiff", lossless=True, start=_start, bits=(16, 24))
