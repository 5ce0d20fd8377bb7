"""A two-sided record of half a minute a side, pressed once and shared by the tests of the whole job.

Music of our own: chords of plucked partials over a bass, loud enough to stand clear of the groove.
"""

from __future__ import annotations

import functools
import pickle
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from sidekeep.press.disc.settings import used_lp
from sidekeep.press.disc.side import Piece, Pressed, press_side
from tests.shared import made_once

RATE_HZ = 44_100
TRACK_S = 8.0
RINGS_S = 8.0
"""A chord is 200 dB down by then."""
SLEEVE = """Vesna Or Nobody - Small Hours (1987)

Side A
A1 Dew on the Crates 0:08
A2 Second Sight 0:08
Side B
B1 Third Rail 0:08
B2 Fourth Wall 0:08
"""
SETTINGS = used_lp(
    dust_per_min=60.0,
    scratches=1,
    scratch_turns=(4, 6),
    pops_per_min=6.0,
    thumps=0,
    needle_down_lead_s=2.0,
    lead_in_s=3.0,
    gap_s=2.0,
    run_out_turns=3,
    needle_up_tail_s=2.0,
)


def play(root_hz: float, seconds: float = TRACK_S, rate_hz: int = RATE_HZ) -> NDArray[np.float64]:
    """Two chords a second of decaying partials, left and right a little apart; ends with a fade. The caller's own array."""
    return _played(root_hz, seconds, rate_hz).copy()


@cache
def _played(root_hz: float, seconds: float, rate_hz: int) -> NDArray[np.float64]:
    rng = np.random.default_rng(round(root_hz * 10))
    count = round(seconds * rate_hz)
    audio = np.zeros((2, count))
    ringing = functools.partial(_partials, root_hz, min(count, round(RINGS_S * rate_hz)), rate_hz)
    rung: dict[int, NDArray[np.float64]] = {}
    for beat in np.arange(0.0, seconds - 0.2, 0.5):
        first = int(np.ceil(beat * rate_hz))
        stop = min(count, first + round(RINGS_S * rate_hz))
        for step in rng.choice((0, 3, 5, 7, 10, 12, 15), 3, replace=False):
            if step not in rung:
                rung[step] = ringing(step)
            shares = rng.uniform(0.4, 1.0, (6, 2)).T / np.arange(1, 7) ** 1.3
            audio[:, first:stop] += shares @ rung[step][:, : stop - first]
    fade = round(0.3 * rate_hz)
    audio[:, -fade:] *= np.linspace(1.0, 0.0, fade)
    return np.ascontiguousarray(audio.T * (0.5 / np.abs(audio).max()))


def _partials(root_hz: float, count: int, rate_hz: int, step: int) -> NDArray[np.float64]:
    """Six partials of a plucked note, some semitones above the root: (6, frames) from the beat on."""
    since = np.arange(count) / rate_hz
    turning = np.exp(2j * np.pi * root_hz * 2.0 ** (step / 12.0) * since)
    plucked = np.minimum(since / 0.004, 1.0) * np.exp(-3.0 * since)
    turned = turning.copy()
    partials = np.empty((6, count))
    for partial in partials:
        np.multiply(turned.imag, plucked, out=partial)
        turned *= turning
    return partials


@dataclass(frozen=True)
class SmallRecord:
    """Both sides with their truth."""

    a: Pressed
    b: Pressed

    def write(self, folder: Path, form: str = "two") -> tuple[list[Path], Path]:
        """Recordings and sleeve: ``two`` files, ``one`` with both sides, or ``pieces`` (A in two, then B)."""
        both = [self.a.audio, self.b.audio]
        if form == "one":
            pause = np.random.default_rng(9).normal(0.0, 10.0 ** (-86 / 20), (RATE_HZ, 2))
            parts = {"both.wav": np.concatenate([both[0], pause, both[1]])}
        elif form == "pieces":
            cut = len(both[0]) // 2 + 1234
            parts = {"first.wav": both[0][:cut], "second.wav": both[0][cut:], "third.wav": both[1]}
        else:
            parts = {"side-A.wav": both[0], "side-B.wav": both[1]}
        for name, audio in parts.items():
            soundfile.write(folder / name, audio, RATE_HZ, subtype="PCM_24")
        sleeve = folder / "sleeve.txt"
        sleeve.write_text(SLEEVE)
        return [folder / name for name in parts], sleeve


@cache
def small_record() -> SmallRecord:
    """Pressed at the first call, by the first worker that asks."""
    with tempfile.TemporaryDirectory() as own:
        path = made_once("small-record", lambda part: part.write_bytes(pickle.dumps(_pressed())), Path(own))
        held: SmallRecord = pickle.loads(path.read_bytes())
        return held


def _pressed() -> SmallRecord:
    sides = []
    for number, roots in enumerate(((110.0, 146.8), (130.8, 98.0))):
        pieces = [Piece(audio=play(root), title="") for root in roots]
        # Side B is the quieter one: one gain for the record must keep it so.
        settings = SETTINGS.but(peak_dbfs=-6.0 - 3.0 * number)
        sides.append(press_side(pieces, rate_hz=RATE_HZ, settings=settings, seed=11 + number))
    return SmallRecord(*sides)
