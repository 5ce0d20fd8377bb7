"""Anything a person can hand over, for hours: no traceback, no hang, nothing outside the folder, memory bounded.

./run bench fuzz                  every property ten minutes
./run bench fuzz --minutes 0.5    every property half a minute
"""

from __future__ import annotations

import argparse
import resource
import sys
import time
from collections.abc import Callable

from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from benchmarks.fuzz_properties import PROPERTIES

MEMORY_MB = 1500
SLOWEST_S = 5.0
ROUND = 200


def run(strategy: st.SearchStrategy[object], check: Callable[..., None], minutes: float) -> tuple[int, float]:
    """(cases tried, seconds of the slowest); raises what hypothesis found, made small."""
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
        begun_s = time.monotonic()
        check(material)
        tried, slowest = tried + 1, max(slowest, time.monotonic() - begun_s)

    while time.monotonic() < end_s:
        once()
    return tried, slowest


def main() -> None:
    """Every property for as long as asked; one line each."""
    parser = argparse.ArgumentParser(prog="bench fuzz")
    parser.add_argument("--minutes", type=float, default=10.0, help="minutes a property (default 10)")
    asked, _ = parser.parse_known_args(sys.argv[1:])
    for name, (strategy, check) in PROPERTIES.items():
        tried, slowest = run(strategy, check, asked.minutes)
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        bad = [
            word for word, over in (("SLOW", slowest > SLOWEST_S), ("MEMORY", peak_mb > MEMORY_MB)) if over
        ]
        print(
            f"{name:<14}{tried:>9} cases, slowest {slowest:.2f} s, peak memory {peak_mb:.0f} MB {' '.join(bad)}",
            flush=True,
        )


if __name__ == "__main__":
    main()
