"""A stretch of a take read at another rate."""

from __future__ import annotations

import numpy as np

from sidekeep.dsp.output.resample import resample
from sidekeep.flow.numbers import numbers_only
from sidekeep.flow.ports import Audio, AudioSource


def read_span(source: AudioSource, start_s: float, stop_s: float, rate_hz: int) -> tuple[Audio, float]:
    """A span at another rate and the second it begins at (a whole one); silence before and after the take."""
    form = source.format
    first, last = int(np.floor(start_s)), int(np.ceil(stop_s))
    low, high = first * form.rate_hz, last * form.rate_hz
    inside = source.read(min(max(low, 0), form.length_frames), min(max(high, 0), form.length_frames))
    span = np.zeros((high - low, form.channels))
    begin = min(max(-low, 0), high - low)
    span[begin : begin + len(inside)] = numbers_only(inside)
    return resample(span, rate_hz=form.rate_hz, new_rate_hz=rate_hz), float(first)
