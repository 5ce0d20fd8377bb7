"""Find ticks, pops, crackle and thumps and print where they are, without writing anything.

Shows: the mender as a finder; what a repair tells.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

from sidekeep.files.reading.reader import open_source
from sidekeep.flow.mend import Mender
from sidekeep.model.recipe import MendSettings
from sidekeep.units import clock_text, frames_to_seconds


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("file", type=Path)
    parser.add_argument(
        "--least", type=float, default=12.0, metavar="DB", help="how far it must stand out (default: 12)"
    )
    options = parser.parse_args(arguments)
    source = open_source(options.file)
    rate_hz = source.format.rate_hz
    mender = Mender(MendSettings(), rate_hz=rate_hz, channels=source.format.channels)
    for block in source.blocks(65536):
        mender.process(block)
    mender.flush()
    shown = [repair for repair in mender.repairs if repair.size_db >= options.least]
    for repair in shown:
        at = clock_text(frames_to_seconds(repair.start_frame, rate_hz), 3)
        length_ms = 1000.0 * frames_to_seconds(repair.stop_frame - repair.start_frame, rate_hz)
        print(f"{at:>10}  {repair.kind:<7} {repair.channel:<4} {length_ms:6.2f} ms  {repair.size_db:5.1f} dB")
    print(f"{len(shown)} of {len(mender.repairs)} places stand out by {options.least:g} dB or more")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
