"""A needle that jumped loses whole turns; a cut, or sound that a computer lost, is as long as it happens to be."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.turn.period import TurnEstimate
from sidekeep.flow.comparison.told.skipped import turns_skipped
from sidekeep.model.finding import Finding
from sidekeep.wording.findings import finding_text, told

UNKNOWN = TurnEstimate()
MEASURED = TurnEstimate(period_s=1.8036, rpm=33.267, sd_ppm=30.0, confidence=1.0, source="clicks")


@pytest.mark.parametrize(
    ("length_s", "turn", "turns"),
    [
        (1.8, UNKNOWN, 1),  # 33 1/3 turns a minute: IEC 60098
        (-5.4, UNKNOWN, 3),
        (4.0 / 3.0, UNKNOWN, 1),  # 45 turns a minute: IEC 60098
        (1.8036, MEASURED, 1),
        (9.018, MEASURED, 5),
        (4.0 / 3.0, MEASURED, 0),
        (0.02, UNKNOWN, 0),
        (5.0, UNKNOWN, 0),
        (2.7, MEASURED, 0),
        (0.0, UNKNOWN, 0),
    ],
)
def test_whole_turns(length_s: float, turn: TurnEstimate, turns: int) -> None:
    assert turns_skipped(length_s, turn) == turns


def test_few_lengths_are_whole_turns_by_chance() -> None:
    lengths_s = np.random.default_rng(1).uniform(0.05, 6.0, 2000)
    assert sum(turns_skipped(float(length_s), MEASURED) > 0 for length_s in lengths_s) < 0.04 * 2000


def missing(kind: str, **facts: float | str) -> Finding:
    return Finding(
        kind=kind, start_frame=26_000, stop_frame=26_000, severity="look", facts={"lacks": "new", **facts}
    )


def test_the_needle_is_named_where_it_was_the_needle() -> None:
    jumped = missing("take-jump", length_s=1.8, turns=1)
    assert "1.8 s (1 turn of the disc) of the new take near 0:26" in finding_text(jumped, 1000)
    assert "the needle jumped forward over them on the new take, or back on the old one" in finding_text(
        jumped, 1000
    )
    lost = missing("take-jump", length_s=0.02, turns=0)
    assert "20 ms of the new take near 0:26.0. Frames were lost" in finding_text(lost, 1000)
    (both,) = told([jumped, lost], 1000)
    assert "Frames were lost while recording, the take was cut, or the needle skipped" in both.text
    cut = missing("take-cut", length_s=9.0, at_s=26.0, compared="before", turns=5)
    assert "as long as 5 turns of the disc" in finding_text(cut, 1000)
