"""What a player adds all along: groove noise, rumble, hum, chain noise, block by block.

Groove noise is flat to about 500 Hz and falls about 4 dB per octave above (after replay equalisation), rises
2 dB inward and breathes once per turn; rumble is a resonance near 9-16 Hz with motor lines, mostly vertical
(left and right opposed); hum is mains harmonics, odd ones stronger, whose frequency wanders by up to 0.05 Hz.
Ranges are chosen here; that rumble is mostly vertical is common practice, no source.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import kernel
from sidekeep.press.disc.groove import Groove
from sidekeep.units import db_to_gain

Floats = NDArray[np.float64]

BLOCK = 1 << 16
"""Frames; a multiple of every stretch of ``slope``."""
RUMBLE_RATE_HZ = 800.0
HUM_TABLE = 4096
INWARD_DB_PER_MM = 2.0 / 86.0
BREATH_DB = 1.0
NEEDLE_S = 0.004
"""Groove noise comes and goes this fast with the needle."""


class PlayerNoise:
    """Call ``add`` on consecutive blocks of ``BLOCK`` frames (the last may be shorter)."""

    def __init__(
        self, groove: Groove, down_frame: int, up_frame: int, seed: tuple[int, ...], mixing: Floats
    ) -> None:
        settings = groove.settings
        self.groove, self.down_frame, self.up_frame, self.seed = groove, down_frame, up_frame, seed
        self._mixing = mixing.T
        self._sections, rms = _hiss_filter(groove.rate_hz)
        self._state = np.zeros((len(self._sections), 2, 2))
        self._hiss = db_to_gain(settings.hiss_dbfs) / rms
        self._chain = db_to_gain(settings.chain_dbfs)
        self._rumble = _rumble(groove, (*seed, 41))
        self._hum = _hum_table((*seed, 42)) * db_to_gain(settings.hum_dbfs)
        self._hum_phase = float(np.random.default_rng((*seed, 43)).uniform())
        self._hum_wander_hz = 0.0
        self._breath = float(np.random.default_rng((*seed, 44)).uniform())
        self._number = 0

    def add(self, block: Floats, first: int) -> None:
        """All noise for the block that begins at take frame ``first``; in place."""
        rng = np.random.default_rng((*self.seed, 45, self._number))
        last = first + len(block)
        if last > self.down_frame and first < self.up_frame:
            block += self._groove_noise(len(block), first, rng)
        block += self._chain * rng.standard_normal((len(block), 2), dtype=np.float32)
        if self.groove.settings.hum_hz > 0.0:
            self._hum_wander_hz = 0.98 * self._hum_wander_hz + 0.005 * rng.standard_normal()
            wander_hz = float(np.clip(self._hum_wander_hz, -0.05, 0.05))
            step = (self.groove.settings.hum_hz + wander_hz) / self.groove.rate_hz
            add_table(block, self._hum, self._hum_phase, step)
            self._hum_phase = (self._hum_phase + len(block) * step) % 1.0
        self._number += 1

    def _groove_noise(self, frames: int, first: int, rng: np.random.Generator) -> Floats:
        """(frames, 2) of hiss and rumble while the needle is down, through gain and crosstalk."""
        from scipy.signal import sosfilt

        settings, rate = self.groove.settings, self.groove.rate_hz
        white = rng.standard_normal((frames, 2))
        noise, self._state = sosfilt(self._sections, white, axis=0, zi=self._state)
        coarse = np.arange(0, frames + 256, 256, dtype=np.float64)
        t_s = (first - self.down_frame + coarse) / rate
        depth_mm = settings.start_radius_mm - self.groove.radius_at(t_s)
        level_db = INWARD_DB_PER_MM * depth_mm
        level_db += BREATH_DB * np.cos(2.0 * np.pi * (self.groove.turn_at(t_s) - self._breath))
        index = np.arange(frames, dtype=np.float64)
        noise *= np.interp(index, coarse, self._hiss * 10.0 ** (level_db / 20.0))[:, np.newaxis]
        where = (first - self.down_frame + index) * (RUMBLE_RATE_HZ / rate)
        for channel in range(2):
            noise[:, channel] += np.interp(where, np.arange(len(self._rumble)), self._rumble[:, channel])
        ramp = NEEDLE_S * rate
        if first < self.down_frame + ramp or first + frames > self.up_frame - ramp:
            down = np.clip((first - self.down_frame + index) / ramp, 0.0, 1.0)
            down *= np.clip((self.up_frame - first - index) / ramp, 0.0, 1.0)
            noise *= down[:, np.newaxis]
        mixed: Floats = noise @ self._mixing
        return mixed


def _hiss_filter(rate_hz: int) -> tuple[Floats, float]:
    """Shelves that fall about 4 dB per octave from 500 Hz, with the rms they leave of white noise."""
    from scipy.signal import bilinear_zpk, sosfreqz, zpk2sos

    poles_hz, zeros_hz = np.array([500.0, 2200.0, 9500.0]), np.array([1300.0, 5600.0, 24_000.0])
    z, p, k = bilinear_zpk(-2 * np.pi * zeros_hz, -2 * np.pi * poles_hz, 1.0, rate_hz)
    high_z, high_p, high_k = bilinear_zpk(np.zeros(1), np.array([-2 * np.pi * 15.0]), 1.0, rate_hz)
    sections = zpk2sos(np.concatenate([z, high_z]), np.concatenate([p, high_p]), k * high_k)
    _, response = sosfreqz(sections, 8192)
    return sections, float(np.sqrt(np.mean(np.abs(response) ** 2)))


def _rumble(groove: Groove, seed: tuple[int, ...]) -> Floats:
    """(frames, 2) at ``RUMBLE_RATE_HZ``: arm resonance, motor lines, once-per-turn pattern; 80 % vertical."""
    from scipy.signal import sosfilt, tf2sos

    s, rng = groove.settings, np.random.default_rng(seed)
    count = int((groove.length_s + 2.0) * RUMBLE_RATE_HZ) + 2
    t_s = np.arange(count) / RUMBLE_RATE_HZ
    vertical, lateral = np.zeros(count), np.zeros(count)
    for out, share in ((vertical, 0.8), (lateral, 0.2)):
        w0 = 2.0 * np.pi * rng.uniform(9.0, 16.0) / RUMBLE_RATE_HZ
        radius = np.exp(-w0 / (2.0 * rng.uniform(2.0, 5.0)))
        ring = tf2sos([1.0, -1.0, 0.0], [1.0, -2.0 * radius * np.cos(w0), radius**2])
        noise = sosfilt(ring, rng.standard_normal(count))
        out += noise / np.std(noise)
        for line_hz in (25.0, 50.0):
            out += rng.uniform(0.1, 0.4) * np.sin(2.0 * np.pi * (line_hz * t_s + rng.uniform()))
        turn = groove.turn_at(t_s)
        for harmonic in range(1, 9):
            out += rng.uniform(0.0, 0.3) / harmonic * np.sin(2.0 * np.pi * (harmonic * turn + rng.uniform()))
        out *= np.sqrt(share) / np.std(out)
    return db_to_gain(s.rumble_dbfs) * np.stack([lateral + vertical, lateral - vertical], axis=1)


def _hum_table(seed: tuple[int, ...]) -> Floats:
    """(HUM_TABLE + 1, 2) one cycle of hum with harmonics to the 15th; left has rms 1."""
    rng = np.random.default_rng(seed)
    phase = np.linspace(0.0, 1.0, HUM_TABLE + 1)
    table = np.zeros((HUM_TABLE + 1, 2))
    for channel, size in enumerate((1.0, rng.uniform(0.6, 1.2))):
        for harmonic in range(1, 16):
            strength = (1.0 if harmonic % 2 else 0.35) / harmonic * rng.uniform(0.6, 1.4)
            table[:, channel] += strength * np.sin(2.0 * np.pi * (harmonic * phase + rng.uniform(0.0, 0.2)))
        table[:, channel] *= size / np.std(table[:-1, channel])
    return table


@kernel
def add_table(block: Floats, table: Floats, phase: float, step: float) -> None:
    """Add a cyclic (size + 1, 2) ``table`` to ``block``, ``step`` cycles a frame, linear between entries."""
    size = table.shape[0] - 1
    for n in range(block.shape[0]):
        where = (phase + n * step) % 1.0 * size
        whole = int(where)
        part = where - whole
        for channel in range(2):
            low = table[whole, channel]
            block[n, channel] += low + part * (table[whole + 1, channel] - low)
