"""The rows of a table of repairs, one by one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.impulses.repaired import FATE, LENGTH, MENDED, Repaired


def each_values(repaired: Repaired) -> list[NDArray[np.float64]]:
    """The new samples row by row, empty where nothing was mended."""
    lengths = np.where(repaired.spans[:, FATE] == MENDED, repaired.spans[:, LENGTH], 0)
    return np.split(repaired.values, np.cumsum(lengths)[:-1])
