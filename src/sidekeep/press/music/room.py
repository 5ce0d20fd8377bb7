"""The room and the mixing desk of the demo: where sounds are placed, and what they echo in.

Conventions: everything is (frames, 2) float64 at one rate; start times are seconds; ``pan`` runs from -1
(left) to 1 (right) with equal power; ``send`` is how much of a sound reaches the room (0 dry, 1 far).
"""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.kernel import kernel
from sidekeep.press.music.filters import convolve, pass_band
from sidekeep.press.music.instruments import pan_gains
from sidekeep.press.music.tone import Array

_BANDS_HZ = ((0.0, 350.0, 1.15), (350.0, 1400.0, 1.0), (1400.0, 4500.0, 0.72), (4500.0, 1e9, 0.38))


def room_response(
    rate_hz: int, rng: np.random.Generator, *, decay_s: float = 1.6, before_s: float = 0.016
) -> Array:
    """Impulse response of a hall: a few early walls, then noise whose treble dies first.

    Shape (frames, 2), unit energy a channel; ``decay_s`` is the time to -60 dB in the middle of the band.
    """
    frames = int((before_s + 0.9 * decay_s) * rate_hz)
    seconds = np.arange(frames) / rate_hz
    response = np.zeros((frames, 2))
    for low_hz, high_hz, share in _BANDS_HZ:
        band = pass_band(rng.standard_normal((frames, 2)), low_hz, high_hz, rate_hz, 1)
        response += band * (10.0 ** (-3.0 * seconds / (decay_s * share)))[:, None]
    response *= np.clip(seconds / 0.04, 0.0, 1.0)[:, None] ** 0.5
    shift = int(before_s * rate_hz)
    response = np.concatenate([np.zeros((shift, 2)), response[: frames - shift]])
    for delay_s in (0.011, 0.017, 0.023, 0.031, 0.042):
        for channel in (0, 1):
            place = int(delay_s * rng.uniform(0.85, 1.15) * rate_hz)
            response[place, channel] += 3.5 * np.sqrt(rate_hz / 48_000.0) * rng.choice([-1.0, 1.0])
    response = pass_band(response, 90.0, 11_000.0, rate_hz, 1)
    response *= np.linspace(1.0, 0.0, frames)[:, None] ** 0.5
    faded: Array = response / np.sqrt(np.sum(response**2, axis=0))
    return faded


@kernel
def _place(sound: Array, start: int, near_gains: Array, far_gains: Array, near: Array, far: Array) -> None:
    for frame in range(sound.shape[0]):
        for channel in range(2):
            value = sound[frame, channel if sound.shape[1] == 2 else 0]
            near[start + frame, channel] += near_gains[channel] * value
            far[start + frame, channel] += far_gains[channel] * value


class Mix:
    """A stereo desk with one room: ``add`` sounds, then ``finish``."""

    def __init__(self, rate_hz: int, length_s: float) -> None:
        """Room for ``length_s`` seconds; what is added past the end is cut."""
        self.rate_hz = rate_hz
        self.length_s = length_s
        self.near = np.zeros((round(length_s * rate_hz), 2))
        self.far = np.zeros_like(self.near)

    def add(
        self, sound: Array, start_s: float, gain: float = 1.0, pan: float = 0.0, send: float = 0.25
    ) -> None:
        """Place a sound (frames, 1 or 2); ``pan`` of a stereo sound shifts its balance."""
        start = max(0, round(start_s * self.rate_hz))
        room = self.near.shape[0] - start
        if room <= 0:
            return
        gains = np.array(pan_gains(pan)) * (gain * np.sqrt(float(sound.shape[1])))
        placed = np.ascontiguousarray(sound[:room], dtype=np.float64)
        _place(placed, start, gains * (1.0 - 0.4 * send), gains * send, self.near, self.far)

    def finish(self, room: Array) -> Array:
        """The mix with its room: near sound plus the far sound convolved; (frames, 2)."""
        frames = self.near.shape[0]
        # A hall hears both sides of the stage with either ear.
        crossed = 0.8 * self.far + 0.2 * self.far[:, ::-1]
        return pass_band(self.near + convolve(crossed, room)[:frames], 24.0, 1e9, self.rate_hz, 1)
