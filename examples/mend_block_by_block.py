"""Mend a recording in blocks, as a program would that gets its sound in pieces.

Shows: process and flush, latency, and that what was not judged damaged comes out bit for bit.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from sidekeep.files.reading.reader import open_source
from sidekeep.files.writing.sinks import open_sink
from sidekeep.flow.mend import Mender
from sidekeep.flow.ports import Audio, AudioSource
from sidekeep.model.recipe import MendSettings


def mended(source: AudioSource, mender: Mender, block_frames: int) -> Iterator[Audio]:
    """Mended blocks; each is some frames late, and the last ones come from ``flush``."""
    for block in source.blocks(block_frames):
        yield mender.process(block)
    yield mender.flush()


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("source", type=Path, metavar="IN")
    parser.add_argument("out", type=Path, metavar="OUT", help="a WAV file that is not there yet")
    parser.add_argument("--block", type=int, default=65536, metavar="FRAMES")
    parser.add_argument("--mend", choices=("gentle", "even", "thorough"), default="even")
    options = parser.parse_args(arguments)
    source = open_source(options.source)
    form = source.format
    mender = Mender(MendSettings(size=options.mend), rate_hz=form.rate_hz, channels=form.channels)
    sink = open_sink(
        options.out,
        "wav",
        rate_hz=form.rate_hz,
        channels=form.channels,
        bits=form.bits,
        is_float=form.is_float,
    )
    frames = 0
    try:
        for block in mended(source, mender, options.block):
            # An estimate may overshoot full scale by a little; files of whole numbers end there.
            sink.write(block if form.is_float else np.clip(block, -1.0, 1.0 - 2.0 ** (1 - form.bits)))
            frames += len(block)
        sink.close()
    except BaseException:
        sink.abandon()
        raise
    print(
        f"{len(mender.repairs)} places mended in {frames} frames; the mender looks {mender.latency_frames} ahead"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
