"""The gauge on a terminal: two bars, a few numbers, one sentence."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sidekeep.cli.terminal.screen import Screenful, bar_lines, level_text
from sidekeep.cli.texts.news import advice_text
from sidekeep.flow.needle.gauge import GaugeReading
from sidekeep.model.news import News
from sidekeep.units import MINIMUM_DB

_NEEDLE = {"up": "needle up", "down": "playing", "run-out": "run-out"}


def reading_object(reading: GaugeReading) -> dict[str, Any]:
    """A reading for ``--json``: numbers to a thousandth; the advice as a sentence, as its code and its facts."""

    def short(value: Any) -> Any:
        if isinstance(value, News):
            return advice_text(value)
        if isinstance(value, tuple):
            return [short(item) for item in value]
        return round(value, 6 if abs(value) < 0.1 else 3) if isinstance(value, float) else value

    found = {name: short(value) for name, value in vars(reading).items()}
    advice = {"advice_code": reading.advice.code, "advice_facts": dict(reading.advice.facts)}
    # The name it had first: no field is ever renamed (docs/json.md).
    return {**found, "likeness": found["correlation"], **advice}


def gauge_page(
    reading: GaugeReading, head: tuple[str, int, int], notes: Sequence[str], width: int
) -> Screenful:
    """The whole gauge; ``head`` is the input's name, rate and bits, ``notes`` are what was said of it."""
    input_name, rate_hz, bits = head
    lines = [f"{input_name}, {rate_hz / 1000:g} kHz, {bits} bits    {_NEEDLE[reading.needle]}"]
    lines += bar_lines(reading.peak_dbfs, reading.held_dbfs, width)
    heard = reading.highest_dbfs > MINIMUM_DB
    stereo = len(reading.peak_dbfs) == 2
    facts = [
        f"highest {level_text(reading.highest_dbfs)}" if heard else "nothing heard yet",
        f"true peak {level_text(reading.true_peak_dbtp, 'dBTP')}"
        if reading.true_peak_dbtp > MINIMUM_DB
        else "",
        f"loudness {reading.momentary_lufs:.1f} LUFS" if reading.momentary_lufs > MINIMUM_DB else "",
        f"balance {reading.balance_db:+.1f} dB" if stereo and heard else "",
        f"correlation {reading.correlation:+.2f}" if stereo and reading.correlation else "",
    ]
    chain = [
        f"chain noise {level_text(reading.noise_dbfs)}" if reading.noise_dbfs > MINIMUM_DB else "",
        f"hum {reading.hum_hz:.2f} Hz at {reading.hum_dbfs:.0f} dBFS" if reading.hum_hz else "",
        forecast_text(reading) if reading.forecast_dbfs > MINIMUM_DB else "",
        f"{reading.clipped_frames} frames clipped" if reading.clipped_frames else "",
    ]
    for row in (facts, chain):
        if any(row):
            lines.append("   ".join(fact for fact in row if fact))
    # The advice is what the gauge is for: it stays on the smallest screen.
    return Screenful([lines[0], advice_text(reading.advice), *lines[1:]], notes)


def forecast_text(reading: GaugeReading) -> str:
    """The forecast of the whole side; nothing is louder than full scale."""
    if reading.forecast_dbfs >= 0.0:
        return "side may reach full scale"
    return f"side may reach {reading.forecast_dbfs:.1f} ±{reading.forecast_sd_db:.1f} dBFS"
