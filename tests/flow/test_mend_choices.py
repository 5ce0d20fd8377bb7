"""Repairs left and restored: chosen in milliseconds, heard at once, measured as if the whole take were measured again."""

from __future__ import annotations

import io
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from sidekeep.flow.measuring.kept_levels import KeptLevels
from sidekeep.flow.measuring.measures import PeakLoudnessMeter
from sidekeep.flow.mend_choices import left_repairs, levels_with
from sidekeep.flow.passes.survey import Survey, survey_take
from sidekeep.flow.patches import PatchReader, PatchWriter
from sidekeep.model.recipe import MendChoice, MendSettings
from sidekeep.model.repair import Repair, left_in_doubt
from sidekeep.press.disc.side import Piece, press_side
from tests.flow.memory_take import MemoryTake
from tests.small_record import RATE_HZ, SETTINGS, play


@cache
def thumping() -> tuple[MemoryTake, Survey, bytes]:
    """A side with ticks, pops and thumps, surveyed."""
    pieces = [Piece(audio=play(root), title="") for root in (110.0, 146.8)]
    pressed = press_side(pieces, rate_hz=RATE_HZ, settings=SETTINGS.but(thumps=3), seed=5)
    # 24 bits, as a card gives them
    source = MemoryTake(np.round(pressed.audio * 2.0**23) / 2.0**23, RATE_HZ)
    file = io.BytesIO()
    writer = PatchWriter(file)
    survey = survey_take(source, file="take", sides=None, mend=MendSettings(), patches=writer)
    writer.close()
    return source, survey, file.getvalue()


def reader() -> PatchReader:
    return PatchReader(io.BytesIO(thumping()[2]))


def measured(left: frozenset[int]) -> KeptLevels:
    """The long way: everything laid on and measured from the first frame."""
    source, _, _ = thumping()
    meter = PeakLoudnessMeter(rate_hz=RATE_HZ, channels=2)
    meter.process(reader().with_left(left).apply(0, source.audio))
    return KeptLevels.of(meter)


def test_the_side_holds_what_is_asked_about() -> None:
    _, survey, _ = thumping()
    assert {repair.kind for repair in survey.repairs} == {"tick", "pop", "crackle", "thump"}
    assert {repair.channel for repair in survey.repairs} == {"L", "R", "both"}
    ids = [repair.id for repair in survey.repairs]
    assert len(set(ids)) == len(ids)


@pytest.mark.parametrize("which", ["one", "thumps", "ticks", "small", "all"])
def test_levels_follow_what_is_left(which: str) -> None:
    source, survey, _ = thumping()
    mend = MendSettings(
        enabled=which != "all",
        choices={
            "one": (MendChoice(repair=max(survey.repairs, key=lambda r: r.size_db).id),),
            "thumps": (MendChoice(of_kind="thump"),),
            "ticks": (MendChoice(of_kind="tick"),),
            "small": (MendChoice(below_db=20.0),),
            "all": (),
        }[which],
    )
    left = left_repairs(survey.repairs, mend).left
    assert left
    levels = levels_with(
        source, reader(), left, mended=survey.mended, recorded=survey.recorded, repairs=len(survey.repairs)
    )
    wanted = measured(left)
    np.testing.assert_allclose(levels.peaks, wanted.peaks, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(levels.powers, wanted.powers, rtol=1e-6, atol=1e-12)
    assert not np.allclose(levels.peaks, survey.mended.peaks, rtol=1e-6)


def test_a_thump_left_under_a_mended_tick_comes_back_whole() -> None:
    """The tail of a thump lies over mended ticks: each can be left without the other."""
    source, survey, _ = thumping()
    whole = reader().apply(0, source.audio)
    thumps = [index for index, repair in enumerate(survey.repairs) if repair.kind == "thump"]
    alone = 0
    for index in thumps:
        thump = survey.repairs[index]
        inside = [
            at
            for at, repair in enumerate(survey.repairs)
            if repair.kind != "thump" and thump.start_frame <= repair.start_frame < thump.stop_frame
        ]
        without = reader().with_left({index}).apply(0, source.audio)
        neither = reader().with_left({index, *inside}).apply(0, source.audio)
        span = slice(thump.start_frame, thump.stop_frame)
        others = {at for at in range(len(survey.repairs)) if at not in {index, *inside}}
        if all(
            survey.repairs[at].stop_frame <= thump.start_frame
            or survey.repairs[at].start_frame >= thump.stop_frame
            for at in others
        ):
            alone += 1
            np.testing.assert_array_equal(neither[span], source.audio[span])
        assert not np.array_equal(without[span], whole[span])
    assert alone


REPAIRS = tuple(
    Repair(start_frame=start, stop_frame=stop, channel=channel, kind=kind, size_db=size)  # type: ignore[arg-type]
    for start, stop, channel, kind, size in (
        (100, 110, "L", "tick", 30.0),
        (100, 5000, "both", "thump", 12.0),
        (300, 320, "R", "crackle", 9.0),
        (900, 960, "both", "pop", 40.0),
    )
)


@pytest.mark.parametrize(
    ("mend", "left"),
    [
        (MendSettings(), []),
        (MendSettings(enabled=False), [0, 1, 2, 3]),
        (MendSettings(leave=(300,)), [2]),
        (MendSettings(leave=(100,)), [0, 1]),
        (MendSettings(choices=(MendChoice(repair="100L"),)), [0]),
        (MendSettings(choices=(MendChoice(repair="100Bt"),)), [1]),
        (MendSettings(choices=(MendChoice(start_frame=310, stop_frame=950),)), [2, 3]),
        (MendSettings(choices=(MendChoice(start_frame=0, stop_frame=101),)), [0, 1]),
        (MendSettings(choices=(MendChoice(of_kind="pop"), MendChoice(below_db=15.0))), [1, 2, 3]),
        (MendSettings(choices=(MendChoice(below_db=15.0, of_kind="crackle"),)), [2]),
        (MendSettings(choices=(MendChoice(start_frame=0), MendChoice(do="mend", repair="900B"))), [0, 1, 2]),
        (
            MendSettings(choices=(MendChoice(do="mend", repair="900B"), MendChoice(start_frame=0))),
            [0, 1, 2, 3],
        ),
        (MendSettings(choices=(MendChoice(take="ab12", start_frame=0),)), [0, 1, 2, 3]),
        (MendSettings(choices=(MendChoice(take="cd34", start_frame=0),)), []),
    ],
)
def test_choices(mend: MendSettings, left: list[int]) -> None:
    chosen = left_repairs(REPAIRS, mend, "ab12ffff")
    assert sorted(chosen.left) == left
    assert chosen.unmatched == ()


@pytest.mark.parametrize(
    ("mend", "left"),
    [
        (MendSettings(), [0, 2]),
        (MendSettings(leave=(900,)), [0, 2, 3]),
        (MendSettings(choices=(MendChoice(do="mend", repair="300R"),)), [0]),
        (MendSettings(choices=(MendChoice(do="mend", start_frame=0),)), []),
        (MendSettings(choices=(MendChoice(do="mend", repair="300R"), MendChoice(repair="300R"))), [0, 2]),
        (MendSettings(choices=(MendChoice(do="mend", take="cd34", repair="300R"),)), [0, 2]),
    ],
)
def test_what_is_in_doubt_is_left_until_it_is_chosen_to_be_mended(
    mend: MendSettings, left: list[int]
) -> None:
    repairs = [replace(repair, in_doubt=index in (0, 2)) for index, repair in enumerate(REPAIRS)]
    assert sorted(left_repairs(repairs, mend, "ab12ffff").left) == left
    assert sorted(left_in_doubt(repairs)) == [0, 2]


def test_what_fits_nothing_is_told() -> None:
    choices = (MendChoice(repair="77L"), MendChoice(of_kind="pop"), MendChoice(take="cd", repair="1L"))
    chosen = left_repairs(REPAIRS, MendSettings(leave=(12,), choices=choices), "ab12")
    assert chosen.unmatched == (MendChoice(start_frame=12, stop_frame=13), choices[0])
