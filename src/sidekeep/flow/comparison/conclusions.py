"""What the numbers of a comparison say, as findings with facts: what is on the disc, what is the chain, what has not changed.

Rules, each with its reason: a level that moved as a whole is the chain (no disc gets louder); a change of treble that is the
same from the outer to the inner third is the stylus or the chain, one that grows inward is wear (short wavelengths
wear first, and they are shortest inside: Bastiaans, *J. Audio Eng. Soc.* 15(4), 1967); hum and speed are the player and its
wiring; new marks are the disc. Nothing smaller than what could have been detected is claimed, and "no change" is
always said together with how small a change would have been seen.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from sidekeep.flow.comparison.compare import Comparison
from sidekeep.model.finding import Channel, Fact, Finding, Severity

LEVEL_TOLD_DB = 0.3
NEIGHBOURS = 2
"""A change of treble shows in this many neighbouring bands at least."""
QUIETEST_DBFS = {"groove": -85.0, "rumble": -70.0, "hum": -66.0}
"""Noise below this is not spoken of: it is not heard, and hum so low cannot be measured beside music."""
CROSSTALK_TOLD_DB = -35.0


@dataclass(frozen=True, kw_only=True)
class Evening:
    """What other records, compared over the same two evenings, showed: the change of level and of the band around
    10 kHz. Empty when there are none."""

    level_db: tuple[float, ...] = ()
    treble_db: tuple[float, ...] = ()


def conclusions(comparison: Comparison, evening: Evening | None = None) -> list[Finding]:
    """Findings in the order a person wants them: is it the same, what came onto the disc, what wore, what is the chain."""
    line = comparison.alignment.line
    if not comparison.alignment.is_same:
        return [_finding("other-recording", "act", {"share": line.share, "correlation": line.correlation})]
    evening = evening or Evening()
    found = [*_coverage(comparison), *_marks(comparison), *_treble(comparison, evening), *_noise(comparison)]
    found += [*_chain(comparison, evening), *_unchanged(comparison, found)]
    return found


def _finding(
    kind: str,
    severity: Severity,
    facts: Mapping[str, Fact] | None = None,
    at_frame: int = 0,
    channel: Channel = "both",
) -> Finding:
    return Finding(
        kind=kind,
        start_frame=at_frame,
        stop_frame=at_frame,
        channel=channel,
        severity=severity,
        facts=facts or {},
    )


def _coverage(comparison: Comparison) -> list[Finding]:
    found = []
    if comparison.covered < 0.97:
        found.append(_finding("part-only", "look", {"share": comparison.covered}))
    if comparison.alignment.sign < 0.0:
        found.append(_finding("polarity", "note"))
    if comparison.alignment.is_swapped:
        found.append(_finding("channels-swapped", "act"))
    return found


def _marks(comparison: Comparison) -> list[Finding]:
    found = []
    minutes = max((comparison.music_s[1] - comparison.music_s[0]) / 60.0, 0.1)
    for state in ("new", "gone"):
        marks = [mark for mark in comparison.marks if mark.state == state]
        if not marks:
            continue
        scratches = {mark.scratch for mark in marks if mark.scratch is not None}
        singles = sum(mark.scratch is None for mark in marks)
        loudest = max(marks, key=lambda mark: mark.size_db)
        found.append(
            _finding(
                "new-marks" if state == "new" else "gone-marks",
                "look" if state == "new" else "note",
                {
                    "count": len(marks),
                    "scratches": len(scratches),
                    "crossings": len(marks) - singles,
                    "singles": singles,
                    "per_min": len(marks) / minutes,
                },
                at_frame=round(loudest.start_s * comparison.rate_hz),
            )
        )
    return found


def relative_changes(comparison: Comparison, part: str, channel: int) -> list[tuple[float, float, float]]:
    """(hz, change against the plain level, smallest detectable) of the bands of one part and channel from 2 kHz up."""
    level = comparison.level_change_db(channel)
    return [
        (band.hz, band.change_db - level, band.detectable_db)
        for band in comparison.bands
        if band.part == part and band.channel == channel and band.hz > 1900.0 and np.isfinite(band.change_db)
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


def _treble(comparison: Comparison, evening: Evening) -> list[Finding]:
    found = []
    is_mono = len({band.channel for band in comparison.bands}) < 2
    for channel in sorted({band.channel for band in comparison.bands}):
        where: Channel = "both" if is_mono else "R" if channel else "L"
        grown = _inward(comparison, channel)
        for run in _stretches(grown):
            worst = (
                min(run, key=lambda value: value[1])
                if run[0][1] < 0
                else max(run, key=lambda value: value[1])
            )
            lost = worst[1] < 0.0
            found.append(
                _finding(
                    "treble-worn" if lost else "treble-inner-gain",
                    "look" if lost else "note",
                    {"hz": worst[0], "change_db": worst[1], "detectable_db": worst[2]},
                    channel=where,
                )
            )
        inward_hz = {round(value[0]) for run in _stretches(grown) for value in run}
        same = [
            value
            for value in relative_changes(comparison, "outer", channel)
            if round(value[0]) not in inward_hz
        ]
        for run in _stretches(same):
            worst = max(run, key=lambda value: abs(value[1]))
            found.append(
                _finding(
                    "treble-chain",
                    "note",
                    {
                        "hz": worst[0],
                        "change_db": worst[1],
                        "detectable_db": worst[2],
                        **_alike(evening.treble_db, worst[1]),
                    },
                    channel=where,
                )
            )
    return found


def _inward(comparison: Comparison, channel: int) -> list[tuple[float, float, float]]:
    """How much more the inner third changed than the outer one, band by band."""
    outer = {
        round(hz): (change, detectable)
        for hz, change, detectable in relative_changes(comparison, "outer", channel)
    }
    values = []
    for hz, change, detectable in relative_changes(comparison, "inner", channel):
        if round(hz) in outer:
            other, other_detectable = outer[round(hz)]
            values.append((hz, change - other, float(np.hypot(detectable, other_detectable))))
    return values


def _alike(others_db: Sequence[float], change_db: float) -> dict[str, Fact]:
    """How many other records of these evenings changed by as much; nothing when there are none."""
    if not others_db:
        return {}
    return {"alike": sum(abs(value - change_db) < 0.3 for value in others_db), "others": len(others_db)}


def _noise(comparison: Comparison) -> list[Finding]:
    levels = [
        comparison.level_change_db(channel) for channel in sorted({band.channel for band in comparison.bands})
    ]
    level = float(np.nanmean(levels)) if levels and np.isfinite(levels).any() else 0.0
    found = []
    for change in comparison.noise:
        # against the level of the music: a hotter transfer is no noisier
        relative = change.change_db - (level if change.kind != "hum" else 0.0)
        if (
            max(change.old_dbfs, change.new_dbfs) < QUIETEST_DBFS[change.kind]
            or abs(relative) <= change.detectable_db
        ):
            continue
        facts = {"change_db": relative, "detectable_db": change.detectable_db}
        if change.kind == "groove":
            found.append(_finding("groove-noise", "look" if relative > 0 else "note", facts))
        elif change.kind == "rumble":
            found.append(_finding("rumble-change", "note", facts))
        else:
            found.append(_finding("hum-change", "note", facts))
    return found


def _chain(comparison: Comparison, evening: Evening) -> list[Finding]:
    found = []
    channels = sorted({band.channel for band in comparison.bands})
    levels = [comparison.level_change_db(channel) for channel in channels]
    if levels and np.isfinite(levels).all():
        mean = float(np.mean(levels))
        if abs(mean) > LEVEL_TOLD_DB:
            found.append(
                _finding("level-chain", "note", {"change_db": mean, **_alike(evening.level_db, mean)})
            )
        if len(levels) == 2 and abs(levels[0] - levels[1]) > LEVEL_TOLD_DB:
            found.append(_finding("balance-chain", "look", {"change_db": levels[0] - levels[1]}))
    ratio = comparison.alignment.curve.speed_ratio if comparison.alignment.curve else 1.0
    if abs(ratio - 1.0) > 0.001:
        found.append(_finding("speed-chain", "note", {"ratio": ratio}))
    mixing = comparison.mixing
    if mixing is not None:
        leak = max(mixing.left_to_right_db, mixing.right_to_left_db)
        if leak > max(CROSSTALK_TOLD_DB, mixing.detectable_db):
            found.append(
                _finding("crosstalk-chain", "look", {"leak_db": leak, "detectable_db": mixing.detectable_db})
            )
    return found


def _unchanged(comparison: Comparison, found: Sequence[Finding]) -> list[Finding]:
    kinds = {finding.kind for finding in found}
    facts: dict[str, Fact] = {}
    treble = [band for band in comparison.bands if band.part == "inner" and 3000.0 < band.hz < 11000.0]
    seen = [band.detectable_db for band in treble if np.isfinite(band.detectable_db)]
    if seen and not kinds & {"treble-worn", "treble-chain"}:
        facts["treble_db"] = float(np.median(seen))
    groove = [change for change in comparison.noise if change.kind == "groove"]
    if groove and "groove-noise" not in kinds:
        facts["groove_db"] = groove[0].detectable_db
    if "new-marks" not in kinds:
        facts["persisting"] = len(comparison.persisting_s)
    if not facts:
        return []
    return [
        _finding("unchanged", "note", {"detectable_db": float(np.median(seen)) if seen else 0.0, **facts})
    ]
