"""Noise, distortion, level, speed and crosstalk of two takes: mostly what belongs to the player and its chain.

A level that moved as a whole is the chain (no disc gets louder); hum and speed are the player and its wiring; surface noise
and distortion are the disc, unless other records of the same evenings show them too.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sidekeep.flow.comparison.compare import LEVEL_FLOOR_DB, Comparison
from sidekeep.flow.comparison.differences.bands import THIRDS
from sidekeep.flow.comparison.differences.noise import ChannelNoise, NoiseChange
from sidekeep.flow.comparison.told.evening import Evening
from sidekeep.flow.comparison.told.said import channel_name, finding
from sidekeep.model.finding import Channel, Fact, Finding

CROSSTALK_TOLD_DB = -35.0
"""Above it a leak comes near that of the cartridge itself, which is 20 to 35 dB down (common practice, no source)."""
DISTORTION_TOLD = 0.02
"""Of amplitude; clear of the floor of 1.3 % (chosen here). No matter (see the README): all five of these."""
GROWS_INWARD = 1.7
"""Waves are 1.77 times as short in the middle of the inner third as in that of the outer one (74 and 132 mm of radius, IEC
60098 from memory): what does not grow like this is not tracing."""
MORE_DB = 0.1
"""Under it neither take is said to hold more."""
HARDLY = 0.1
"""Share of the noise under which what is left of it for the groove is no number any more: powers are known to a few percent."""
ONE_CHANNEL_DB = 6.0
"""Four times the power: then it is worth saying where."""


def noise_findings(comparison: Comparison, evening: Evening) -> list[Finding]:
    """Surface noise against the music, rumble, hum."""
    found = []
    for change in (one for one in comparison.noise if one.part == "all"):
        # against the level of the music: a hotter transfer is no noisier
        relative = relative_noise_db(comparison, change.kind)
        if not change.is_heard:
            continue
        if abs(relative) <= change.detectable_db:
            most = _most(comparison) if change.kind == "groove" else {}
            if most:
                grown = float(most["most_db"]) > 0.0  # type: ignore[arg-type]
                found.append(finding("groove-noise-part", "look" if grown else "note", most))
            continue
        facts: dict[str, Fact] = {"change_db": relative, "detectable_db": change.detectable_db}
        if change.kind == "groove":
            others = evening.shared("groove_db", relative)
            apart = _apart(comparison, change)
            is_chain = others.is_shared or apart["hiss"] == "all"
            found.append(
                finding(
                    "noise-chain" if is_chain else "groove-noise",
                    "look" if relative > 0 and not is_chain else "note",
                    {**facts, **_most(comparison), **apart, **others.facts},
                )
            )
        elif change.kind == "rumble":
            found.append(finding("rumble-change", "note", facts))
        else:
            others = evening.shared("hum_db", relative)
            where = _hums_most(change.channels)
            found.append(finding("hum-change", "note", {**facts, **others.facts}, channel=where))
    return found


def _apart(comparison: Comparison, change: NoiseChange) -> dict[str, Fact]:
    """How much of a change of surface noise is the hiss of the chain with the needle up, against the level of the music.
    ``hiss``: ``all`` of it, ``none``, ``part``, or that it is ``unknown`` on the ``old`` take, the ``new`` one or ``both``."""
    idle = comparison.idle
    if idle.old_dbfs is None or idle.new_dbfs is None:
        on = "both" if idle.old_dbfs is idle.new_dbfs else "old" if idle.old_dbfs is None else "new"
        return {"hiss": "unknown", "unknown_on": on}
    level = _level_db(comparison)
    old, new, chain_old, chain_new = (
        10.0 ** (dbfs / 10.0)
        for dbfs in (change.old_dbfs, change.new_dbfs - level, idle.old_dbfs, idle.new_dbfs - level)
    )
    facts: dict[str, Fact] = {"hiss_db": idle.new_dbfs - level - idle.old_dbfs}
    by_chain = max(old - chain_old, 0.0) + chain_new
    if abs(_ratio_db(new, by_chain)) <= change.detectable_db:
        return {"hiss": "all", **facts}
    if abs(_ratio_db(by_chain, old)) <= change.detectable_db:
        return {"hiss": "none", **facts}
    groove_old, groove_new = max(old - chain_old, HARDLY * old), max(new - chain_new, HARDLY * new)
    return {"hiss": "part", **facts, "groove_db": _ratio_db(groove_new, groove_old)}


def _ratio_db(one: float, other: float) -> float:
    return float(10.0 * np.log10(max(one, 1e-20) / max(other, 1e-20)))


def _level_db(comparison: Comparison) -> float:
    """The mean change of the plain level, 0 where none is known."""
    levels = [comparison.level_change_db(channel) for channel in comparison.channels]
    return float(np.nanmean(levels)) if levels and np.isfinite(levels).any() else 0.0


def relative_noise_db(comparison: Comparison, kind: str) -> float:
    """Change of a kind of noise; of the surface and of rumble against the level of the music. nan if it was not measured."""
    change = comparison.noise_of(kind)
    if change is None:
        return float("nan")
    return change.change_db - (_level_db(comparison) if kind != "hum" else 0.0)


def _most(comparison: Comparison) -> dict[str, Fact]:
    """Where surface noise changed most, if it changed clearly more on one channel of one third than usual on the side."""
    known = [
        (
            one.change_db - comparison.level_change_db(min(channel, len(comparison.channels) - 1)),
            one,
            part,
            channel,
        )
        for part in THIRDS
        if (change := comparison.noise_of("groove", part)) is not None
        for channel, one in enumerate(change.channels)
    ]
    if len(known) < 2:
        return {}
    usual_db = float(np.median([relative_db for relative_db, _, _, _ in known]))
    relative_db, one, part, channel = max(known, key=lambda each: abs(each[0]))
    if abs(relative_db) <= one.detectable_db or abs(relative_db - usual_db) <= one.detectable_db:
        return {}
    side = channel_name(channel, len(comparison.channels))
    return {"most_db": relative_db, "most_part": part, "most_channel": side}


def _hums_most(channels: Sequence[ChannelNoise]) -> Channel:
    """The channel in which much more hum came or went, where it is one only: that is where to look. By power, not by ratio: of
    two channels that hum alike now the one that was quieter has changed by more dB."""
    if len(channels) != 2:
        return "both"
    moved = [abs(10.0 ** (one.new_dbfs / 10.0) - 10.0 ** (one.old_dbfs / 10.0)) + 1e-20 for one in channels]
    if abs(10.0 * np.log10(moved[0] / moved[1])) <= ONE_CHANNEL_DB:
        return "both"
    return channel_name(int(np.argmax(moved)), 2)


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
        if abs(mean) > LEVEL_FLOOR_DB:
            found.append(
                finding("level-chain", "note", {"change_db": mean, **evening.shared("level_db", mean).facts})
            )
        if len(levels) == 2 and abs(levels[0] - levels[1]) > LEVEL_FLOOR_DB:
            found.append(finding("balance-chain", "look", {"change_db": levels[0] - levels[1]}))
    ratio = comparison.speed_ratio
    if abs(ratio - 1.0) > 0.001:
        found.append(finding("speed-chain", "note", {"ratio": ratio}))
    mixing = comparison.mixing_of()
    if mixing is not None and mixing.worse.leak_db > max(CROSSTALK_TOLD_DB, mixing.detectable_db):
        ways = [one for one in (mixing.left_to_right, mixing.right_to_left) if one.is_clear]
        facts: dict[str, Fact] = {
            "leak_db": mixing.worse.leak_db,
            "detectable_db": mixing.detectable_db,
            "way": mixing.way,
        }
        source: Channel = "both" if len(ways) == 2 else "L" if mixing.worse is mixing.left_to_right else "R"
        found.append(
            finding("crosstalk-chain", "note" if mixing.way == "less" else "look", facts, channel=source)
        )
    return found
