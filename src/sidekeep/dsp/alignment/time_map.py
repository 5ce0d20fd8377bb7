"""Where each moment of one take is in another: a curve of times, evaluated between its knots.

Conventions: the *old* take is the ruler; ``new_s[k]`` is the time in the new take of the old take's moment
``start_s + k * step_s``. Between knots the curve is the cubic through four knots (Catmull-Rom), beyond the ends it
goes straight on with the mean speed. Times are seconds from each take's own beginning.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class TimeMap:
    """The curve; ``sd_s`` (knots,) how sure each knot is, one standard deviation (inf where nothing tells)."""

    start_s: float
    step_s: float
    new_s: Floats
    sd_s: Floats

    @property
    def stop_s(self) -> float:
        """The old take's moment of the last knot."""
        return self.start_s + self.step_s * (len(self.new_s) - 1)

    @property
    def speed_ratio(self) -> float:
        """Seconds of the new take per second of the old one, over the whole curve."""
        return float((self.new_s[-1] - self.new_s[0]) / (self.stop_s - self.start_s))

    def at(self, old_s: Floats) -> Floats:
        """Times in the new take of moments of the old one."""
        knots = len(self.new_s)
        place = (np.asarray(old_s, np.float64) - self.start_s) / self.step_s
        index = np.clip(np.floor(place).astype(np.int64), 0, knots - 2)
        u = np.clip(place - index, 0.0, 1.0)
        p0, p1, p2, p3 = (self.new_s[np.clip(index + shift, 0, knots - 1)] for shift in (-1, 0, 1, 2))
        # a straight continuation stands in for the knot that is missing at either end
        p0 = np.where(index == 0, 2.0 * p1 - p2, p0)
        p3 = np.where(index == knots - 2, 2.0 * p2 - p1, p3)
        inside = p1 + 0.5 * u * (
            p2 - p0 + u * (2 * p0 - 5 * p1 + 4 * p2 - p3 + u * (3 * (p1 - p2) + p3 - p0))
        )
        beyond = np.where(place < 0.0, place, np.where(place > knots - 1, place - (knots - 1), 0.0))
        result: Floats = inside + beyond * self.step_s * self.speed_ratio
        return result

    def sd_at(self, old_s: float) -> float:
        """How sure the curve is at a moment of the old take, one standard deviation (s)."""
        place = min(max((old_s - self.start_s) / self.step_s, 0.0), len(self.sd_s) - 1.0)
        index = min(int(place), len(self.sd_s) - 2)
        return float(self.sd_s[index] + (place - index) * (self.sd_s[index + 1] - self.sd_s[index]))

    def dense(self, per_knot: int) -> Floats:
        """Times in the new take at ``per_knot`` even places from every knot on: ``at`` for a whole grid, quicker."""
        padded = np.pad(self.new_s, (1, 2))
        padded[0] = 2.0 * self.new_s[0] - self.new_s[1]
        padded[-2] = 2.0 * self.new_s[-1] - self.new_s[-2]
        padded[-1] = 2.0 * padded[-2] - self.new_s[-1]
        u = np.arange(per_knot) / per_knot
        weights = 0.5 * np.stack(
            [u * (-1 + u * (2 - u)), 2 + u * u * (3 * u - 5), u * (1 + u * (4 - 3 * u)), u * u * (u - 1)]
        )
        times = np.zeros((len(self.new_s), per_knot))
        for shift in range(4):
            times += padded[shift : shift + len(self.new_s), np.newaxis] * weights[shift]
        return times.reshape(-1)

    def back(self, new_s: Floats) -> Floats:
        """Moments of the old take for times of the new one (the curve rises throughout)."""
        moments = self.start_s + self.step_s * np.arange(len(self.new_s))
        wanted = np.asarray(new_s, np.float64)
        found = np.interp(wanted, self.new_s, moments)
        low, high = wanted < self.new_s[0], wanted > self.new_s[-1]
        found = np.where(low, moments[0] + (wanted - self.new_s[0]) / self.speed_ratio, found)
        return np.where(high, moments[-1] + (wanted - self.new_s[-1]) / self.speed_ratio, found)
