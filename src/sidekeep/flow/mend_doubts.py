"""What is left because a person should hear it first: on a record with next to no damage, what may be music as well.

What is mended there is right for the most part, but what is not makes seconds that had no damage much worse, while a tick that is
left is heard as it was on the record. One doubt alone is damage more often than not. Music is in doubt again and again: an
instrument, a voice or a sample that looks like damage once does so nearly every time it sounds. Mostly it is known for music
there, and undone at once: what is like that and near to it must be surer than that was.
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
UNDONE_S, HALF_AS_LARGE_DB = 10.0, -6.0
"""What was undone speaks against a repair within so many seconds each way if it is half as large as that or larger."""
NATS_UNDONE, MOST_NATS_UNDONE = 1.0, 6.0
"""What takes out little is left below so many nats for each of those, up to the last figure. On 41 clean records this leaves 7 of
21 false repairs that nothing else does, and one of 139 true ones; with 1.5 nats 9 and two, up to nine nats 8 and four, within
20 s 8 and three."""
LARGE_DB = 30.0
"""What is this large over the local slope is left for neither: of 71 false repairs that take out little on 57 clean records one
is (31.9), and 47 of 119 true ones. Loud music hides all but such damage: of 18 true repairs that would be left on a used side of
distorted guitar, 13 are."""


@dataclass(frozen=True, eq=False)
class Undone:
    """What looked like damage and was left as it was, for one reason or other: first frames in order, and sizes over the local
    slope."""

    starts: Ints
    sizes_db: Floats

    @classmethod
    def joined(cls, parts: list[Undone]) -> Undone:
        """Of one stretch after the other."""
        starts = np.concatenate([np.empty(0, np.int64), *(part.starts for part in parts)])
        return cls(starts, np.concatenate([np.empty(0), *(part.sizes_db for part in parts)]))

    def count_near(self, starts: Ints, sizes_db: Floats, rate_hz: int) -> Ints:
        """How many lie near each repair that begins at one of ``starts`` and are half its size or larger."""
        reach = round(UNDONE_S * rate_hz)
        first = np.searchsorted(self.starts, starts - reach, "left").tolist()
        last = np.searchsorted(self.starts, starts + reach, "right").tolist()
        asked = zip(first, last, (sizes_db + HALF_AS_LARGE_DB).tolist(), strict=True)
        return np.array([np.count_nonzero(self.sizes_db[a:b] >= least) for a, b, least in asked], np.int64)


@dataclass(frozen=True, eq=False)
class Doubts:
    """Of every row or repair: its grade, how many nats surer it is than it must be, infinite where it takes out much, and its
    size over the local slope."""

    grades: Ints
    nats: Floats
    sizes_db: Floats

    @classmethod
    def none(cls, count: int) -> Doubts:
        """Of so many that are not asked."""
        return cls(np.full(count, NO_DOUBT), np.full(count, np.inf), np.full(count, -np.inf))

    @classmethod
    def joined(cls, parts: list[Doubts], owners: Ints, count: int) -> Doubts:
        """Of so many repairs, of which each row of the parts has become one: the greatest doubt of their rows."""
        whole = cls.none(count)
        for name, ufunc in (("grades", np.maximum), ("nats", np.minimum), ("sizes_db", np.maximum)):
            values = [getattr(part, name) for part in parts]
            ufunc.at(getattr(whole, name), owners, np.concatenate([getattr(whole, name)[:0], *values]))
        return whole

    def left(self, starts: Ints, undone: Undone, rate_hz: int) -> Bools:
        """Which repairs of a take with next to no damage are left; ``starts`` are their first frames, in order, and ``undone`` is
        what was left there without being told."""
        perhaps = self.grades >= PERHAPS_MUSIC
        reach = round(COMPANY_S * rate_hz)
        first = np.searchsorted(starts[perhaps], starts - reach, "left")
        last = np.searchsorted(starts[perhaps], starts + reach, "right")
        company = last - first - perhaps
        beside = perhaps | (self.nats < np.minimum(MOST_NATS, NATS_BESIDE + company))
        against = undone.count_near(starts, self.sizes_db, rate_hz)
        like_undone = self.nats < np.minimum(MOST_NATS_UNDONE, NATS_UNDONE * against)
        is_left = (self.sizes_db < LARGE_DB) & ((beside & (company >= COMPANY)) | like_undone)
        return np.asarray((self.grades == APART) | is_left)
