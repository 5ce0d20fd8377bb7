"""Noise, hum and crosstalk are told of the third of the side and of the channel that has them, and of no other."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from sidekeep.flow.comparison.compare import Comparison, compare_takes
from sidekeep.flow.comparison.differences.bands import THIRDS
from sidekeep.flow.comparison.differences.noise import ChannelNoise, NoiseChange
from sidekeep.flow.comparison.told.chain import chain_findings, noise_findings
from sidekeep.flow.comparison.told.conclusions import conclusions
from sidekeep.flow.comparison.told.contract import comparison_object
from sidekeep.flow.comparison.told.evening import Evening
from sidekeep.wording.findings import finding_text
from tests.flow.comparison.pairs import NOISE, RATE, SHORT, Floats, Held, play

LEAD_S = 2
LEAK, HUM = 0.03, 0.004


def with_groove(audio: Floats, seed: int) -> Floats:
    rng = np.random.default_rng(seed)
    ends = [NOISE * rng.standard_normal((LEAD_S * RATE, 2)) for _ in range(2)]
    return np.concatenate([ends[0], audio, ends[1]])


@pytest.fixture(scope="module")
def pair() -> Comparison:
    """On the new take: hum on the right of the outer third, left leaking into right in the middle one, four times the noise
    power on the left of the inner one."""
    old, new = with_groove(play(1).audio, 5), with_groove(play(22).audio, 6)
    at = (np.arange(len(new)) / RATE - LEAD_S) / 44.0
    outer, middle, inner = at < 1 / 3, (at >= 1 / 3) & (at < 2 / 3), at >= 2 / 3
    new[outer, 1] += HUM * np.sqrt(2.0) * np.sin(2 * np.pi * 50.0 * np.flatnonzero(outer) / RATE)
    new[middle, 1] += LEAK * new[middle, 0]
    new[inner, 0] += NOISE * np.sqrt(3.0) * np.random.default_rng(7).standard_normal(int(inner.sum()))
    return compare_takes(Held(old), Held(new))


def test_surface_noise_by_third_and_channel(pair: Comparison) -> None:
    """Four times the power is 6.02 dB."""
    for part in THIRDS:
        change = pair.noise_of("groove", part)
        assert change is not None
        left, right = change.channels
        assert right.change_db == pytest.approx(0.0, abs=0.5)
        assert left.change_db == pytest.approx(6.02 if part == "inner" else 0.0, abs=0.5)
        assert (abs(left.change_db) > left.detectable_db) == (part == "inner")


def test_hum_by_third_and_channel(pair: Comparison) -> None:
    louder = {}
    for part in THIRDS:
        change = pair.noise_of("hum", part)
        assert change is not None
        louder[part] = [one.change_db > one.detectable_db for one in change.channels]
    assert louder == {"outer": [False, True], "middle": [False, False], "inner": [False, False]}


def test_where_the_surface_is_rougher_is_said(pair: Comparison) -> None:
    """Of six readings one alone has changed: with the whole side, or by itself where the whole side could not be told."""
    (said,) = [one for one in conclusions(pair) if one.kind == "groove-noise"]
    assert "most on the left of the inner third (+6." in finding_text(said, RATE)
    unsure = [
        dataclasses.replace(one, detectable_db=10.0) if (one.kind, one.part) == ("groove", "all") else one
        for one in pair.noise
    ]
    alone = dataclasses.replace(pair, noise=tuple(unsure))
    (said,) = [one for one in conclusions(alone) if one.kind == "groove-noise-part"]
    assert (said.facts["most_part"], said.facts["most_channel"]) == ("inner", "L")
    assert "on the left of the inner third: 6." in finding_text(said, RATE)


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        # one channel was quieter, both hum alike now
        ((-90.0, -75.0), (-53.0, -53.0), "both"),
        ((-80.0, -80.0), (-80.0, -50.0), "R"),
        ((-50.0, -80.0), (-80.0, -80.0), "L"),
    ],
)
def test_hum_is_put_on_one_channel_only_where_it_is_on_one(
    pair: Comparison, old: tuple[float, float], new: tuple[float, float], where: str
) -> None:
    channels = tuple(ChannelNoise(old_dbfs=a, new_dbfs=b, detectable_db=3.0) for a, b in zip(old, new))
    hum = NoiseChange(
        kind="hum", part="all", old_dbfs=old[0], new_dbfs=new[1], detectable_db=3.0, channels=channels
    )
    (said,) = noise_findings(dataclasses.replace(pair, noise=(hum,)), Evening())
    assert said.channel == where


def test_crosstalk_by_third_and_way(pair: Comparison) -> None:
    """Three hundredths of the left are in the right: 20 lg 0.03 = -30.5 dB."""
    for part in THIRDS:
        change = pair.mixing_of(part)
        assert change is not None
        assert change.right_to_left.leak_db < -40.0
        if part == "middle":
            assert change.left_to_right.leak_db == pytest.approx(20 * np.log10(LEAK), abs=1.0)
            assert change.left_to_right.leak_db > change.left_to_right.detectable_db
        else:
            assert change.left_to_right.leak_db < -40.0


@pytest.mark.parametrize(
    ("mixed", "is_on_old", "way", "channel"),
    [
        ([[1.0, 0.05], [0.05, 1.0]], False, "more", "both"),
        ([[1.0, 0.05], [0.05, 1.0]], True, "less", "both"),
        ([[1.0, 0.05], [0.0, 1.0]], False, "more", "L"),
        ([[1.0, 0.0], [0.05, 1.0]], True, "less", "R"),
        # leaning over mixes both walls like a rotation of the two (the walls stand at right angles)
        ([[1.0, 0.05], [-0.05, 1.0]], False, "turned", "both"),
    ],
)
def test_crosstalk_is_told_with_its_way(
    mixed: list[list[float]], is_on_old: bool, way: str, channel: str
) -> None:
    """Whichever take has it: what is on the old one only has gone, and is no new leak."""
    takes = [play(number).audio[:SHORT] for number in (1, 2)]
    takes[0 if is_on_old else 1] = takes[0 if is_on_old else 1] @ np.array(mixed)
    comparison = compare_takes(Held(takes[0]), Held(takes[1]))
    (said,) = [one for one in chain_findings(comparison, Evening()) if one.kind == "crosstalk-chain"]
    assert (said.facts["way"], said.channel) == (way, channel)
    assert said.facts["leak_db"] == pytest.approx(20 * np.log10(0.05), abs=1.0)
    assert said.severity == ("note" if way == "less" else "look")


def test_the_object_has_every_third_with_what_could_have_been_detected(pair: Comparison) -> None:
    values = comparison_object(pair, [], "old", "new")
    assert [row["part"] for row in values["level"]] == ["all", *THIRDS]
    for table in (values["noise"]["groove"], values["noise"]["hum"], values["crosstalk"]):
        assert [row["part"] for row in table["parts"]] == list(THIRDS)
    leaks = values["crosstalk"]["parts"][1]
    assert leaks["left_to_right_db"] > leaks["left_to_right_detectable_db"] > -45.0
    assert leaks["left_to_right_is_more"] is True
    assert leaks["right_to_left_db"] < leaks["right_to_left_detectable_db"]
    inner = values["noise"]["groove"]["parts"][2]
    assert inner["left_db"] > inner["left_detectable_db"] > 0.0
    for row in values["level"]:
        assert abs(row["left_db"]) < 0.15
        assert row["left_detectable_db"] >= 0.1
    bands = [row for row in values["bands"] if row["left_db"] is not None]
    assert bands
    assert all(row["detectable_db"] >= row["left_detectable_db"] for row in bands)


def test_a_third_without_room_says_so_with_null() -> None:
    """Where a third holds no rest, its surface noise is not known: no change, and nothing that could have been detected."""
    audio = [with_groove(play(seed).audio, seed) for seed in (1, 23)]
    # from the second rest to the third the rest is filled with what comes before it
    for one in audio:
        rest = slice((LEAD_S + 21) * RATE - RATE // 2, (LEAD_S + 22) * RATE + RATE // 2)
        one[rest] = one[(LEAD_S + 16) * RATE : (LEAD_S + 16) * RATE + rest.stop - rest.start]
    comparison = compare_takes(Held(audio[0]), Held(audio[1]))
    assert comparison.noise_of("groove") is not None
    row = comparison_object(comparison, [], "old", "new")["noise"]["groove"]["parts"][1]
    assert row["part"] == "middle"
    assert {row[field] for field in row if field != "part"} == {None}
