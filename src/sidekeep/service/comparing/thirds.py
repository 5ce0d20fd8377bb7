"""The table of a comparison's page: every measure by third of the side and channel, each with what would have been seen."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from sidekeep.flow.comparison.compare import Comparison
from sidekeep.flow.comparison.differences.bands import THIRDS

TREBLE_HZ = 10_000.0
"""A band of the comparison that a worn tip loses first and most music still holds; the evening asks about it too."""


@dataclass(frozen=True, kw_only=True)
class Cell:
    """A change and the smallest that would have been seen, as words; empty where the music leaves no room to tell."""

    change: str = ""
    seen: str = ""
    is_clear: bool = False


@dataclass(frozen=True, kw_only=True)
class Row:
    """One measure: a cell for every third and channel, the outer third's first."""

    name: str
    unit: str
    cells: tuple[Cell, ...]

    @property
    def is_known(self) -> bool:
        """Whether any third could be told."""
        return any(cell.change for cell in self.cells)


def thirds_table(comparison: Comparison) -> list[Row]:
    """The measures of which at least one third could be told."""
    measures: tuple[tuple[str, str, Callable[[Comparison, str, int], Cell]], ...] = (
        ("Treble at 10 kHz, against the level", "dB", _treble),
        ("Level", "dB", _level),
        ("Surface noise", "dB", lambda *where: _noise("groove", *where)),
        ("Rumble", "dB", lambda *where: _noise("rumble", *where)),
        ("Hum", "dB", lambda *where: _noise("hum", *where)),
        ("Leak into the other channel", "dB", _leak),
        ("Distortion on one take only", "%", _distortion),
    )
    rows = [
        Row(
            name=name,
            unit=unit,
            cells=tuple(
                cell_of(comparison, part, channel) for part in THIRDS for channel in comparison.channels
            ),
        )
        for name, unit, cell_of in measures
    ]
    return [row for row in rows if row.is_known]


def _minus(text: str) -> str:
    """With the sign that is as wide as a plus; a change of nothing has none."""
    return text.replace("-", "−") if any(digit in text for digit in "123456789") else text.lstrip("+-")


def _cell(change: float, seen: float, form: str) -> Cell:
    if not (math.isfinite(change) and math.isfinite(seen)):
        return Cell()
    return Cell(
        change=_minus(f"{change:{form}}"), seen=f"{seen:{form.lstrip('+')}}", is_clear=abs(change) > seen
    )


def _treble(comparison: Comparison, part: str, channel: int) -> Cell:
    bands = [band for band in comparison.bands if band.part == part and band.channel == channel]
    if not bands:
        return Cell()
    band = min(bands, key=lambda one: abs(one.hz - TREBLE_HZ))
    return _cell(band.change_db - comparison.level_change_db(channel), band.detectable_db, "+.2f")


def _level(comparison: Comparison, part: str, channel: int) -> Cell:
    return _cell(
        comparison.level_change_db(channel, part), comparison.level_detectable_db(channel, part), "+.2f"
    )


def _noise(kind: str, comparison: Comparison, part: str, channel: int) -> Cell:
    change = comparison.noise_of(kind, part)
    if change is None:
        return Cell()
    return _cell(change.channels[channel].change_db, change.channels[channel].detectable_db, "+.1f")


def _leak(comparison: Comparison, part: str, channel: int) -> Cell:
    """A leak smaller than what would have been seen is none."""
    mixing = comparison.mixing_of(part)
    if mixing is None:
        return Cell()
    leak = mixing.right_to_left if channel else mixing.left_to_right
    change = f"{'more' if leak.is_more else 'less'}, {_minus(f'{leak.leak_db:.0f}')}"
    return Cell(
        change=change if leak.is_clear else "none",
        seen=_minus(f"{leak.detectable_db:.0f}"),
        is_clear=leak.is_clear,
    )


def _distortion(comparison: Comparison, part: str, channel: int) -> Cell:
    found = [one for one in comparison.distortion if one.part == part and one.channel == channel]
    return _cell(100.0 * found[0].share, 100.0 * found[0].detectable, ".1f") if found else Cell()
