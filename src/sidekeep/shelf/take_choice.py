"""Which take of a side copies are made from: the one a person named, else the newest that is whole."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from sidekeep.model.finding import Fact, Finding, Severity
from sidekeep.shelf.shelf_take import ShelfTake

_WHOLE = 0.8
"""A take shorter than this share of the longest of its side is a piece of it (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class ChosenTakes:
    """``takes`` in order of their sides; ``owners``: for every side the folder of the take it is made from, since a take
    may hold several. ``doubts`` tell what a person should know of the choice."""

    takes: tuple[ShelfTake, ...]
    owners: Mapping[str, str]
    doubts: tuple[Finding, ...] = ()


def choose_takes(takes: Sequence[ShelfTake], use: Mapping[str, int]) -> ChosenTakes:
    """The take a person named under ``[use]``; else the newest, but never one much shorter than an earlier one. A choice
    between several takes that nobody made is told."""
    owners: dict[str, ShelfTake] = {}
    doubts: list[Finding] = []
    for letter in sorted({letter for take in takes for letter in take.side}):
        those = _in_order([take for take in takes if letter in take.side])
        named = _named(those, letter, use)
        owners[letter] = named or _newest_whole(those)
        if named is None:
            doubts += _doubts_of(letter, those, owners[letter], use.get(letter))
    used = {take.folder: take for take in owners.values()}
    return ChosenTakes(
        takes=tuple(sorted(used.values(), key=lambda take: (take.side, take.number))),
        owners={letter: take.folder for letter, take in owners.items()},
        doubts=tuple(doubts),
    )


def _named(those: Sequence[ShelfTake], letter: str, use: Mapping[str, int]) -> ShelfTake | None:
    """The take that a person named for the side, or for all sides it holds; of several the one of this side alone, the newest."""
    named = [take for take in those if take.number in (use.get(letter), use.get(take.side))]
    exact = [take for take in named if take.side == letter]
    return next(reversed(exact or named), None)


def _newest_whole(those: Sequence[ShelfTake]) -> ShelfTake:
    longest_s = max(take.length_s / len(take.side) for take in those)
    return next((take for take in reversed(those) if take.length_s >= _WHOLE * longest_s), those[-1])


def _doubts_of(
    letter: str, those: Sequence[ShelfTake], chosen: ShelfTake, wanted: int | None
) -> list[Finding]:
    """What should be known of a take that nobody named; ``wanted`` is the number of one that is not there."""
    newest, name = those[-1], chosen.folder_name
    if wanted is not None:
        return [_doubt("take-not-there", "act", side=letter, wanted=wanted, take=name)]
    if chosen is not newest:
        newer: dict[str, Fact] = {
            "newest": newest.folder_name,
            "newest_s": newest.length_s,
            "take_s": chosen.length_s,
        }
        return [_doubt("take-chosen", "look", side=letter, take=name, **newer)]
    if len({take.side for take in those}) > 1:
        others = tuple(take.folder_name for take in those if take is not chosen)
        return [_doubt("take-chosen", "look", side=letter, take=name, others=others)]
    return []


def _in_order(takes: Sequence[ShelfTake]) -> list[ShelfTake]:
    """The oldest first. Of one row of numbers the higher is the newer, whatever a clock that was set back says; the dates speak
    between rows (``A`` and ``AB``), each at least as late as those before it in its own."""
    at: dict[str, str] = {}
    latest: dict[str, str] = {}
    for take in sorted(takes, key=lambda take: take.number):
        row = take.folder_name.rpartition("-")[0]
        at[take.folder] = latest[row] = max(latest.get(row, ""), take.taken_utc)
    return sorted(takes, key=lambda take: (at[take.folder], take.number))


def _doubt(kind: str, severity: Severity, **facts: Fact) -> Finding:
    return Finding(kind=kind, start_frame=0, stop_frame=0, severity=severity, facts=facts)
