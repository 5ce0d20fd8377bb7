"""A dozen evenings at the turntable in virtual time: the sides are right, their first and last moments are kept.

``./run bench evening`` has nearly a hundred of them.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from benchmarks.bench_evening import cases
from benchmarks.evening_cases import Outcome, take_evening

NAMES = (
    "handling, clean",
    "begun in the lead-in, clean",
    "pause of 45 s, clean",
    "phono stage on late, 78",
    "plain, 78",
    "begun in the middle, used",
    "lifts at once, worn",
    "no times printed, fumble, noisy",
    "B is played first",
)
"""Those that play the same two sides follow each other: sides are pressed once for them."""


def taken(name: str, place: Path) -> Outcome:
    return take_evening(dict(cases())[name](), place)


def test_a_false_start_lies_in_the_bin_and_is_told(tmp_path: Path) -> None:
    outcome = taken("fumble of six seconds, clean", tmp_path)
    assert outcome.faults == []
    false = [news for news in outcome.news if news.code == "false-start"]
    assert [news.side for news in false] == ["A", "B"]
    assert all(news.facts["reason"] == "lifted" for news in false)
    binned = sorted(path.parent.name for path in tmp_path.rglob("takes/.bin/*/take.json"))
    assert binned == ["A-1", "B-1"]
    assert [take.number for take in outcome.takes] == [2, 2]
    assert [news.side for news in outcome.news if news.code == "fits"] == ["A", "B"]


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_sides_are_right_and_whole(name: str, tmp_path: Path) -> None:
    outcome = taken(name, tmp_path)
    assert outcome.faults == [], [(news.code, news.side) for news in outcome.news]
