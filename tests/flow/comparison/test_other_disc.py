"""Two copies of one record are told as such: a disc keeps its scratches (common practice, no source)."""

from __future__ import annotations

import dataclasses
from functools import cache
from typing import Any

import numpy as np

from sidekeep.flow.comparison.compare import compare_takes
from sidekeep.flow.comparison.told.conclusions import conclusions
from sidekeep.press.disc.side import press_side
from tests.flow.comparison.pairs import Held
from tests.flow.stuck_sides import RATE_HZ, SHORT, pieces

DUSTY = SHORT.but(dust_per_min=240.0, scratches=2, loose_dust=0.4, run_out_turns=1)


@cache
def take(seed: int, play: int, new_ticks: int = 0) -> Held:
    """``seed`` makes the disc, ``play`` the playing."""
    settings = DUSTY.but(new_ticks=new_ticks)
    return Held(press_side(pieces(), rate_hz=RATE_HZ, settings=settings, seed=seed, play=play).audio, RATE_HZ)


def told(new: Held) -> dict[str, dict[str, Any]]:
    return {one.kind: dict(one.facts) for one in conclusions(compare_takes(take(1, 0), new))}


def test_another_copy_is_told_and_its_ticks_are_not_called_new() -> None:
    kinds = told(take(2, 1))
    facts = kinds["other-disc"]
    assert not {"new-marks", "gone-marks"} & set(kinds)
    assert min(facts["new"], facts["gone"]) > 20
    assert facts["both"] < 10
    assert "persisting" not in kinds.get("unchanged", {})


def test_the_same_disc_with_other_dust_and_many_new_ticks_is_the_same_disc() -> None:
    kinds = told(take(1, 1, new_ticks=60))
    assert {"new-marks", "gone-marks"} <= set(kinds)
    assert "other-disc" not in kinds


def copy(new_seed: int, **settings: Any) -> Held:
    changed = DUSTY.but(**settings)
    side = press_side(pieces(), rate_hz=RATE_HZ, settings=changed, seed=new_seed, play=1)
    return Held(side.audio, RATE_HZ)


NEARLY_CLEAN = {"dust_per_min": 6.0, "scratches": 0, "pops_per_min": 0.0, "crackle_share": 0.0}


def test_a_nearly_clean_copy_is_told_too() -> None:
    """Three hundred marks of the old take are gone and a handful is on both: a disc keeps more than its loose dust."""
    kinds = told(copy(2, **NEARLY_CLEAN))
    assert kinds["other-disc"]["cleaner"]
    assert kinds["other-disc"]["new"] < 20
    assert "gone-marks" not in kinds


def test_a_disc_that_lost_all_its_loose_dust_is_the_same_disc() -> None:
    kinds = told(copy(1, loose_dust=1.0))
    assert "other-disc" not in kinds
    assert "both" not in kinds["gone-marks"]


def test_a_nearly_clean_take_and_a_dusty_one_after_it_are_no_two_copies() -> None:
    """A new record gathers dust."""
    kinds = {one.kind for one in conclusions(compare_takes(copy(2, **NEARLY_CLEAN), take(1, 0)))}
    assert "new-marks" in kinds
    assert "other-disc" not in kinds


def test_few_marks_that_went_cannot_tell() -> None:
    comparison = compare_takes(take(1, 0), copy(2, **NEARLY_CLEAN))
    gone = [mark for mark in comparison.marks if mark.state == "gone"][:40]
    few = dataclasses.replace(
        comparison, marks=tuple(gone), persisting_s=np.zeros(1), persisting_db=np.full(1, 30.0)
    )
    kinds = {one.kind: dict(one.facts) for one in conclusions(few)}
    assert kinds["gone-marks"]["both"] == 1
    assert "other-disc" not in kinds
