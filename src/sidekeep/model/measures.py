"""What the survey measured over a whole take. Units are in the names (units.py has the conventions)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, kw_only=True)
class Level:
    """Peaks, loudness (BS.1770-5, EBU Tech 3342), offset and balance. ``dc`` is linear per channel;
    ``balance_db`` is left minus right rms over the music."""

    sample_peak_dbfs: float
    true_peak_dbtp: float
    integrated_lufs: float
    range_lu: float
    clipped_frames: int
    dc: tuple[float, ...]
    balance_db: float


@dataclass(frozen=True, kw_only=True)
class Noise:
    """``groove_dbfs``: rms of groove without music. ``hum_hz``: mains frequency found, 0 if none.
    ``rumble_dbfs``: rms below 60 Hz of groove without music."""

    groove_dbfs: float
    hum_hz: float
    hum_dbfs: float
    rumble_dbfs: float


@dataclass(frozen=True, kw_only=True)
class Clicks:
    """Counts over the parts with the needle down."""

    count: int
    per_min: float
    share_of_samples: float


@dataclass(frozen=True, kw_only=True)
class Turn:
    """The rotation of the player. ``source`` says what it was read from."""

    rpm: float
    period_s: float
    sd_ppm: float
    source: Literal["clicks", "sway", "none"]
