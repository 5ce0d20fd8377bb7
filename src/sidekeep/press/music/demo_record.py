"""The demo record: a long-playing record from a world of its own, composed and played by rule.

Conventions: pieces are (frames, 2) float64, full scale +-1.0, at any rate from 32 kHz; ``boundary`` says
how a piece *starts*: ``gap`` after groove without music (or at the side's edge), ``segue`` straight out of
the piece before, so the two arrays join without a lost or doubled sample. The lengths printed on the
sleeve are the lengths of the arrays. Nothing is compressed or limited: one gain a piece, from its own
loudness, so that a march is loud and a lantern is not.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Literal

import numpy as np

from sidekeep.errors import ParameterError
from sidekeep.model.record import Record, Side, SleeveTrack
from sidekeep.press.music.filters import pass_band
from sidekeep.press.music.first_side import lantern, ledger, parade, soundings
from sidekeep.press.music.second_side import channel, engine, tide_mill_and_weir
from sidekeep.press.music.tone import Array
from sidekeep.units import clock_text, db_to_gain, seconds_to_frames

ARTIST = "Vessa Quillmark & the Tideclerks"
TITLE = "Charts for a Drowned Coast"
YEAR = 1974

_SEED = 1974
_CHOIR_S, _DANCE_S = 34, 32


@dataclass(frozen=True)
class _Plan:
    """A piece before it is played: printed title and length, loudness, how it starts."""

    title: str
    length_s: int
    level_db: float
    boundary: Literal["gap", "segue"] = "gap"


_SIDES: dict[str, tuple[_Plan, ...]] = {
    "A": (
        _Plan("Soundings at First Light", 38, -19.5),
        _Plan("The Ferrywoman's Ledger", 36, -20.0),
        _Plan("Saltmarket Parade", 32, -17.8),
        _Plan("Lantern Drift", 36, -27.0),
    ),
    "B": (
        _Plan("Undertow Engine", 39, -18.0),
        _Plan("Choir of the Tide Mill", _CHOIR_S, -20.0),
        _Plan("Weir and Wheel", _DANCE_S, -20.0, "segue"),
        _Plan("Leaving by the North Channel", 44, -18.0),
    ),
}


@dataclass(frozen=True)
class DemoPiece:
    """One track as it goes to the press: ``audio`` (frames, 2), its title, how it starts."""

    audio: Array
    title: str
    boundary: Literal["gap", "segue"]


def demo_sleeve_text() -> str:
    """The sleeve as printed: artist, title and year, then each side's tracks with their times."""
    lines = [f"{ARTIST} - {TITLE} ({YEAR})"]
    for side, plans in _SIDES.items():
        lines += ["", f"Side {side}"]
        lines += [
            f"{side}{number} {plan.title} {clock_text(plan.length_s)}" for number, plan in enumerate(plans, 1)
        ]
    return "\n".join(lines) + "\n"


def demo_record() -> Record:
    """The same sleeve as a ``Record``."""
    sides = tuple(
        Side(
            name=side,
            tracks=tuple(
                SleeveTrack(
                    number=number,
                    title=plan.title,
                    duration_s=float(plan.length_s),
                    position=f"{side}{number}",
                )
                for number, plan in enumerate(plans, 1)
            ),
        )
        for side, plans in _SIDES.items()
    )
    return Record(artist=ARTIST, title=TITLE, year=YEAR, sides=sides)


def demo_pieces(side: Literal["A", "B"], rate_hz: int) -> list[DemoPiece]:
    """Compose and play one side. Same rate, same samples; about 5 s of work a side at 48 kHz.

    Raises ``ParameterError`` for a side that is not on the record or a rate below 32 kHz.
    """
    return list(demo_pieces_in_turn(side, rate_hz))


def demo_pieces_in_turn(side: Literal["A", "B"], rate_hz: int) -> Iterator[DemoPiece]:
    """The same pieces one after the other: whoever wants the beginning of a side waits for no more than that."""
    if side not in _SIDES:
        raise ParameterError("demo-side", side=side)
    if rate_hz < 32_000:
        raise ParameterError("demo-rate", rate_hz=rate_hz)
    plans = _SIDES[side]
    performers: tuple[Callable[[int, np.random.Generator], Array], ...]
    if side == "A":
        performers = tuple(
            partial(_perform, piece, plan.length_s)
            for piece, plan in zip((soundings, ledger, parade, lantern), plans)
        )
    else:
        performers = (
            partial(_perform, engine, plans[0].length_s),
            lambda rate, rng: tide_mill_and_weir(rate, _CHOIR_S, _DANCE_S, rng),
            lambda rate, rng: channel(rate, plans[3].length_s, 13.0, rng),
        )
    left = list(plans)
    for index, performer in enumerate(performers):
        rng = np.random.default_rng([_SEED, ord(side), index])
        audio = _settle(performer(rate_hz, rng), left[0].level_db, rate_hz)
        parts = [audio]
        if len(left) > 1 and left[1].boundary == "segue":
            cut = seconds_to_frames(left[0].length_s, rate_hz)
            parts = [audio[:cut].copy(), audio[cut:].copy()]
        for part in parts:
            plan = left.pop(0)
            yield DemoPiece(part, plan.title, plan.boundary)


def _perform(piece: Callable[..., Array], length_s: float, rate_hz: int, rng: np.random.Generator) -> Array:
    return piece(rate_hz, length_s, rng)


def playing_level_db(audio: Array, rate_hz: int) -> float:
    """How loud a piece plays: rms in dB of its louder half, 0.4 s at a time, bass and air weighted down."""
    heard = pass_band(audio, 120.0, 9000.0, rate_hz, 1)
    window = int(0.4 * rate_hz)
    count = audio.shape[0] // window
    power = np.mean(np.sum(heard[: count * window] ** 2, axis=1).reshape(count, window), axis=1)
    return float(10.0 * np.log10(np.mean(np.sort(power)[count // 2 :]) + 1e-20))


def _settle(audio: Array, level_db: float, rate_hz: int) -> Array:
    """One gain to the wanted loudness, and edges that start and end at zero."""
    settled = audio * db_to_gain(level_db - playing_level_db(audio, rate_hz))
    edge = int(0.03 * rate_hz)
    ramp = 0.5 - 0.5 * np.cos(np.pi * np.arange(edge) / edge)
    settled[:edge] *= ramp[:, None]
    settled[-edge:] *= ramp[::-1, None]
    return settled
