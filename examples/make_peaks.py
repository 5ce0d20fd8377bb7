"""Make the peak store of a recording and draw it as text: what a waveform picture is made of.

Shows: building peaks while sound comes in, asking for a view as wide as the screen.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from sidekeep.dsp.level.peak_pyramid import PeakBuilder
from sidekeep.files.reading.reader import open_source

_BARS = " ▁▂▃▄▅▆▇█"


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", type=Path)
    parser.add_argument("--width", type=int, default=72, metavar="COLUMNS")
    parser.add_argument("--out", type=Path, metavar="FILE", help="also keep the store in a file")
    options = parser.parse_args(arguments)
    source = open_source(options.file)
    builder = PeakBuilder(source.format.rate_hz, source.format.channels)
    for block in source.blocks(65536):
        builder.process(block)
    peaks = builder.result()
    view = peaks.view(0, peaks.length_frames, options.width)
    for channel in range(peaks.channels):
        highest = np.abs(view.values[:, channel, :2]).max(axis=1)
        columns = [part.max(initial=0.0) for part in np.array_split(highest, options.width)]
        loudest = max(max(columns), 1e-9)
        print("".join(_BARS[round((len(_BARS) - 1) * float(column / loudest))] for column in columns))
    if options.out is not None:
        with options.out.open("xb") as file:
            peaks.write(file)
        print(f"{options.out}: {len(peaks.levels)} levels, {options.out.stat().st_size} bytes")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
