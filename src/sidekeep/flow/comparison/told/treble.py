"""Treble of two takes: what wore inside, and what changed all over the side.

A change that is the same from the outer to the inner third is the stylus or the chain; one that grows inward is wear of the
groove (short wavelengths wear first, and they are shortest inside: Bastiaans, *J. Audio Eng. Soc.* 15(4), 1967), or a stylus
that no longer reads short waves: if the other records of these evenings lost it too, it is the stylus.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sidekeep.flow.comparison.compare import Comparison
from sidekeep.flow.comparison.told.evening import Evening
from sidekeep.flow.comparison.told.said import channel_name, finding
from sidekeep.model.finding import Fact, Finding

OUTER_SHARE = 0.25
"""Of what grew from the middle of the outer third (a sixth of the way in) to that of the inner one (five sixths), the outer one
has a quarter itself, if it grows evenly: that much of its change is wear, the rest is the same all over."""
TREBLE_HZ = 1900.0
"""Treble is what lies over it: bands from 2 kHz on."""
NEIGHBOURS = 2
"""A change of treble shows in this many neighbouring bands at least."""


def treble_is_steady(comparison: Comparison) -> bool:
    """Whether no band of the inner third moved by as much as would have been seen."""
    return not any(
        abs(change) > detectable
        for channel in comparison.channels
        for _, change, detectable in relative_changes(comparison, "inner", channel)
    )


def relative_changes(comparison: Comparison, part: str, channel: int) -> list[tuple[float, float, float]]:
    """(hz, change against the plain level, smallest detectable) of the bands of one part and channel from 2 kHz up."""
    level = comparison.level_change_db(channel)
    return [
        (band.hz, band.change_db - level, band.detectable_db)
        for band in comparison.bands
        if band.part == part
        and band.channel == channel
        and band.hz > TREBLE_HZ
        and np.isfinite(band.change_db)
    ]


def _stretches(values: Sequence[tuple[float, float, float]]) -> list[list[tuple[float, float, float]]]:
    """Runs of neighbouring bands that all changed the same way by more than could be chance."""
    runs: list[list[tuple[float, float, float]]] = []
    for value in values:
        _, change, detectable = value
        if abs(change) <= detectable:
            runs.append([])
        elif runs and runs[-1] and np.sign(runs[-1][-1][1]) == np.sign(change):
            runs[-1].append(value)
        else:
            runs.append([value])
    return [run for run in runs if len(run) >= NEIGHBOURS]


def treble_findings(comparison: Comparison, evening: Evening) -> list[Finding]:
    """Wear inside, then what is the same all over the side, channel by channel."""
    found = []
    for channel in comparison.channels:
        where = channel_name(channel, len(comparison.channels))
        grown = _inward(comparison, channel)
        for run in _stretches(grown):
            worst = (
                min(run, key=lambda value: value[1])
                if run[0][1] < 0
                else max(run, key=lambda value: value[1])
            )
            lost = worst[1] < 0.0
            others = evening.shared("inward_db", worst[1])
            found.append(
                finding(
                    "treble-stylus" if others.is_shared else "treble-worn" if lost else "treble-inner-gain",
                    "look" if lost else "note",
                    {**_facts(worst), **others.facts},
                    channel=where,
                )
            )
        growth = {value[0]: value[1] for run in _stretches(grown) for value in run}
        same = [
            (hz, change - OUTER_SHARE * growth.get(hz, 0.0), detectable)
            for hz, change, detectable in relative_changes(comparison, "outer", channel)
        ]
        for run in _stretches(same):
            worst = max(run, key=lambda value: abs(value[1]))
            others = evening.shared("treble_db", worst[1])
            found.append(finding("treble-chain", "note", {**_facts(worst), **others.facts}, channel=where))
    return found


def _facts(change: tuple[float, float, float]) -> dict[str, Fact]:
    return {"hz": change[0], "change_db": change[1], "detectable_db": change[2]}


def _inward(comparison: Comparison, channel: int) -> list[tuple[float, float, float]]:
    """How much more the inner third changed than the outer one (than the middle one, where the outer holds too little
    music), band by band."""
    reference = {
        round(hz): (change, detectable)
        for part in ("middle", "outer")
        for hz, change, detectable in relative_changes(comparison, part, channel)
    }
    values = []
    for hz, change, detectable in relative_changes(comparison, "inner", channel):
        if round(hz) in reference:
            other, other_detectable = reference[round(hz)]
            values.append((hz, change - other, float(np.hypot(detectable, other_detectable))))
    return values
