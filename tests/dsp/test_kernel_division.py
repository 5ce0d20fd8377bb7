"""Quotients in kernels are numpy's: no divisor is looked at, for a loop that does so works through its frames one by one."""

from __future__ import annotations

import math

from sidekeep.dsp.kernel import PLAIN, kernel


@kernel
def quotient(whole: float, parts: float) -> float:
    """One divided by the other."""
    return whole / parts


def test_a_kernel_divides_by_zero_as_numpy_does() -> None:
    assert not PLAIN, "run without SIDEKEEP_PLAIN: ordinary Python looks at its divisors"
    assert quotient(1.0, 0.0) == math.inf
    assert math.isnan(quotient(0.0, 0.0))
    assert quotient(3.0, 2.0) == 1.5
