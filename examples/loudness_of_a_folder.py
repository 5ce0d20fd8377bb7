"""Loudness, range and true peak of every recording in a folder, loudest last.

Shows: opening any file, feeding a meter block by block (memory does not grow with length).
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from sidekeep.errors import AudioFileError
from sidekeep.files.reading.reader import open_source
from sidekeep.flow.measuring.measures import PeakLoudnessMeter
from sidekeep.units import gain_to_db


def measure(path: Path) -> tuple[float, float, float]:
    """(integrated LUFS, range in LU, true peak in dBTP) by ITU-R BS.1770 and EBU Tech 3342."""
    source = open_source(path)
    meter = PeakLoudnessMeter(source.format.rate_hz, source.format.channels)
    for block in source.blocks(65536):
        meter.process(block)
    return meter.integrated_lufs(), meter.range_lu(), gain_to_db(meter.true_peak())


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    options = parser.parse_args(arguments)
    rows = []
    for path in sorted(path for path in options.folder.iterdir() if path.is_file()):
        try:
            rows.append((*measure(path), path.name))
        except AudioFileError as error:
            print(f"not measured: {error}")
    print(f"{'LUFS':>7} {'LU':>5} {'dBTP':>6}")
    for loudness_lufs, range_lu, peak_dbtp, name in sorted(rows):
        print(f"{loudness_lufs:7.1f} {range_lu:5.1f} {peak_dbtp:6.1f}  {name}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
