"""What the chain hisses by itself: its noise with the needle up, before it falls and after it is lifted, on each take.

Phono stage, cartridge and wires make the same noise with the needle up as under the music, and the groove adds its own: powers
add. So what is left of the surface noise when the chain's is taken off is the groove's. With a quiet chain the hiss falls far
when the needle leaves the groove, and that is enough. With one that hisses nearly as much as the groove the needle's knock parts
the two, the strongest of the low end, and the rumble goes with the needle. Where neither is so, nothing is said.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.flow.comparison.differences.bands import third_octave_centres
from sidekeep.flow.comparison.laying.reading import read_span
from sidekeep.flow.ports import Audio, AudioSource

Floats = NDArray[np.float64]

MOST_S = 40.0
"""So much of each end of a take is listened to: a hand is seldom slower."""
STEP_S = 0.25
"""A knock is over in two of these; three periods of 12 Hz fit in one."""
CLEAR_OF_KNOCK_S = 0.5
"""A needle thump and its ring are over after this long (common practice, no source)."""
LEAST_S = 1.0
"""Four steps: fewer are not known to be steady."""
KNOCK_DB = 9.0
"""A knock stands this far over what is usual on both sides of it, below 200 Hz (chosen here)."""
LOW_HZ, RUMBLE_HZ = 200.0, (8.0, 40.0)
"""Knocks are low; rumble is looked at under the mains lines, which hum with the needle up as well."""
LOWER_DB = 6.0
"""By how much the hiss falls when the needle leaves the groove, or the rumble where the hiss does not (chosen here): noise of a
groove itself moves by 1 to 3 dB over a side."""
HARDLY_DB = 0.3
"""Where the rumble has gone, the hiss must be this much lower at least: the groove's is not nothing."""
STEADY_DB = 3.0
"""Between the quieter and the louder steps with the needle up: more is a hand, a switch or a voice."""
SILENT_DBFS = -120.0
"""Below the last bit of 20: a muted input or a fade, no chain."""


@dataclass(frozen=True, kw_only=True)
class IdleNoise:
    """Mean power of the channels with the needle up, dBFS, old and new; None where the take does not hold it."""

    old_dbfs: float | None = None
    new_dbfs: float | None = None


NO_IDLE = IdleNoise()
"""Neither take holds it."""


def idle_level(
    source: AudioSource, groove_s: tuple[float, float], groove_dbfs: float, rate_hz: int, highest_hz: float
) -> float | None:
    """The hiss of the chain on one take, in the bands that surface noise is told in (500 Hz to ``highest_hz``); dBFS.

    ``groove_s``: where the groove is surely played, in seconds of this take; ``groove_dbfs`` its noise."""
    length_s = source.format.length_s
    found = []
    for start_s, stop_s, is_start in (
        (max(0.0, groove_s[0] - MOST_S), groove_s[0], True),
        (groove_s[1], min(length_s, groove_s[1] + MOST_S), False),
    ):
        if stop_s - start_s < LEAST_S + CLEAR_OF_KNOCK_S:
            continue
        audio, first_s = read_span(source, start_s, stop_s, rate_hz)
        low, high = (round((at_s - first_s) * rate_hz) for at_s in (start_s, stop_s))
        part = audio[low:high] if is_start else audio[low:high][::-1]
        level = _needle_up(part, groove_dbfs, rate_hz, highest_hz)
        if level is not None:
            found.append(level)
    return max(found) if found else None


def _needle_up(audio: Audio, groove_dbfs: float, rate_hz: int, highest_hz: float) -> float | None:
    """The hiss before the needle falls; the end of a take comes turned round."""
    low, rumble, hiss = _steps(audio, rate_hz, highest_hz)
    margin, least = round(CLEAR_OF_KNOCK_S / STEP_S), round(LEAST_S / STEP_S)
    sounds = hiss > SILENT_DBFS
    lower = sounds & (hiss < groove_dbfs - LOWER_DB)
    beside = np.convolve(~lower, np.ones(2 * margin - 1), "same") > 0.5
    if (lower & ~beside).sum() >= least:
        return _steady(hiss[lower & ~beside])
    if len(low) < 2 * (least + margin):
        return None
    knock = least + margin + int(np.argmax(low[least + margin : -margin]))
    before, after = slice(0, knock - margin + 1), slice(knock + margin, None)
    falls_db = float(np.median(rumble[after]) - np.median(rumble[before]))
    usual = max(np.median(low[before]), np.median(low[after]))
    if low[knock] < usual + KNOCK_DB or falls_db < LOWER_DB or not sounds[before].all():
        return None
    level = _steady(hiss[before])
    return level if level is not None and level < groove_dbfs - HARDLY_DB else None


def _steady(hiss: Floats) -> float | None:
    """The level of what stays the same, None where it does not."""
    spread = float(np.ptp(np.quantile(hiss, (0.1, 0.9))))
    return float(np.median(hiss)) if spread < STEADY_DB else None


def _steps(audio: Audio, rate_hz: int, highest_hz: float) -> tuple[Floats, Floats, Floats]:
    """Per step: levels (dB) below ``LOW_HZ``, of the rumble, and of the hiss, this one as the middle of shorter pieces so that a
    tick does not move it."""
    size = round(STEP_S * rate_hz)
    count = len(audio) // size
    cut = audio[: count * size].reshape(count, size, -1)
    window = np.hanning(size)[np.newaxis, :, np.newaxis]
    hz = np.fft.rfftfreq(size, 1.0 / rate_hz)
    power = np.square(np.abs(np.fft.rfft(cut * window, axis=1))).mean(axis=2)
    low = power[:, hz < LOW_HZ].sum(axis=1)
    rumble = power[:, (hz >= RUMBLE_HZ[0]) & (hz <= RUMBLE_HZ[1])].sum(axis=1)
    return _db(low), _db(rumble), _hiss(cut, rate_hz, highest_hz)


def _hiss(cut: Floats, rate_hz: int, highest_hz: float) -> Floats:
    """(steps,) dBFS in the bands of surface noise: sums of third octaves, as ``bands.frame_powers`` takes them."""
    pieces = 5
    size = cut.shape[1] // pieces
    centres = [hz for hz in third_octave_centres(500.0, min(16_000.0, 0.42 * rate_hz)) if hz <= highest_hz]
    hz = np.fft.rfftfreq(size, 1.0 / rate_hz)
    inside = (hz >= centres[0] / 10.0**0.05) & (hz < centres[-1] * 10.0**0.05)
    window = np.hanning(size)
    scale = 2.0 / (size * np.square(window).sum())
    short = cut[:, : pieces * size].reshape(len(cut), pieces, size, -1)
    spectra = np.fft.rfft(short * window[np.newaxis, np.newaxis, :, np.newaxis], axis=2)[:, :, inside]
    power = scale * (np.square(spectra.real) + np.square(spectra.imag)).sum(axis=2)
    return _db(np.median(power, axis=1).mean(axis=1))


def _db(power: Floats) -> Floats:
    return 10.0 * np.log10(np.maximum(power, 1e-20))
