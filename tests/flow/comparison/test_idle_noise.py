"""A noisier phono stage is told from a noisier groove by the hiss with the needle up; where no take holds it, that is said."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from scipy.signal import butter, sosfilt

from sidekeep.flow.comparison.compare import Comparison, compare_takes
from sidekeep.flow.comparison.differences.idle import idle_level
from sidekeep.flow.comparison.told.conclusions import conclusions
from sidekeep.model.finding import Finding
from sidekeep.wording.findings import finding_text
from tests.flow.comparison.pairs import NOISE, RATE, Floats, Held, play

UP_S, LEAD_S = 4.0, 2.0
QUIET_CHAIN = 3e-5


def rumble(rng: np.random.Generator, frames: int) -> Floats:
    """Of the platter: there with the needle in the groove only."""
    noise = sosfilt(butter(2, [8.0, 30.0], "band", fs=RATE, output="sos"), rng.standard_normal(frames))
    return 2e-3 * noise[:, None] / noise.std() * [1.0, -1.0]


@cache
def take(seed: int, *, chain: float = QUIET_CHAIN, groove: float = 0.0, up_s: float = UP_S) -> Floats:
    """The music of ``pairs`` between groove and needle up. ``chain``: its noise, there all the time; ``groove``: more noise of
    the groove."""
    rng = np.random.default_rng(1000 + seed)
    music = play(seed).audio
    lead, up = int(LEAD_S * RATE), int(up_s * RATE)
    played = np.concatenate(
        [NOISE * rng.standard_normal((lead, 2)), music, NOISE * rng.standard_normal((lead, 2))]
    )
    played += groove * rng.standard_normal(played.shape) + rumble(rng, len(played))
    knock = (
        0.3
        * np.exp(-np.arange(RATE // 5) / (0.04 * RATE))
        * np.sin(2 * np.pi * 15.0 * np.arange(RATE // 5) / RATE)
    )
    played[: len(knock)] += knock[:, None]
    played[-len(knock) :] += knock[:, None]
    audio = np.concatenate([np.zeros((up, 2)), played, np.zeros((up, 2))])
    return audio + chain * rng.standard_normal(audio.shape)


def noise_told(pair: Comparison) -> Finding:
    (told,) = (one for one in conclusions(pair) if one.kind in ("groove-noise", "noise-chain"))
    return told


def compared(**new: float) -> Comparison:
    return compare_takes(Held(take(1)), Held(take(21, **new)))


def test_a_hissing_phono_stage_is_the_chain() -> None:
    """Its noise is half as strong again as the groove's: with the needle up it falls by 1.6 dB only."""
    told = noise_told(compared(chain=1.5 * NOISE))
    assert told.kind == "noise-chain"
    assert told.severity == "note"
    assert told.facts["hiss"] == "all"
    assert told.facts["hiss_db"] == pytest.approx(20 * np.log10(1.5 * NOISE / QUIET_CHAIN), abs=0.5)
    assert "not this disc" in finding_text(told, RATE)


def test_a_rougher_groove_is_the_disc() -> None:
    told = noise_told(compared(groove=1.5 * NOISE))
    assert (told.kind, told.severity, told.facts["hiss"]) == ("groove-noise", "look", "none")


def test_both_are_told_apart() -> None:
    """Chain and groove bring as much power each as the groove had: with the chain taken off it has 3 dB more."""
    told = noise_told(compared(chain=NOISE, groove=NOISE))
    assert (told.kind, told.facts["hiss"]) == ("groove-noise", "part")
    assert told.facts["groove_db"] == pytest.approx(10 * np.log10(2.0), abs=0.4)


@pytest.mark.parametrize(("old_s", "new_s", "on"), [(UP_S, 0.0, "new"), (0.0, 0.0, "both")])
def test_a_take_without_a_moment_of_it_is_said(old_s: float, new_s: float, on: str) -> None:
    pair = compare_takes(Held(take(1, up_s=old_s)), Held(take(21, chain=1.5 * NOISE, up_s=new_s)))
    told = noise_told(pair)
    assert (told.facts["hiss"], told.facts["unknown_on"]) == ("unknown", on)
    assert "cannot be told" in finding_text(told, RATE)


def test_groove_that_begins_the_take_is_no_chain() -> None:
    """Ten seconds of it before the music, and a thump in them: the rumble goes on."""
    rng = np.random.default_rng(3)
    groove = NOISE * rng.standard_normal((10 * RATE, 2)) + rumble(rng, 10 * RATE)
    groove[5 * RATE : 5 * RATE + RATE // 5] += (
        0.2 * np.sin(2 * np.pi * 15.0 * np.arange(RATE // 5) / RATE)[:, None]
    )
    groove_dbfs = 20 * np.log10(NOISE)
    assert idle_level(Held(groove), (10.0, 10.0), groove_dbfs, RATE, np.inf) is None


def test_a_muted_input_is_no_chain() -> None:
    rng = np.random.default_rng(4)
    groove = NOISE * rng.standard_normal((6 * RATE, 2))
    audio = np.concatenate([np.zeros((5 * RATE, 2)), groove])
    assert idle_level(Held(audio), (8.0, 11.0), 20 * np.log10(NOISE), RATE, np.inf) is None
