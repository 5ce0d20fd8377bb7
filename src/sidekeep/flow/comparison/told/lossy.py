"""What is not told of a pair of which one take is a lossy file: what such a format leaves out or adds itself."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace
from typing import Literal

from sidekeep.flow.comparison.compare import Comparison
from sidekeep.flow.comparison.told.treble import TREBLE_HZ


def without_lossy(comparison: Comparison, lossy: Collection[Literal["old", "new"]]) -> Comparison:
    """The comparison without treble, surface noise and distortion, and without marks that a lossy take seems not to have: the
    format itself makes ticks smaller. Untouched where neither take is lossy."""
    if not lossy:
        return comparison
    missed = {"gone" if take == "new" else "new" for take in lossy}
    return replace(
        comparison,
        bands=tuple(band if band.hz < TREBLE_HZ else band.untold() for band in comparison.bands),
        noise=tuple(change for change in comparison.noise if change.kind != "groove"),
        distortion=(),
        marks=tuple(mark for mark in comparison.marks if mark.state not in missed),
    )
