"""A window of a take against plain concatenation."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.flow.window import Window


@pytest.mark.parametrize("held_frames", [0, 150, 700])
def test_frames_come_out_as_they_went_in_whatever_is_dropped_between(held_frames: int) -> None:
    rng = np.random.default_rng(1)
    take = rng.standard_normal((5000, 2))
    window = Window(2, held_frames)
    at = dropped = 0
    while at < len(take):
        count = int(rng.integers(1, 400))
        window.append(take[at : at + count])
        at = min(len(take), at + count)
        dropped = max(dropped, at - int(rng.integers(0, 700)))
        window.drop_before(dropped)
        assert (window.start, window.stop) == (dropped, at)
        np.testing.assert_array_equal(window.view(0, len(take)), take[dropped:at])
    window.view(window.stop - 3, window.stop)[:] = 7.0
    assert (window.view(0, len(take))[-3:] == 7.0).all()
    window.drop_before(dropped - 50)
    assert window.start == dropped
    window.drop_before(len(take) + 10)
    assert window.start == window.stop == len(take)
