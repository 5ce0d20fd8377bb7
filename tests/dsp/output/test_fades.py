"""Fades as functions of position."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sidekeep.dsp.output.fades import FadeShape, fade_gain
from sidekeep.errors import ParameterError


@pytest.mark.parametrize("shape", ["cosine", "power"])
def test_rises_from_0_to_1_and_stays(shape: FadeShape) -> None:
    gain = fade_gain(-3, 20, 10, shape=shape)
    assert (gain[:3] == 0.0).all()
    assert (gain[13:] == 1.0).all()
    assert (np.diff(gain[2:14]) > 0.0).all()


def test_like_sounds_add_to_one_unlike_in_power() -> None:
    """Definition: cosine and mirror add to 1, the squares of a quarter sine and its mirror add to 1."""
    cosine = fade_gain(0, 64, 64)
    np.testing.assert_allclose(cosine + cosine[::-1], 1.0)
    power = fade_gain(0, 64, 64, shape="power")
    np.testing.assert_allclose(power**2 + power[::-1] ** 2, 1.0)


@given(start=st.integers(-50, 50), count=st.integers(0, 100), cut=st.integers(0, 100))
def test_blocks_equal_the_whole(start: int, count: int, cut: int) -> None:
    cut = min(cut, count)
    parts = [fade_gain(start, cut, 40), fade_gain(start + cut, count - cut, 40)]
    np.testing.assert_array_equal(np.concatenate(parts), fade_gain(start, count, 40))


def test_no_fade_is_one() -> None:
    np.testing.assert_array_equal(fade_gain(-1, 3, 0), [0.0, 1.0, 1.0])


def test_refusals() -> None:
    with pytest.raises(ParameterError, match="fade_frames=-1"):
        fade_gain(0, 1, -1)
    with pytest.raises(ParameterError, match="shape 'round'"):
        fade_gain(0, 1, 5, shape="round")  # type: ignore[arg-type]
