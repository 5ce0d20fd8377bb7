"""Seconds and frames, decibels and gains: the only place that rounds.

Conventions: a *frame* is one moment across all channels; positions are integer frames at the
take's own rate, half-open ``[start_frame, stop_frame)``. Seconds are float64 and live at the edges
only. Full scale is +-1.0. ``rms_dbfs`` is plain ``20 log10(rms)``: a full-scale sine reads -3.01.
"""

from __future__ import annotations

import math

LP_RPM, SINGLE_RPM = 100.0 / 3.0, 45.0
"""Turns a minute of long-playing records and of singles (IEC 60098, from memory)."""
SHELLAC_RPM = (71.29, 76.59, 6000.0 / 77.0, 3600.0 / 46.0, 80.0)
"""Of "78s", which had no one speed: those that ID3v2.4 lists for turntables (frames, 4.2.3, TMED), and what a geared motor gave
on mains of 50 Hz (77.92; 78.26 is the same on 60 Hz; from memory)."""
NARROW_SPACE = "\u202f"
MINIMUM_DB = -200.0
"""What silence reads, so that reports and JSON never hold minus infinity."""


def seconds_to_frames(time_s: float, rate_hz: int) -> int:
    """Nearest frame to a time; ties go up, as the browser's ``Math.round`` does."""
    return math.floor(time_s * rate_hz + 0.5)


def frames_to_seconds(frame: int, rate_hz: int) -> float:
    """The time of a frame."""
    return frame / rate_hz


def db_to_gain(gain_db: float) -> float:
    """Linear amplitude factor of a level difference."""
    return 10.0 ** (gain_db / 20.0)


def gain_to_db(gain: float) -> float:
    """Level of a linear amplitude; zero and below read ``MINIMUM_DB``."""
    return max(MINIMUM_DB, 20.0 * math.log10(gain)) if gain > 0.0 else MINIMUM_DB


def power_to_db(power: float) -> float:
    """Level of a mean square; zero and below read ``MINIMUM_DB``."""
    return max(MINIMUM_DB, 10.0 * math.log10(power)) if power > 0.0 else MINIMUM_DB


def clock_text(time_s: float, decimals: int = 0) -> str:
    """``75.3`` as ``1:15`` (or ``1:15.3``); hours appear when needed."""
    scale = 10**decimals
    ticks = math.floor(abs(time_s) * scale + 0.5)
    whole, part = divmod(ticks, scale)
    minutes, seconds = divmod(whole, 60)
    hours, minutes = divmod(minutes, 60)
    text = f"{hours}:{minutes:02d}:{seconds:02d}" if hours else f"{minutes}:{seconds:02d}"
    if decimals:
        text += f".{part:0{decimals}d}"
    return "-" + text if time_s < 0 and ticks else text


def whole_number(number: int) -> str:
    """Digits in threes from the right, a narrow space that does not break between them (ISO 80000-1, 7.3.1): ``12 345``. For what
    is counted; years, rates and frame numbers keep their digits together."""
    return f"{number:,}".replace(",", NARROW_SPACE)


def count(number: int, one: str, many: str = "") -> str:
    """``1 place``, ``3 places``."""
    return f"{whole_number(number)} {one if number == 1 else many or one + 's'}"
