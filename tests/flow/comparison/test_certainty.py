"""What the measures of a comparison share: medians of blocks."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.flow.comparison.differences.certainty import medians_of


@pytest.mark.parametrize(("count", "blocks"), [(24, 8), (25, 8), (31, 8), (8, 8), (1001, 24)])
def test_the_medians_are_those_of_the_parts_that_numpy_cuts(
    rng: np.random.Generator, count: int, blocks: int
) -> None:
    values = rng.standard_normal(count)
    plain = [np.median(part) for part in np.array_split(values, blocks)]
    np.testing.assert_array_equal(medians_of(values, blocks), plain)
