"""Three takes of one side made one: what any of them lacks is not in it, noise falls as it must, and nothing is heard of the joins."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.dsp.alignment.sinc import read_at
from sidekeep.flow.comparison.combine import CombineFacts, prepare
from tests.flow.comparison.pairs import NOISE, RATE, SHORT, Floats, Held, Take, music, play

ON_FIRST, ON_OTHERS = (4.0, 13.0), (17.0,)
RESTS = (10.2, 21.2)


@pytest.fixture(scope="module")
def takes() -> list[Take]:
    """Ticks of its own on the first take; one and the same tick on both others."""
    played = [play(11, ticks=ON_FIRST), play(12, ticks=ON_OTHERS), play(13, ticks=ON_OTHERS)]
    return [take.until(SHORT) for take in played]


@pytest.fixture(scope="module")
def combined(takes: list[Take]) -> tuple[Floats, CombineFacts]:
    combiner = prepare(Held(takes[0].audio), [Held(take.audio) for take in takes[1:]])
    return np.concatenate(list(combiner.blocks())), combiner.facts


@pytest.fixture(scope="module")
def clean() -> Floats:
    """The first take without its ticks."""
    return play(11).audio[:SHORT]


def test_a_mark_on_one_take_or_on_two_of_three_is_gone(
    takes: list[Take], combined: tuple[Floats, CombineFacts], clean: Floats
) -> None:
    """A tick is 0.12 high and the noise of a take 0.0005; even a third of a tick would stand far out."""
    mixed, facts = combined
    assert facts.replaced_frames > 0
    for frame in (*(int(at_s * RATE) for at_s in takes[0].marks_s), int(ON_OTHERS[0] * RATE)):
        around = slice(frame - 200, frame + 200)
        assert np.abs(mixed[around] - clean[around]).max() < 8.0 * NOISE


def test_noise_of_three_takes_falls_as_it_must(
    takes: list[Take], combined: tuple[Floats, CombineFacts]
) -> None:
    """Three equal independent noises averaged: 10 lg 3 = 4.77 dB less."""
    rest = np.concatenate([np.arange(int(at_s * RATE), int((at_s + 0.6) * RATE)) for at_s in RESTS])
    fall_db = 20 * np.log10(combined[0][rest].std() / takes[0].audio[rest].std())
    assert fall_db == pytest.approx(-4.77, abs=0.5)


def test_joins_are_not_heard(combined: tuple[Floats, CombineFacts], clean: Floats) -> None:
    """Where the takes change over, the sound differs from the clean first take by no more than noise does: neither its
    level round a join nor any single step from frame to frame stands out."""
    difference = combined[0] - clean
    for at_s in (*ON_FIRST, *ON_OTHERS):
        join = difference[int((at_s - 0.006) * RATE) : int((at_s + 0.006) * RATE)]
        # two noises apart at the most: the first take's own is in the difference
        assert join.std() < 1.3 * np.sqrt(2.0) * NOISE
        assert np.abs(np.diff(join, axis=0)).max() < 5.0 * 2.0 * NOISE


def test_never_worse_than_the_best_take_in_ten_seconds(
    takes: list[Take], combined: tuple[Floats, CombineFacts], clean: Floats
) -> None:
    """Error against what the groove holds: the music, and the marks that every take has."""
    marks = clean - play(11, old_ticks=False).audio[:SHORT]
    groove = read_at(music(), takes[0].position) + marks

    def rms(audio: Floats, start: int) -> float:
        return float(np.sqrt(np.mean(np.square(audio - groove)[start : start + 10 * RATE])))

    for start in range(0, len(groove) - 10 * RATE, 5 * RATE):
        best = min(rms(take.audio, start) for take in takes)
        assert rms(combined[0], start) < 0.8 * best
