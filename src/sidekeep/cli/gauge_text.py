"""The gauge on a terminal: two bars, a few numbers, one sentence."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

from sidekeep.flow.gauge import GaugeReading
from sidekeep.units import MINIMUM_DB

_WIDTH = 48
_BOTTOM_DBFS = -60.0
_NEEDLE = {"up": "needle up", "down": "playing", "run-out": "run-out"}


@contextmanager
def live_panel(*, quiet: bool = False) -> Iterator[Callable[[Any], None]]:
    """Shows one panel in place on a terminal; elsewhere says nothing."""
    if quiet or not sys.stdout.isatty():
        yield lambda panel: None
        return
    from rich.live import Live

    with Live(refresh_per_second=8, transient=True) as live:
        yield live.update


def reading_object(reading: GaugeReading) -> dict[str, Any]:
    """A reading for machines: numbers to a thousandth."""

    def short(value: Any) -> Any:
        if isinstance(value, tuple):
            return [short(item) for item in value]
        return round(value, 6 if abs(value) < 0.1 else 3) if isinstance(value, float) else value

    return {name: short(value) for name, value in vars(reading).items()}


def level_bar(peak_dbfs: float, held_dbfs: float) -> str:
    """A bar from -60 to 0 dBFS with a tick where the peak is held."""

    def place(level_dbfs: float) -> int:
        share = (level_dbfs - _BOTTOM_DBFS) / -_BOTTOM_DBFS
        return min(_WIDTH - 1, max(0, round(share * (_WIDTH - 1))))

    cells = ["─"] * _WIDTH
    for index in range(place(peak_dbfs) + 1 if peak_dbfs > _BOTTOM_DBFS else 0):
        cells[index] = "━"
    if held_dbfs > _BOTTOM_DBFS:
        cells[place(held_dbfs)] = "╋"
    return "".join(cells)


def _db(value: float, unit: str) -> str:
    return f"{value:6.1f} {unit}" if value > MINIMUM_DB + 1.0 else f"     - {unit}"


def gauge_panel(reading: GaugeReading, input_name: str, rate_hz: int, bits: int) -> Any:
    """The whole gauge as text for rich."""
    from rich.text import Text

    names = ("L", "R") if len(reading.peak_dbfs) == 2 else ("M",)
    lines = [f"{input_name}, {rate_hz / 1000:g} kHz, {bits} bit    {_NEEDLE[reading.needle]}"]
    for name, peak, held in zip(names, reading.peak_dbfs, reading.held_dbfs, strict=False):
        lines.append(f"{name} {level_bar(peak, held)} {_db(held, 'dBFS')}")
    facts = [
        f"highest {reading.highest_dbfs:.1f} dBFS"
        if reading.highest_dbfs > MINIMUM_DB
        else "nothing heard yet",
        f"true peak {reading.true_peak_dbtp:.1f} dBTP" if reading.true_peak_dbtp > MINIMUM_DB else "",
        f"loudness {reading.momentary_lufs:.1f} LUFS" if reading.momentary_lufs > MINIMUM_DB else "",
        f"balance {reading.balance_db:+.1f} dB"
        if len(names) == 2 and reading.highest_dbfs > MINIMUM_DB
        else "",
        f"likeness {reading.likeness:+.2f}" if len(names) == 2 and reading.likeness else "",
    ]
    lines.append("   ".join(fact for fact in facts if fact))
    chain = [
        f"chain noise {reading.noise_dbfs:.1f} dBFS" if reading.noise_dbfs > MINIMUM_DB else "",
        f"hum {reading.hum_hz:.2f} Hz at {reading.hum_dbfs:.0f} dBFS" if reading.hum_hz else "",
        f"side may reach {reading.forecast_dbfs:.1f} ±{reading.forecast_sd_db:.1f} dBFS"
        if reading.forecast_dbfs > MINIMUM_DB
        else "",
        f"{reading.clipped_frames} frames clipped" if reading.clipped_frames else "",
    ]
    lines.append("   ".join(fact for fact in chain if fact))
    lines.append(reading.advice)
    return Text("\n".join(lines))
