"""What the numbers of a comparison say, as findings with facts: what is on the disc, what is the chain, what has not changed.

New marks are the disc; treble, noise and distortion are told from the chain by how they grow inward and by what other records
of the same evenings show (``treble``, ``chain``, ``evening``). Nothing smaller than what could have been detected is claimed,
and "no change" is always said together with how small a change would have been seen.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from sidekeep.dsp.alignment.rough import LEAST_ALIKE, SHORTEST_S
from sidekeep.flow.comparison.compare import Comparison
from sidekeep.flow.comparison.told.chain import (
    DISTORTION_TOLD,
    chain_findings,
    distortion_findings,
    noise_findings,
)
from sidekeep.flow.comparison.told.evening import Evening
from sidekeep.flow.comparison.told.said import finding
from sidekeep.flow.comparison.told.skipped import turns_skipped
from sidekeep.flow.comparison.told.treble import treble_findings, treble_is_steady
from sidekeep.model.finding import Fact, Finding

CLIPPED_FRAMES = 10
"""Fewer are a tick or two that hit the rail."""
EDGE_APART = 1.1
"""Edges nearer than a tenth are those of converters, not of formats. No matter (see the README)."""
OTHER_DISC_MARKS, OTHER_DISC_SHARE = 20, 0.2
"""Marks that came and as many that went, and the most that may be on both. A disc keeps its scratches and more than half of its
dust (common practice, no source): one disc played again had ten times as many on both as came, another copy hardly any."""
CLEANER_COPY_MARKS, CLEANER_COPY_SHARE = 100, 0.05
"""Marks that went where none need have come, and the most that may be on both: another copy may be nearly clean. Fewer cannot
tell it from a record that was washed (chosen here: a pressed disc that lost all its loose dust kept two thirds of its marks)."""
OTHER_DISC_DB = (0.0, 12.0, 18.0, 24.0, 30.0)
"""Sizes from which marks are counted: a sharp edge of the music is on both takes and looks like a small mark."""
EVENING_KINDS = {
    "treble-worn",
    "treble-chain",
    "groove-noise",
    "level-chain",
    "distortion-inner",
    "hum-change",
}


def conclusions(comparison: Comparison, evening: Evening | None = None) -> list[Finding]:
    """Findings in the order a person wants them: is it the same, what came onto the disc, what wore, what is the chain."""
    if not comparison.alignment.is_same:
        return [_nothing_to_lay(comparison) or _other(comparison)]
    evening = evening or Evening()
    pair = [*_coverage(comparison), *_condition(comparison)]
    if comparison.is_one_playing:
        # Whatever differs came after the needle: nothing of it says anything of disc, stylus or chain.
        return [finding("one-playing", "look"), *pair]
    found = [
        *pair,
        *_marks(comparison),
        *treble_findings(comparison, evening),
        *distortion_findings(comparison, evening),
        *noise_findings(comparison, evening),
        *chain_findings(comparison, evening),
    ]
    return [*found, *_evening(found, evening), *_unchanged(comparison, found)]


def _nothing_to_lay(comparison: Comparison) -> Finding | None:
    """A take that is silent, or too short to be laid on another."""
    conditions = comparison.alignment.conditions
    if conditions is None:
        return None
    silent = [name for name, one in zip(("old", "new"), conditions, strict=True) if one.is_silent]
    if silent:
        return finding("compare-silent", "act", {"take": silent[0]})
    shorter_s = min(one.length_s for one in conditions)
    if shorter_s < SHORTEST_S:
        return finding("compare-short", "act", {"length_s": shorter_s, "least_s": SHORTEST_S})
    return None


def _other(comparison: Comparison) -> Finding:
    line = comparison.alignment.line
    return finding(
        "other-recording",
        "act",
        {
            "share": line.share,
            "correlation": line.correlation,
            "alike": line.alike,
            "is_sure": line.alike < LEAST_ALIKE,
        },
    )


def _evening(found: Sequence[Finding], evening: Evening) -> list[Finding]:
    """How to tell the chain from the disc, where other records could tell and were not asked."""
    if not evening.uncompared or evening.others or not {one.kind for one in found} & EVENING_KINDS:
        return []
    return [finding("compare-others", "note", {"records": tuple(evening.uncompared)})]


def _coverage(comparison: Comparison) -> list[Finding]:
    found = []
    speed = comparison.alignment.speed
    if speed is not None:
        facts: dict[str, Fact] = {"old_rpm": speed.old_rpm, "new_rpm": speed.new_rpm}
        found.append(finding("compare-speeds", "act", facts))
    if comparison.covered < 0.97:
        found.append(finding("part-only", "look", {"share": comparison.covered}))
    cut = comparison.alignment.line.cut
    if cut is not None:
        curve = comparison.alignment.curve
        assert curve is not None
        found.append(
            finding(
                "take-cut",
                "look",
                {
                    "at_s": curve.stop_s if np.isfinite(cut.stop_s) else curve.start_s,
                    "length_s": abs(cut.length_s),
                    "lacks": "new" if cut.length_s > 0.0 else "old",
                    "compared": "before" if np.isfinite(cut.stop_s) else "after",
                    "turns": turns_skipped(cut.length_s, comparison.turn),
                },
            )
        )
    for jump in comparison.jumps:
        facts = {
            "length_s": abs(jump.length_s),
            "lacks": "new" if jump.length_s > 0.0 else "old",
            "turns": turns_skipped(jump.length_s, comparison.turn),
        }
        found.append(finding("take-jump", "look", facts, at_frame=round(jump.at_s * comparison.rate_hz)))
    if comparison.alignment.inverted is not None:
        # everything inverted and the right channel once more: then it is the left one
        is_right = (comparison.alignment.inverted == 1) == (comparison.alignment.sign > 0.0)
        found.append(finding("channel-inverted", "act", channel="R" if is_right else "L"))
    elif comparison.alignment.sign < 0.0:
        found.append(finding("polarity", "note"))
    if comparison.alignment.is_swapped:
        found.append(finding("channels-swapped", "act"))
    return found


def _condition(comparison: Comparison) -> list[Finding]:
    """A channel that is silent or the same as the other, clipping, and an edge that one take has and the other has not."""
    if comparison.alignment.conditions is None:
        return []
    found = []
    for name, one in zip(("old", "new"), comparison.alignment.conditions, strict=True):
        if one.dead_channel is not None:
            found.append(
                finding("compare-dead", "act", {"take": name}, channel="R" if one.dead_channel else "L")
            )
    alike = comparison.alignment.alike_take
    if alike is not None and not found:
        found.append(finding("compare-alike", "look", {"take": alike}))
    # above half the common rate nothing is compared, so an edge near it takes nothing away
    highest_hz = comparison.rate_hz / 2
    edges = [min(one.edge_hz or np.inf, highest_hz) for one in comparison.alignment.conditions]
    for name, one, edge in zip(("old", "new"), comparison.alignment.conditions, edges, strict=True):
        if one.clipped_frames >= CLIPPED_FRAMES:
            found.append(finding("compare-clipped", "look", {"take": name, "frames": one.clipped_frames}))
        # at two speeds no band is compared, and an edge lies elsewhere in the music
        if max(edges) > EDGE_APART * edge and comparison.alignment.speed is None:
            found.append(finding("compare-band", "look", {"take": name, "edge_hz": edge}))
    return found


def _marks(comparison: Comparison) -> list[Finding]:
    found = []
    minutes = max((comparison.music_s[1] - comparison.music_s[0]) / 60.0, 0.1)
    other = _other_disc(comparison)
    if other is not None:
        return [other]
    for state in ("new", "gone"):
        marks = [mark for mark in comparison.marks if mark.state == state]
        if not marks:
            continue
        scratches = {mark.scratch for mark in marks if mark.scratch is not None}
        singles = sum(mark.scratch is None for mark in marks)
        loudest = max(marks, key=lambda mark: mark.size_db)
        both = _few_on_both(comparison) if state == "gone" else None
        found.append(
            finding(
                "new-marks" if state == "new" else "gone-marks",
                "look" if state == "new" else "note",
                {
                    "count": len(marks),
                    "scratches": len(scratches),
                    "crossings": len(marks) - singles,
                    "singles": singles,
                    "per_min": len(marks) / minutes,
                    **({"both": both} if both is not None else {}),
                },
                at_frame=round(loudest.start_s * comparison.rate_hz),
            )
        )
    return found


def _other_disc(comparison: Comparison) -> Finding | None:
    """Two copies of one record: nearly every mark of the old take is gone, and as good as all of the new one's are new; or so
    many are gone that a disc would have kept more."""
    for came, went, both in _counts(comparison):
        fewer = min(came, went)
        is_other = fewer >= OTHER_DISC_MARKS and both <= OTHER_DISC_SHARE * (both + fewer)
        is_cleaner = went >= CLEANER_COPY_MARKS and both <= CLEANER_COPY_SHARE * (both + went)
        if is_other or is_cleaner:
            facts: dict[str, Fact] = {"new": came, "gone": went, "both": both, "cleaner": not is_other}
            return finding("other-disc", "look", facts)
    return None


def _few_on_both(comparison: Comparison) -> int | None:
    """How many marks are on both takes, where nearly all are gone; None where enough are."""
    for _, went, both in _counts(comparison):
        if went >= OTHER_DISC_MARKS and both <= OTHER_DISC_SHARE * (both + went):
            return both
    return None


def _counts(comparison: Comparison) -> list[tuple[int, int, int]]:
    """Marks that came, that went and that are on both, from every size of ``OTHER_DISC_DB`` on."""
    return [
        (
            sum(mark.state == "new" and mark.size_db >= least_db for mark in comparison.marks),
            sum(mark.state == "gone" and mark.size_db >= least_db for mark in comparison.marks),
            int(np.count_nonzero(comparison.persisting_db >= least_db)),
        )
        for least_db in OTHER_DISC_DB
    ]


def _unchanged(comparison: Comparison, found: Sequence[Finding]) -> list[Finding]:
    kinds = {one.kind for one in found}
    facts: dict[str, Fact] = {}
    treble = [band for band in comparison.bands if band.part == "inner" and 3000.0 < band.hz < 11000.0]
    seen = [band.detectable_db for band in treble if np.isfinite(band.detectable_db)]
    if seen and treble_is_steady(comparison) and not kinds & {"treble-worn", "treble-chain", "treble-stylus"}:
        facts["treble_db"] = float(np.median(seen))
    groove = comparison.noise_of("groove")
    if groove is not None and not kinds & {"groove-noise", "groove-noise-part", "noise-chain"}:
        facts["groove_db"] = groove.detectable_db
    inner = [one for one in comparison.distortion if one.part == "inner"]
    if inner and "distortion-inner" not in kinds:
        facts["distortion"] = max(DISTORTION_TOLD, *(one.detectable for one in inner))
    if not kinds & {"new-marks", "other-disc", "take-jump"}:
        facts["persisting"] = len(comparison.persisting_s)
        facts["perhaps"] = sum(mark.state == "perhaps" for mark in comparison.marks)
    if not facts:
        return []
    return [finding("unchanged", "note", {"detectable_db": float(np.median(seen)) if seen else 0.0, **facts})]
