"""Anything a person can hand over, for hours: no traceback, no hang, nothing outside the folder, memory bounded.

./run bench fuzz                  every property ten minutes
./run bench fuzz --minutes 0.5    every property half a minute
./run bench fuzz --only names     one of them

A fault is printed, made small, and the next property follows; the exit code is 1 then.
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
import traceback
from collections.abc import Callable

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from benchmarks.fuzz_properties import PROPERTIES

MEMORY_MB = 1500
SLOWEST_S = 5.0
ROUND = 200


def run(strategy: st.SearchStrategy[object], check: Callable[..., None], minutes: float) -> tuple[int, float]:
    """(cases tried, processor seconds of the slowest); raises what hypothesis found, made small."""
    tried, slowest = 0, 0.0
    end_s = time.monotonic() + 60.0 * minutes

    @settings(
        max_examples=ROUND,
        deadline=None,
        database=None,
        phases=(Phase.generate, Phase.shrink),
        suppress_health_check=list(HealthCheck),
    )
    @given(strategy)
    def once(material: object) -> None:
        nonlocal tried, slowest
        begun_s = time.process_time()
        check(material)
        tried, slowest = tried + 1, max(slowest, time.process_time() - begun_s)

    while time.monotonic() < end_s:
        once()
    return tried, slowest


def main() -> None:
    """Every property for as long as asked; one line each."""
    parser = argparse.ArgumentParser(prog="bench fuzz", description=str(__doc__).splitlines()[0])
    parser.add_argument("--quick", action="store_true", help="six seconds a property")
    parser.add_argument("--minutes", type=float, default=10.0, help="minutes a property (default 10)")
    parser.add_argument("--only", default="", metavar="WORDS", help="properties whose name has these words")
    asked = parser.parse_args()
    minutes = 0.1 if asked.quick else asked.minutes
    faults = 0
    for name, (strategy, check) in PROPERTIES.items():
        if asked.only not in name:
            continue
        try:
            tried, slowest = run(strategy, check, minutes)
        except Exception:
            faults += 1
            print(f"{name:<14} FAULT", traceback.format_exc(), sep="\n", flush=True)
            continue
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        bad = [
            word for word, over in (("SLOW", slowest > SLOWEST_S), ("MEMORY", peak_mb > MEMORY_MB)) if over
        ]
        print(
            f"{name:<14}{tried:>9} cases, slowest {slowest:.2f} processor s, peak memory {peak_mb:.0f} MB {' '.join(bad)}",
            flush=True,
        )
    if faults:
        sys.exit(1)


if __name__ == "__main__":
    main()
