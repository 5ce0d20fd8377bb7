"""Write tags into a finished file; the sound is not touched. Everything that was in the tags before is replaced.

Shows: one set of values for FLAC, Opus, MP3, WAV, AIFF and m4a, with ReplayGain 2.0 from a measured loudness.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from sidekeep.files.pictures.artwork import load_picture
from sidekeep.files.reading.reader import open_source
from sidekeep.files.tags.tag_set import Gain, TagSet
from sidekeep.files.tags.tag_writer import write_tags
from sidekeep.flow.measuring.measures import PeakLoudnessMeter

REFERENCE_LUFS = -18.0


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", type=Path)
    parser.add_argument("--title", default="")
    parser.add_argument("--artist", action="append", default=[], help="may be given more than once")
    parser.add_argument("--album", default="")
    parser.add_argument("--side", default="", metavar="LETTER")
    parser.add_argument("--track", type=int, default=0, metavar="NUMBER")
    parser.add_argument("--picture", type=Path, metavar="FILE")
    options = parser.parse_args(arguments)
    source = open_source(options.file)
    meter = PeakLoudnessMeter(source.format.rate_hz, source.format.channels)
    for block in source.blocks(65536):
        meter.process(block)
    tags = TagSet(
        title=options.title,
        artists=tuple(options.artist),
        album=options.album,
        side=options.side,
        track_number=options.track,
        media="Vinyl",
        track_gain=Gain(gain_db=REFERENCE_LUFS - meter.integrated_lufs(), peak=meter.true_peak()),
    )
    pictures = [load_picture(options.picture, "front")] if options.picture else []
    write_tags(options.file, options.file.suffix.lower(), tags, pictures)
    print(f"{options.file}: tagged, {tags.track_gain.gain_db:+.2f} dB to {REFERENCE_LUFS:g} LUFS")  # type: ignore[union-attr]
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
