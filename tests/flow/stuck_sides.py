"""Sides on which the needle jumps, pressed once and shared, and sides that only sound as if it did."""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from sidekeep.press.disc.jumping import Jump, Jumped, press_jumping
from sidekeep.press.disc.settings import PressSettings, used_lp
from sidekeep.press.disc.side import Piece, Pressed, press_side
from tests.small_record import play

Floats = NDArray[np.float64]
RATE_HZ = 44_100
LENGTHS_S = (14.0, 18.0)
SHORT = used_lp(
    scratches=1,
    scratch_turns=(4, 6),
    needle_down_lead_s=2.0,
    lead_in_s=3.0,
    gap_s=2.0,
    run_out_turns=4,
    needle_up_tail_s=2.0,
)


def pieces(rate_hz: int = RATE_HZ) -> list[Piece]:
    """Two pieces that do not repeat themselves: each bar has another root."""
    made = []
    for number, seconds in enumerate(LENGTHS_S, 1):
        bars = [
            play(110.0 * 2.0 ** ((5 * bar + 3 * number) % 12 / 12.0), 2.0, rate_hz)
            for bar in range(int(seconds / 2.0))
        ]
        made.append(Piece(np.concatenate(bars), f"No. {number}"))
    return made


@cache
def stuck(
    times: int, *, rpm: float = 100.0 / 3.0, rate_hz: int = RATE_HZ, at_s: float = 9.0, turns: int = 1
) -> Jumped:
    """The first piece sticks ``times`` at nine seconds after the needle came down."""
    jump = Jump(at_s=at_s, turns=turns, times=times)
    return press_jumping(pieces(rate_hz), [jump], rate_hz=rate_hz, settings=SHORT.but(rpm=rpm), seed=4)


def bar(period_s: float, rate_hz: int = RATE_HZ) -> Floats:
    """Strokes of noise that die away, eight in 1.8 s: something in every band, and rests between."""
    rng = np.random.default_rng(5)
    count, strokes = round(period_s * rate_hz), max(1, round(8 * period_s / 1.8))
    since = np.arange(count) % (count // strokes)
    struck: Floats = 0.2 * np.exp(-since / (0.02 * rate_hz))[:, np.newaxis] * rng.standard_normal((count, 2))
    return struck


def looped(period_s: float, settings: PressSettings, rate_hz: int = RATE_HZ, times: int = 12) -> Pressed:
    """Music that repeats after so long, sample for sample: a turn of the disc, or several."""
    loop = np.concatenate([bar(period_s, rate_hz)] * times)
    return press_side([Piece(loop, "Round"), *pieces(rate_hz)], rate_hz=rate_hz, settings=settings, seed=8)


def pasted(settings: PressSettings, rate_hz: int = RATE_HZ) -> Pressed:
    """A piece whose chorus of seven seconds, with drums, was put together of one recording: it comes again five and nine turns of a
    long-playing record later."""
    verse, other = pieces(rate_hz)
    chorus = other.audio[: 7 * rate_hz] + bar(7.0, rate_hz)
    first = verse.audio[: 2 * rate_hz]
    second = verse.audio[2 * rate_hz : round(2.0 * rate_hz) + round(9 * 1.8 * rate_hz) - len(chorus)]
    song = np.concatenate([chorus, first, chorus, second, chorus])
    return press_side([Piece(song, "Chorus"), other], rate_hz=rate_hz, settings=settings, seed=8)
