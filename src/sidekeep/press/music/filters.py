"""Filters of the demo's instruments: bands, resonances, rooms, vowels. One voice is a 1-D float64 array at ``rate_hz``."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from sidekeep.dsp.kernel import kernel
from sidekeep.press.music.tone import Array, control_hop


def band_noise(
    rng: np.random.Generator, length_frames: int, low_hz: float, high_hz: float, rate_hz: int, order: int = 2
) -> Array:
    """Gaussian noise of one band, about unit rms."""
    noise = pass_band(rng.standard_normal(length_frames), low_hz, high_hz, rate_hz, order)
    width = min(high_hz, 0.5 * rate_hz) - low_hz
    return noise * math.sqrt(0.5 * rate_hz / max(width, 1.0))


@lru_cache(maxsize=256)
def _band_sections(low_hz: float, high_hz: float, rate_hz: int, order: int) -> Array:
    from scipy.signal import butter

    top = 0.48 * rate_hz
    if low_hz <= 0.0:
        sections: Array = butter(order, min(high_hz, top), "lowpass", fs=rate_hz, output="sos")
    elif high_hz >= top:
        sections = butter(order, low_hz, "highpass", fs=rate_hz, output="sos")
    else:
        sections = butter(order, (low_hz, high_hz), "bandpass", fs=rate_hz, output="sos")
    return sections


def pass_band(audio: Array, low_hz: float, high_hz: float, rate_hz: int, order: int = 2) -> Array:
    """Butterworth band-pass along the first axis; an edge outside the rate's range is left open."""
    from scipy.signal import sosfilt

    filtered: Array = sosfilt(_band_sections(low_hz, high_hz, rate_hz, order), audio, axis=0)
    return filtered


def resonate(audio: Array, centre_hz: float, width_hz: float, rate_hz: int) -> Array:
    """One resonance with unit gain at ``centre_hz``, along the first axis."""
    from scipy.signal import lfilter

    radius = math.exp(-math.pi * width_hz / rate_hz)
    angle = 2.0 * math.pi * centre_hz / rate_hz
    bottom = np.array([1.0, -2.0 * radius * math.cos(angle), radius * radius])
    back = np.exp(-1j * angle)
    top = abs(bottom[0] + bottom[1] * back + bottom[2] * back * back) / abs(1.0 - back * back)
    filtered: Array = lfilter([top, 0.0, -top], bottom, audio, axis=0)
    return filtered


def convolve(audio: Array, response: Array) -> Array:
    """Each channel of ``audio`` (frames, channels) with its channel of ``response``; longer by its tail.

    A one-channel ``response`` serves all. Overlap-add in pieces that stay in the processor's cache.
    """
    from scipy.fft import irfft, next_fast_len, rfft

    tail = response.shape[0] - 1
    size = next_fast_len(max(16_384, 3 * tail), real=True)
    step = size - tail
    out = np.zeros((audio.shape[1], audio.shape[0] + tail))
    for channel in range(audio.shape[1]):
        spectrum = rfft(response[:, channel if response.shape[1] > 1 else 0], size)
        signal = np.ascontiguousarray(audio[:, channel])
        for start in range(0, signal.size, step):
            piece = irfft(rfft(signal[start : start + step], size) * spectrum, size)
            stop = min(out.shape[1], start + size)
            out[channel, start:stop] += piece[: stop - start]
    return np.ascontiguousarray(out.T)


@kernel
def _run_formants(
    source: Array, centre_hz: Array, width_hz: Array, gain: Array, hop: int, rate_hz: float, out: Array
) -> None:
    frames, channels = source.shape
    for channel in range(channels):
        for formant in range(centre_hz.shape[1]):
            x1 = x2 = y1 = y2 = 0.0
            for point in range((frames + hop - 1) // hop):
                radius = np.exp(-np.pi * width_hz[point, formant] / rate_hz)
                angle = 2.0 * np.pi * centre_hz[point, formant] / rate_hz
                first = 2.0 * radius * np.cos(angle)
                second = radius * radius
                # |1 - z^-2| over the pole pair at the centre: near 2 / ((1 - r) * 2) for narrow widths.
                top = gain[point, formant] * (1.0 - second) * 0.5
                for frame in range(point * hop, min(frames, (point + 1) * hop)):
                    x0 = source[frame, channel]
                    y0 = top * (x0 - x2) + first * y1 - second * y2
                    out[frame, channel] += y0
                    x2 = x1
                    x1 = x0
                    y2 = y1
                    y1 = y0


def run_formants(source: Array, centre_hz: Array, width_hz: Array, gain: Array, rate_hz: int) -> Array:
    """A bank of resonances in parallel that move along control curves, each (points, formants).

    ``source`` is (frames, channels); each resonance has about ``gain`` at its centre.
    """
    out = np.zeros(source.shape)
    curves = [np.ascontiguousarray(curve, dtype=np.float64) for curve in (centre_hz, width_hz, gain)]
    _run_formants(
        np.ascontiguousarray(source),
        curves[0],
        curves[1],
        curves[2],
        control_hop(rate_hz),
        float(rate_hz),
        out,
    )
    return out
