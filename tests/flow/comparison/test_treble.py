"""What is told of treble, from changes of bands that are given: inside, all over, up or down, and of which channel."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

from sidekeep.flow.comparison.compare import Comparison
from sidekeep.flow.comparison.differences.bands import BandChange
from sidekeep.flow.comparison.told.evening import Evening, OtherRecord
from sidekeep.flow.comparison.told.treble import OUTER_SHARE, treble_findings, treble_is_steady

HZ = (1600.0, 4000.0, 5000.0, 6300.0, 8000.0, 10_000.0)
DETECTABLE_DB = 0.3

Changes = dict[str, list[float]]


def comparison(left: Changes, right: Changes | None = None, *, level_db: float = 0.0) -> Comparison:
    """Two takes whose bands changed like this, by the third of the side; all moved by ``level_db`` besides."""
    bands = [
        BandChange(
            hz=hz,
            part=part,
            channel=channel,
            change_db=change + level_db,
            detectable_db=DETECTABLE_DB,
            frames=100,
        )
        for channel, changes in enumerate((left, right or {}))
        for part in ("outer", "middle", "inner")
        for hz, change in zip(HZ, changes.get(part, [0.0] * len(HZ)), strict=True)
    ]
    made = SimpleNamespace(bands=bands, channels=(0, 1), level_change_db=lambda channel: level_db)
    return cast(Comparison, made)


def told(made: Comparison, evening: Evening | None = None) -> list[tuple[str, str, Any, Any]]:
    return [
        (found.kind, str(found.channel), found.facts["hz"], pytest.approx(found.facts["change_db"]))
        for found in treble_findings(made, evening or Evening())
    ]


def test_nothing_is_told_where_nothing_moved_and_the_treble_is_steady() -> None:
    same = comparison({}, level_db=-2.0)  # a quieter chain is no change of treble
    assert told(same) == []
    assert treble_is_steady(same)


def test_what_is_lost_inside_is_wear_and_its_deepest_band_is_named() -> None:
    worn = comparison({"inner": [0.0, -0.5, -0.8, -1.4, -1.1, 0.0]})
    assert told(worn) == [("treble-worn", "L", 6300.0, -1.4)]
    assert not treble_is_steady(worn)


def test_what_is_gained_inside_is_no_wear_and_its_highest_band_is_named() -> None:
    gained = comparison({}, {"inner": [0.0, 0.4, 0.9, 0.5, 0.0, 0.0]})
    assert told(gained) == [("treble-inner-gain", "R", 5000.0, 0.9)]
    assert [found.severity for found in treble_findings(gained, Evening())] == ["note"]
    assert not treble_is_steady(gained)


def test_a_loss_beside_a_gain_is_told_apart() -> None:
    both = comparison({"inner": [0.0, -0.5, -0.6, 0.5, 0.7, 0.0]})
    assert told(both) == [("treble-worn", "L", 5000.0, -0.6), ("treble-inner-gain", "L", 8000.0, 0.7)]


@pytest.mark.parametrize(
    "inner",
    [[0.0, 0.0, -1.0, 0.0, 0.0, 0.0], [0.0, -0.5, 0.5, -0.5, 0.5, -0.5], [-9.0, -0.4, 0.0, 0.0, 0.0, 0.0]],
    ids=["one band alone", "bands that contradict each other", "below the treble"],
)
def test_what_may_be_chance_is_not_told(inner: list[float]) -> None:
    # 0.42 dB can be told of a difference of two changes that each tell 0.3: the root of the sum of their squares.
    assert told(comparison({"inner": inner})) == []


def test_what_is_the_same_all_over_the_side_is_the_chain() -> None:
    dull = [0.0, -0.6, -0.8, -1.2, -1.0, -0.9]
    everywhere = comparison(dict.fromkeys(("outer", "middle", "inner"), dull))
    assert told(everywhere) == [("treble-chain", "L", 6300.0, -1.2)]


def test_of_what_grows_inward_the_outer_third_has_its_share_itself() -> None:
    outer = [0.0, -0.5, -0.5, -0.5, -0.5, -0.5]
    grown = [0.0, -1.2, -1.2, -1.2, -1.2, -1.2]
    inner = [one + more for one, more in zip(outer, grown, strict=True)]
    assert abs(outer[1] - OUTER_SHARE * grown[1]) < DETECTABLE_DB
    assert told(comparison({"outer": outer, "inner": inner})) == [("treble-worn", "L", 4000.0, -1.2)]


def test_where_the_outer_third_is_silent_the_middle_one_is_held_against() -> None:
    unknown = [float("nan")] * len(HZ)
    middle, inner = [0.0, *[-0.5] * 5], [0.0, *[-1.5] * 5]
    assert told(comparison({"outer": unknown, "middle": middle, "inner": inner})) == [
        ("treble-worn", "L", 4000.0, -1.0)
    ]


def test_what_other_records_of_the_evening_lost_too_is_the_stylus() -> None:
    worn = comparison({"inner": [0.0, -0.9, -1.0, -0.8, -0.9, -0.9]})
    evening = Evening(others=[OtherRecord(name="another", inward_db=-1.1)])
    assert told(worn, evening) == [("treble-stylus", "L", 5000.0, -1.0)]
    (found,) = treble_findings(worn, evening)
    assert (found.facts["alike"], found.facts["others"]) == (1, 1)
    assert found.facts["detectable_db"] == pytest.approx(np.hypot(DETECTABLE_DB, DETECTABLE_DB))
