"""Where pieces of a side meet when the music copies itself: of places that are as clear the last one counts. Made, no source."""

from __future__ import annotations

import numpy as np
import pytest

from sidekeep.flow.comparison import seam
from sidekeep.flow.comparison.seam import Seam
from tests.flow.comparison.pairs import RATE, Held


@pytest.mark.parametrize(("clear", "chosen_s"), [(0.89, 96.0), (0.6, 10.0)])
def test_of_bars_that_are_as_clear_the_last_is_where_the_needle_was_lowered(
    monkeypatch: pytest.MonkeyPatch, clear: float, chosen_s: float
) -> None:
    """A loop lay on itself at 10 s a little better than where both pieces hold the same, at 96 s: 80 s of music were lost."""
    found = {10.0: 0.92, 96.0: clear}
    silence = Held(np.zeros((round(0.5 * RATE), 2)))
    monkeypatch.setattr(seam, "_agreeing", lambda *_: [(at_s, 1.0, 6.0) for at_s in found])
    monkeypatch.setattr(
        seam,
        "_place",
        lambda _before, _after, offset_s, *_: (
            found[offset_s],
            Seam(before_frame=round(offset_s * RATE), after_frame=0, how="music"),
        ),
    )
    assert seam.find_seam(silence, Held(np.zeros((round(0.5 * RATE), 2)) + 1e-3)).before_frame == round(
        chosen_s * RATE
    )
