"""Noise, distortion, level, speed and crosstalk of two takes: mostly what belongs to the player and its chain.

A level that moved as a whole is the chain (no disc gets louder); hum and speed are the player and its wiring; surface noise
and distortion are the disc, unless other records of the same evenings show them too.
"""

from __future__ import annotations

import numpy as np

from sidekeep.flow.comparison.compare import Comparison
from sidekeep.flow.comparison.evening import Evening
from sidekeep.flow.comparison.said import channel_name, finding
from sidekeep.model.finding import Channel, Fact, Finding

LEVEL_TOLD_DB = 0.3
QUIETEST_DBFS = {"groove": -85.0, "rumble": -70.0, "hum": -66.0}
"""Noise below this is not spoken of: it is not heard."""
CROSSTALK_TOLD_DB = -35.0
DISTORTION_TOLD = 0.02
GROWS_INWARD = 1.7
MORE_DB = 0.1


def noise_findings(comparison: Comparison, evening: Evening) -> list[Finding]:
    """Surface noise against the music, rumble, hum."""
    found = []
    for change in comparison.noise:
        # against the level of the music: a hotter transfer is no noisier
        relative = relative_noise_db(comparison, change.kind)
        if (
            max(change.old_dbfs, change.new_dbfs) < QUIETEST_DBFS[change.kind]
            or abs(relative) <= change.detectable_db
        ):
            continue
        facts: dict[str, Fact] = {"change_db": relative, "detectable_db": change.detectable_db}
        if change.kind == "groove":
            others = evening.shared("groove_db", relative)
            found.append(
                finding(
                    "noise-chain" if others.is_shared else "groove-noise",
                    "look" if relative > 0 and not others.is_shared else "note",
                    {**facts, **others.facts},
                )
            )
        elif change.kind == "rumble":
            found.append(finding("rumble-change", "note", facts))
        else:
            others = evening.shared("hum_db", relative)
            where = _hums_most(change.channel_db)
            found.append(finding("hum-change", "note", {**facts, **others.facts}, channel=where))
    return found


def relative_noise_db(comparison: Comparison, kind: str) -> float:
    """Change of a kind of noise; of the surface and of rumble against the level of the music. nan if it was not measured."""
    changes = [change.change_db for change in comparison.noise if change.kind == kind]
    if not changes:
        return float("nan")
    levels = [comparison.level_change_db(channel) for channel in comparison.channels]
    level = float(np.nanmean(levels)) if levels and np.isfinite(levels).any() else 0.0
    return changes[0] - (level if kind != "hum" else 0.0)


def _hums_most(changes: tuple[float, ...]) -> Channel:
    """The channel that changed, where it is one only: that is where to look."""
    if len(changes) == 2 and abs(changes[0] - changes[1]) > 6.0:
        return channel_name(int(np.argmax(np.abs(changes))), 2)
    return "both"


def distortion_findings(comparison: Comparison, evening: Evening) -> list[Finding]:
    """What is on one take only in the loud places of the inner third, and less so outside."""
    found = []
    for inner in (one for one in comparison.distortion if one.part == "inner"):
        outside = [
            one.share for one in comparison.distortion if one.part == "outer" and one.channel == inner.channel
        ]
        outer = outside[0] if outside else 0.0
        if inner.share < max(DISTORTION_TOLD, inner.detectable) or inner.share < GROWS_INWARD * outer:
            continue
        found.append(
            finding(
                "distortion-inner",
                "look" if inner.more_db > MORE_DB else "note",
                {
                    "share": inner.share,
                    "outer_share": outer,
                    "detectable": inner.detectable,
                    "more_on": "new"
                    if inner.more_db > MORE_DB
                    else "old"
                    if inner.more_db < -MORE_DB
                    else "unknown",
                    **evening.shared("distortion", inner.share).facts,
                },
                channel=channel_name(inner.channel, len(comparison.channels)),
            )
        )
    return found


def chain_findings(comparison: Comparison, evening: Evening) -> list[Finding]:
    """Level, balance, speed, crosstalk: gain, cartridge, player."""
    found = []
    levels = [comparison.level_change_db(channel) for channel in comparison.channels]
    if levels and np.isfinite(levels).all():
        mean = float(np.mean(levels))
        if abs(mean) > LEVEL_TOLD_DB:
            found.append(
                finding("level-chain", "note", {"change_db": mean, **evening.shared("level_db", mean).facts})
            )
        if len(levels) == 2 and abs(levels[0] - levels[1]) > LEVEL_TOLD_DB:
            found.append(finding("balance-chain", "look", {"change_db": levels[0] - levels[1]}))
    ratio = comparison.alignment.curve.speed_ratio if comparison.alignment.curve else 1.0
    if abs(ratio - 1.0) > 0.001:
        found.append(finding("speed-chain", "note", {"ratio": ratio}))
    mixing = comparison.mixing
    if mixing is not None:
        leak = max(mixing.left_to_right_db, mixing.right_to_left_db)
        if leak > max(CROSSTALK_TOLD_DB, mixing.detectable_db):
            found.append(
                finding("crosstalk-chain", "look", {"leak_db": leak, "detectable_db": mixing.detectable_db})
            )
    return found
