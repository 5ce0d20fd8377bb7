"""What a person may wish of a kind's form: ``lossless=16,48000`` (bits, rate), ``portable=good``, ``aac=192`` (bit rate).

Bit rates have three names, which mean for every kind what is usual for it: ``small`` is for little room, ``good`` is hard to
tell from the record, ``best`` is the most the kind has to give, and the default.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sidekeep.copies.kinds.table import KINDS, Kind
from sidekeep.errors import ParameterError

BIT_RATES: dict[str, dict[str, int]] = {
    "mp3-320": {"small": 192, "good": 256, "best": 320},
    "mp3-variable": {"small": 165, "good": 190, "best": 245},
    "aac": {"small": 128, "good": 192, "best": 256},
    "opus": {"small": 96, "good": 128, "best": 192},
}
"""Kilobits a second of stereo; those of variable MP3 are what music comes to."""

_ALLOWED: dict[str, tuple[int, ...]] = {
    # ISO/IEC 11172-3, table of bit rates of layer III, from where stereo is worth it.
    "mp3-320": (96, 112, 128, 160, 192, 224, 256, 320),
    "mp3-variable": (165, 190, 245),
    "aac": tuple(range(64, 321)),
    "opus": tuple(range(48, 451)),
}


@dataclass(frozen=True, kw_only=True)
class Form:
    """The wish for one kind; 0 is what the kind has of itself."""

    bits: int = 0
    rate_hz: int = 0
    kbit_per_s: int = 0


def read_forms(wishes: Sequence[str]) -> dict[str, Form]:
    """Forms by kind; of two wishes for one kind the last counts. Raises ``ParameterError`` in one line."""
    return dict(_read(wish) for wish in wishes)


def _read(wish: str) -> tuple[str, Form]:
    name, equals, rest = (part.strip() for part in wish.partition("="))
    words = [word.strip().lower() for word in rest.split(",")]
    if not equals or not all(words):
        raise ParameterError("form-unreadable", form=wish)
    kind = KINDS.get(name)
    if kind is None:
        raise ParameterError("form-of-no-kind", kind=name, known=KINDS)
    if kind.is_lossy:
        return name, Form(kbit_per_s=_kbit_per_s(kind, words))
    if kind.scope in ("cd", "master"):
        raise ParameterError("form-of-fixed-kind", kind=name, form=wish)
    return name, _exact(kind, words)


def _kbit_per_s(kind: Kind, words: list[str]) -> int:
    names, allowed = BIT_RATES[kind.codec], _ALLOWED[kind.codec]
    word = words[0]
    if len(words) == 1 and word in names:
        return names[word]
    if len(words) == 1 and word.isascii() and word.isdigit() and int(word) in allowed:
        return int(word)
    numbers = f"{allowed[0]} to {allowed[-1]}" if len(allowed) > 20 else ", ".join(map(str, allowed))
    raise ParameterError("bit-rate-word", given=", ".join(words), kind=kind.name, numbers=numbers)


def _exact(kind: Kind, words: list[str]) -> Form:
    bits = rate_hz = 0
    for word in words:
        number = int(word) if word.isascii() and word.isdigit() and len(word) < 8 else -1
        if number in (16, 24):
            bits = number
        elif 8_000 <= number <= 384_000:
            rate_hz = number
        else:
            raise ParameterError("form-word", given=word, kind=kind.name)
    return Form(bits=bits, rate_hz=rate_hz)
