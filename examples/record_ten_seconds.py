"""Record ten seconds from the chosen sound input into a Broadcast Wave file.

Shows: the capture in a process of its own, its news, and that closing the input closes the take.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from sidekeep.devices.recorder import Recorder
from sidekeep.errors import SidekeepError
from sidekeep.service.gauge import open_error
from sidekeep.service.inputs import pick_input, recorder_settings
from sidekeep.units import gain_to_db


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("out", type=Path, metavar="OUT", help="a WAV file that is not there yet")
    parser.add_argument("--seconds", type=float, default=10.0, metavar="S")
    parser.add_argument("--input", metavar="NAME", help="the input (default: the one remembered)")
    options = parser.parse_args(arguments)
    try:
        settings = recorder_settings(pick_input(options.input))
    except SidekeepError as error:
        print(error)
        return 2
    heard, peak = 0, 0.0
    with Recorder(settings) as recorder:
        recorder.begin(options.out.resolve(), {"description": "ten seconds", "originator": "sidekeep"})
        for event in recorder.events():
            if event.kind == "audio" and event.block is not None:
                heard += len(event.block)
                peak = max(peak, float(np.abs(event.block).max(initial=0.0)))
                if heard >= options.seconds * settings.rate_hz:
                    recorder.end()
            elif event.news is not None and event.news.code in ("not-opened", "input-gone", "input-moved"):
                print(open_error(event.news))
                return 2
            elif event.kind == "ended":
                break
    print(f"{options.out}: {heard / settings.rate_hz:.1f} s, highest peak {gain_to_db(peak):.1f} dBFS")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
