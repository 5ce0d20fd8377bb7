"""Two copies of one record are told as such: a disc keeps its scratches (common practice, no source)."""

from __future__ import annotations

from functools import cache
from typing import Any

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
