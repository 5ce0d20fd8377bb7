"""What is left because a person should hear it first: on a record with next to no damage, what may be music as well.

What is mended there is right for the most part, but what is not makes seconds that had no damage much worse, while a tick that is
left is heard as it was on the record. One doubt alone is damage more often than not. Music is in doubt again and again: an
instrument, a voice or a sample that looks like damage once does so nearly every time it sounds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

NO_DOUBT, PERHAPS_MUSIC, APART = range(3)
"""Grades, from the least on: none; may be music, and is told of where it is mended; may be music, and is left however alone it is
(``IN_DOUBT`` of ``dsp.impulses.lone``)."""
COMPANY, COMPANY_S = 2, 20.0
"""What may be music is left where so many others that may be lie in so many seconds each way. On 260 clean records of a minute 60
of 75 false ones that may be music do, and 8 of 103 true ones; in ten seconds 54 and 8, with one other 67 and 35."""
NATS_BESIDE, MOST_NATS = 2.0, 9.0
"""Beside such company what takes out little is left below so many nats, and one more for each of the company, surer than it must
be, up to the last figure: by reckoning 13 more false ones and 4 true ones; below 6 nats whatever the company 9 and 5."""


@dataclass(frozen=True, eq=False)
class Doubts:
    """Of every row or repair: its grade, and how many nats surer it is than it must be, infinite where it takes out much."""

    grades: Ints
    nats: Floats

    @classmethod
    def none(cls, count: int) -> Doubts:
        """Of so many that are not asked."""
        return cls(np.full(count, NO_DOUBT), np.full(count, np.inf))

    @classmethod
    def joined(cls, parts: list[Doubts], owners: Ints, count: int) -> Doubts:
        """Of so many repairs, of which each row of the parts has become one: the greatest doubt of their rows."""
        whole = cls.none(count)
        for name, ufunc in (("grades", np.maximum), ("nats", np.minimum)):
            values = [getattr(part, name) for part in parts]
            ufunc.at(getattr(whole, name), owners, np.concatenate([getattr(whole, name)[:0], *values]))
        return whole

    def left(self, starts: Ints, rate_hz: int) -> Bools:
        """Which repairs of a take with next to no damage are left; ``starts`` are their first frames, in order."""
        perhaps = self.grades >= PERHAPS_MUSIC
        reach = round(COMPANY_S * rate_hz)
        first = np.searchsorted(starts[perhaps], starts - reach, "left")
        last = np.searchsorted(starts[perhaps], starts + reach, "right")
        company = last - first - perhaps
        beside = perhaps | (self.nats < np.minimum(MOST_NATS, NATS_BESIDE + company))
        return np.asarray((self.grades == APART) | (beside & (company >= COMPANY)))
