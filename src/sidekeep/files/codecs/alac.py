"""ALAC in an m4a file, 16 or 24 bits."""

from __future__ import annotations

from sidekeep.files.codecs.codec import AvFileEncoder, Codec, Encoder, FileForm, whole_numbers


def _start(job: FileForm) -> Encoder:
    return AvFileEncoder(
        job,
        whole_numbers(job.bits),
        container="ipod",
        codec="alac",
        sample_format="s16p" if job.bits == 16 else "s32p",
        container_options={"movie_timescale": str(job.rate_hz), "movflags": "+faststart"},
    )


ALAC = Codec(kind="alac", suffix=".m4a", lossless=True, start=_start, bits=(16, 24), highest_rate_hz=384_000)
