"""The spiral and the way it is played: turn, angle, radius, and where in the music the needle is.

The platter turns at the player's speed; an event fixed on the disc comes back after exactly one turn of the
platter. What eccentricity, warp and flutter change is how fast the *music* passes (geometry of an
off-centre hole: speed factor ``1 + (e/r) cos(angle)``; warp at 1-4 times per turn,
common practice, no source). Times ``t_s`` run from the moment the
needle is down. Music position is in frames of the programme, 0 where the needle comes down. Angles are in
turns.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel
from sidekeep.press.disc.settings import PressSettings

Floats = NDArray[np.float64]

KNOT_S = 0.003
"""Spacing of the speed curve: fine enough for flutter up to 60 Hz."""
RUN_OUT_RADIUS_MM = 53.2
"""Half the 106.4 mm finishing groove diameter of IEC 98:1987 clause 8.9."""
SPIRAL_OUT_TURNS = 1.5
"""From the end of the music to the locked groove (IEC 98 clause 8.8: at least one turn)."""
HALF_TAPS = 32
PHASES = 1024


@dataclass(frozen=True, kw_only=True)
class Groove:
    """One playing of one side.

    ``programme_frames`` is the recorded length from needle down to the end of the music,
    ``lead_in_frames`` the part of it before the music. ``disc`` seeds what stays with the disc, ``playing``
    what is new each time.
    """

    settings: PressSettings
    rate_hz: int
    programme_frames: int
    lead_in_frames: int
    disc: tuple[int, ...]
    playing: tuple[int, ...]

    @property
    def turns_per_s(self) -> float:
        """Mean speed of the platter."""
        return self.settings.rpm / 60.0 * (1.0 + self.settings.speed_error)

    @property
    def period_s(self) -> float:
        """One turn, mean over the side."""
        return 1.0 / self.turns_per_s

    @property
    def planned_s(self) -> float:
        """The side's length if the disc ran true: where damage is placed, and the scale of the drift."""
        played_s = self.programme_frames / self.rate_hz / (1.0 + self.settings.speed_error)
        return played_s + (SPIRAL_OUT_TURNS + self.settings.run_out_turns) * self.period_s

    @cached_property
    def played_s(self) -> float:
        """When the music ends."""
        return float(self.frame_of_position(float(self.programme_frames))) / self.rate_hz

    @cached_property
    def length_s(self) -> float:
        """How long the needle is in the groove, run-out and locked groove included."""
        return self.played_s + (SPIRAL_OUT_TURNS + self.settings.run_out_turns) * self.period_s

    def turn_at(self, t_s: Floats | float) -> Floats:
        """Turns since needle down."""
        t_s, drift = np.asarray(t_s, dtype=np.float64), self.settings.speed_drift
        turns: Floats = self.turns_per_s * (
            (1.0 - drift / 2.0) * t_s + drift * t_s**2 / (2.0 * self.planned_s)
        )
        return turns

    def time_of_turn(self, turn: Floats) -> Floats:
        """Inverse of ``turn_at``."""
        drift = self.settings.speed_drift
        plain = turn / self.turns_per_s
        a, b = drift / (2.0 * self.planned_s), 1.0 - drift / 2.0
        time_s: Floats = 2.0 * plain / (b + np.sqrt(b * b + 4.0 * a * plain))
        return time_s

    def radius_at(self, t_s: Floats) -> Floats:
        """Radius in mm: outside during the lead-in, linear through the music, then the finishing groove."""
        s, rate = self.settings, self.rate_hz * (1.0 + self.settings.speed_error)
        start_s, stop_s = self.lead_in_frames / rate, self.programme_frames / rate
        finish_mm = min(RUN_OUT_RADIUS_MM, s.end_radius_mm)
        times_s = [start_s, stop_s, stop_s + SPIRAL_OUT_TURNS * self.period_s]
        return np.interp(t_s, times_s, [s.start_radius_mm, s.end_radius_mm, finish_mm])

    @property
    def pitch_mm(self) -> float:
        """Groove spacing, held to what a cutter would use even when the side is short."""
        played_s = (self.programme_frames - self.lead_in_frames) / self.rate_hz
        turns = max(1.0, played_s * self.turns_per_s)
        return min(0.3, (self.settings.start_radius_mm - self.settings.end_radius_mm) / turns)

    def groove_speed_m_s(self, t_s: Floats) -> Floats:
        """How fast the wall passes the needle."""
        return 2.0 * np.pi * self.radius_at(t_s) * 1e-3 * self.turns_per_s

    @cached_property
    def knot_frames(self) -> int:
        """Take frames between the knots of the speed curve."""
        return max(1, round(KNOT_S * self.rate_hz))

    @cached_property
    def speed(self) -> Floats:
        """Music frames per take frame at each knot: player speed, drift, eccentricity, warp, flutter."""
        s = self.settings
        rng = np.random.default_rng((*self.disc, 11))
        count = int(np.ceil((self.planned_s * 1.02 + 1.0) * self.rate_hz / self.knot_frames)) + 4
        t_s = np.arange(count, dtype=np.float64) * (self.knot_frames / self.rate_hz)
        angle = 2.0 * np.pi * self.turn_at(t_s)
        phases = rng.uniform(0.0, 2.0 * np.pi, 5)
        wow = s.eccentricity_mm / self.radius_at(t_s) * np.cos(angle + phases[0])
        for harmonic, size in enumerate((1.0, 0.6, 0.4, 0.2), start=1):
            wow += s.warp * size * np.cos(harmonic * angle + phases[harmonic])
        if s.flutter > 0.0:
            shake = np.random.default_rng((*self.playing, 12))
            wow += s.flutter * flutter_noise(shake, count, self.knot_frames / self.rate_hz)
        drift = s.speed_drift * (t_s / self.planned_s - 0.5)
        return (1.0 + s.speed_error) * (1.0 + drift) * (1.0 + wow)

    @cached_property
    def position(self) -> Floats:
        """Music position, in programme frames, at each knot (trapezoid rule over ``speed``)."""
        steps = 0.5 * (self.speed[1:] + self.speed[:-1]) * self.knot_frames
        return np.concatenate([[0.0], np.cumsum(steps)])

    def frame_of_position(self, position: Floats | float) -> Floats:
        """Take frame, counted from needle down, at which a music position is played."""
        knots = np.arange(len(self.position)) * float(self.knot_frames)
        return np.interp(position, self.position, knots)


def flutter_noise(rng: np.random.Generator, count: int, step_s: float) -> Floats:
    """Unit-rms noise between 6 and 60 Hz."""
    from scipy.signal import butter, sosfilt

    nyquist_hz = 0.5 / step_s
    band = butter(2, [6.0, min(60.0, 0.9 * nyquist_hz)], btype="bandpass", fs=1.0 / step_s, output="sos")
    noise = sosfilt(band, rng.standard_normal(count))
    return noise / max(1e-12, float(np.std(noise)))


def sinc_table() -> Floats:
    """(PHASES + 1, 2 HALF_TAPS) windowed-sinc taps (Kaiser, beta 8), flat to 0.85 of Nyquist."""
    offsets = np.arange(-HALF_TAPS + 1, HALF_TAPS + 1)
    distance = offsets[np.newaxis, :] - np.linspace(0.0, 1.0, PHASES + 1)[:, np.newaxis]
    inside = np.clip(1.0 - (distance / HALF_TAPS) ** 2, 0.0, None)
    cutoff = 0.97
    taps = cutoff * np.sinc(cutoff * distance) * np.i0(8.0 * np.sqrt(inside)) / np.i0(8.0)
    return np.ascontiguousarray(taps / taps.sum(axis=1, keepdims=True))


@kernel
def play_kernel(
    music: Floats,
    start: float,
    position: Floats,
    speed: Floats,
    knot_frames: int,
    table: Floats,
    out: Floats,
    first: int,
    stop: int,
) -> None:
    """Add ``music`` (frames, 2), which begins at programme position ``start``, to ``out[first:stop]``.

    ``out`` is indexed by take frames from needle down. Positions between knots follow the cubic through both
    knots' positions and speeds. A whole position is copied as it is.
    """
    half = table.shape[1] // 2
    phases = table.shape[0] - 1
    length = music.shape[0]
    for n in range(first, stop):
        knot = n // knot_frames
        u = (n - knot * knot_frames) / knot_frames
        p0, p1 = position[knot], position[knot + 1]
        m0, m1 = speed[knot] * knot_frames, speed[knot + 1] * knot_frames
        u2 = u * u
        u3 = u2 * u
        where = (
            (2.0 * u3 - 3.0 * u2 + 1.0) * p0
            + (u3 - 2.0 * u2 + u) * m0
            + (3.0 * u2 - 2.0 * u3) * p1
            + (u3 - u2) * m1
            - start
        )
        whole = int(np.floor(where))
        part = where - whole
        if whole < -half or whole > length + half:
            continue
        if part < 1e-7 or part > 1.0 - 1e-7:
            nearest = whole if part < 0.5 else whole + 1
            if 0 <= nearest < length:
                out[n, 0] += music[nearest, 0]
                out[n, 1] += music[nearest, 1]
            continue
        scaled = part * phases
        row = int(scaled)
        mix = scaled - row
        left = 0.0
        right = 0.0
        low = max(0, whole - half + 1)
        high = min(length, whole + half + 1)
        for i in range(low, high):
            k = i - whole + half - 1
            tap = table[row, k] + mix * (table[row + 1, k] - table[row, k])
            left += tap * music[i, 0]
            right += tap * music[i, 1]
        out[n, 0] += left
        out[n, 1] += right
