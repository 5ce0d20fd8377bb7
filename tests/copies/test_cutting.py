"""Cutting at another rate: blocks equal the whole, tracks adjoin, CD cuts fall on CD frames."""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from sidekeep.copies.tracks.cutting import SideAudio, SideCutter, runs, side_cuts
from sidekeep.dsp.output.resample import resample
from sidekeep.errors import ParameterError


def side(spans: Sequence[tuple[int, int]], rate_hz: int = 96_000) -> SideAudio:
    return SideAudio(side="A", rate_hz=rate_hz, channels=2, spans=tuple(spans), source_key="k")


def cut(
    audio: NDArray[np.float64], spans: SideAudio, rate_hz: int, block: int, for_cd: bool = False
) -> list[NDArray[np.float64]]:
    cutter = SideCutter(spans, rate_hz, for_cd=for_cd)
    pieces: list[list[NDArray[np.float64]]] = [[np.zeros((0, 2))] for _ in spans.spans]
    for track, (start, stop) in enumerate(spans.spans):
        for at in range(start, stop, block):
            for out, frames in cutter.process(track, audio[at : min(stop, at + block)]):
                pieces[out].append(frames)
    for out, frames in cutter.flush():
        pieces[out].append(frames)
    return [np.concatenate(each) for each in pieces]


@settings(max_examples=25, deadline=None)
@given(
    lengths=st.lists(st.integers(9_600, 30_000), min_size=1, max_size=4),
    gaps=st.lists(st.sampled_from([0, 0, 1, 777]), min_size=4, max_size=4),
    block=st.integers(1_000, 40_000),
    rate_hz=st.sampled_from([44_100, 48_000, 96_000]),
)
def test_blocks_of_any_size_give_the_whole_run_cut_once(
    lengths: list[int], gaps: list[int], block: int, rate_hz: int
) -> None:
    spans, at = [], 100
    for length, gap in zip(lengths, gaps, strict=False):
        spans.append((at, at + length))
        at += length + gap
    audio = np.random.default_rng(1).standard_normal((at + 10, 2)) * 0.1
    tracks = cut(audio, side(spans), rate_hz, block)
    assert [len(track) for track in tracks] == [b - a for a, b in side_cuts(side(spans), rate_hz)]
    for run in runs(tuple(spans)):
        whole = resample(audio[spans[run[0]][0] : spans[run[-1]][1]], rate_hz=96_000, new_rate_hz=rate_hz)
        np.testing.assert_array_equal(np.concatenate([tracks[index] for index in run]), whole)


def test_cuts_are_rounded_once_and_adjoin() -> None:
    spans = side([(10, 96_011), (96_011, 192_022), (192_022, 300_000)])
    cuts = side_cuts(spans, 44_100)
    # 96001 and 192012 frames of 96 kHz are 44100.459 and 88205.5125 of 44.1 kHz.
    assert [start for start, _ in cuts] == [0, 44_100, 88_206]
    assert all(a[1] == b[0] for a, b in itertools.pairwise(cuts))


def test_cd_cuts_are_never_late_and_fill_the_last_frame() -> None:
    spans = side([(0, 441_587), (441_587, 882_000)], rate_hz=44_100)
    (first, second) = side_cuts(spans, 44_100, for_cd=True)
    assert first == (0, 751 * 588 - 588)
    assert second == (441_000, 882_000)
    tracks = cut(np.ones((882_000, 2)), spans, 44_100, 65_536, for_cd=True)
    assert [len(track) for track in tracks] == [441_000, 441_000]
    odd = side([(0, 441_001)], rate_hz=44_100)
    (track,) = cut(np.ones((441_001, 2)), odd, 44_100, 65_536, for_cd=True)
    assert len(track) == 751 * 588
    assert track[441_000, 0] == 1.0
    assert not track[441_001:].any()


@pytest.mark.parametrize(
    ("spans", "message"),
    [
        ((), "no tracks"),
        (((0, 100_000), (50_000, 200_000)), "out of order"),
        (((100, 100),), "empty"),
        (((0, 9_599),), "shorter than 0.1 s"),
    ],
)
def test_impossible_spans_are_refused(spans: tuple[tuple[int, int], ...], message: str) -> None:
    with pytest.raises(ParameterError, match=message):
        side(spans)
