"""Repairs that are believed only among others: where next to nothing is damaged they are more likely music.

Conventions: those of ``mending``; rows (first, last + 1, peak) of a stretch in order. How much is damaged in all is known when
repairs wait for the stretches behind theirs (``flow.mend_chunks``). Two things speak for music. One is that both walls move in
phase where the sound is smooth. Music is cut laterally for the most part, for a loud vertical cut would throw the needle out
(common practice, no source); and so is every edge of a sample, a stroke or a consonant. Damage falls as it likes: on one wall, in
opposite phase, in phase. On records with next to none five of six false repairs are in phase, and one of six right ones. Nearly
all false ones lie where the sound is smooth: any edge of it is many times the usual error there, and still next to nothing. The
other is that the sound before and that behind do not quite agree (``continuity``): not as badly as at a cut, but worse than over
damage, where one of twenty does. Two of three false repairs on such records are of that kind.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.autoregression import Matrix
from sidekeep.dsp.impulses.continuity import misfit
from sidekeep.dsp.kernel import inner_kernel, kernel

Vector = NDArray[np.float64]

LATERAL_NATS, LATERAL_DB, SMOOTH = 6.0, 5.0, 9e-4
"""How much surer than any other what is in phase must be, if it takes out less than this over what it leaves and the usual
prediction error there is under the last (-61 dBFS). On 93 sides, 34 of them clean records, this leaves 28 of 30 false repairs
and 5 true ones; with 4 nats 23 and 2; were the sound as rough as it likes, 29 and 20."""
APART, APART_DB, APART_ROWS = 1.4, 10.0, 12
"""What takes out less than the second over what it leaves must be as much surer too where both sides agree worse than the first,
over the usual; and if it is in phase besides, and takes out less than ``LATERAL_DB``, no odds are enough. It is asked where a
stretch has no more rows than the last: where there are more, they vouch for each other. On 45 clean records this and the above
leave 30 of 44 false repairs and 3 of 177 true ones that nothing else does, on 13 used ones none of 16,431; with 1.2 30 and 7,
with 1.7 21 and 2; were no odds enough whatever the direction, 30 and 6."""
IN_DOUBT_APART = 1.2
"""What is in phase, takes out less than ``LATERAL_DB`` and is not left for the above is in doubt where both sides agree worse
than this. Of what is in no company (``flow.mend_doubts``) on 260 clean records 3 false repairs are, two of them with ten seconds
10 and 32 dB worse, and 4 right ones."""
NOT_DOUBTED, IN_DOUBT, ALONE = 0.0, 0.5, 1.0
"""Grades: what is in doubt should be heard before it is mended, what is alone is left where next to nothing is damaged."""
LEAST_SHARE = 0.02
"""Energy on the weaker wall over that on the other from which a repair is one of both: 8 degrees off a wall."""
LEAST_SIDE = 1e-6
"""Energy of the difference of the walls over that of their sum from which they are two at all: of one sound on both, damage is in
phase as well."""


@kernel
def doubt_alone(
    planes: Matrix,
    work: Matrix,
    rows: NDArray[np.int64],
    taken_out: Matrix,
    left_in: Matrix,
    usual: Matrix,
    odds: Vector,
    least: float,
    rate_factor: int,
    grades: Vector,
) -> None:
    """``grades[i]``: whether row i is in doubt, or believed only among others; ``least`` are the log odds from which any is.

    ``taken_out`` and ``left_in`` (channels, rows): those of ``changed_energy``; ``usual`` (channels, rows): the usual prediction
    error at the peak of each.
    """
    grades[:] = NOT_DOUBTED
    if rows.shape[0] == 0 or not has_two_sounds(planes):
        return
    loud, plain = 10.0 ** (0.1 * LATERAL_DB), 10.0 ** (0.1 * APART_DB)
    for i in range(rows.shape[0]):
        stronger = 0 if taken_out[0, i] >= taken_out[1, i] else 1
        most, least_out = taken_out[stronger, i], taken_out[1 - stronger, i]
        left = left_in[0, i] + left_in[1, i]
        unsure, first, last = odds[i] < least + LATERAL_NATS, rows[i, 0], rows[i, 1]
        lateral = (
            most + least_out < loud * left
            and least_out >= LEAST_SHARE * most
            and is_in_phase(planes, work, first, last)
        )
        if lateral and unsure and usual[stronger, i] < SMOOTH:
            grades[i] = ALONE
        elif rows.shape[0] <= APART_ROWS and (lateral or (unsure and most + least_out < plain * left)):
            apart = misfit(work[stronger], first, last, rate_factor, IN_DOUBT_APART)
            if apart > APART:
                grades[i] = ALONE
            elif lateral and apart > IN_DOUBT_APART:
                grades[i] = IN_DOUBT


@inner_kernel
def is_in_phase(planes: Matrix, work: Matrix, first: int, last: int) -> bool:
    """Whether what was taken out of ``[first, last)`` moves both walls the same way."""
    across = 0.0
    for n in range(first, last):
        across += (planes[0, n] - work[0, n]) * (planes[1, n] - work[1, n])
    return across > 0.0


@inner_kernel
def has_two_sounds(planes: Matrix) -> bool:
    """Whether there are two walls, and they do not hold the same."""
    if planes.shape[0] != 2:
        return False
    middle, side = 0.0, 0.0
    for n in range(planes.shape[1]):
        middle += (planes[0, n] + planes[1, n]) ** 2
        side += (planes[0, n] - planes[1, n]) ** 2
    return side > LEAST_SIDE * middle
