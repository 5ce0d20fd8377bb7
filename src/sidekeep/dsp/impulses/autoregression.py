"""Autoregressive models: fit, prediction error, and the banded normal equations of estimation.

Conventions: a model of order p is ``a`` of length p + 1 with ``a[0] = 1``; the forward prediction error is
``e[n] = sum_k a[k] x[n - k]``. With A the banded error matrix, ``A' A`` is (away from the ends) Toeplitz with the
autocorrelation ``c`` of ``a`` on its diagonals; ``u = A' A x`` is the two-sided error (Godsill & Rayner, *Digital
Audio Restoration*, 1998, chapters 4 and 5). Signals are one-dimensional contiguous float64.

Band matrices are symmetric positive definite of half-width w, stored by rows: ``band[i, w]`` is the diagonal and
``band[i, w - d]`` the element ``(i, i - d)``.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import inner_kernel

Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]

RIDGE = 1e-9
"""White noise added to an autocorrelation, as a share of its power: keeps silence and pure tones solvable."""
FLOOR = 1e-30


@inner_kernel
def autocorrelate(signal: Vector, order: int, out: Vector) -> None:
    """``out[k] = sum_n signal[n] signal[n + k]`` for k = 0..order.

    Four lags a pass: a frame is then read once for all of them, and reading is what takes the time.
    """
    length = signal.shape[0]
    first = 0
    while first + 3 <= min(order, length - 1):
        whole = length - first - 3
        one, two, three, four = 0.0, 0.0, 0.0, 0.0
        here, ahead = signal[:whole], signal[first:]
        for n in range(whole):
            one += here[n] * ahead[n]
            two += here[n] * ahead[n + 1]
            three += here[n] * ahead[n + 2]
            four += here[n] * ahead[n + 3]
        # the last pairs of the three shorter lags
        one += signal[whole] * ahead[whole]
        one += signal[whole + 1] * ahead[whole + 1]
        one += signal[whole + 2] * ahead[whole + 2]
        two += signal[whole] * ahead[whole + 1]
        two += signal[whole + 1] * ahead[whole + 2]
        three += signal[whole] * ahead[whole + 2]
        out[first], out[first + 1], out[first + 2], out[first + 3] = one, two, three, four
        first += 4
    for lag in range(first, order + 1):
        total = 0.0
        for n in range(length - lag):
            total += signal[n] * signal[n + lag]
        out[lag] = total


@inner_kernel
def levinson(correlation: Vector, order: int, out: Vector, scratch: Vector) -> float:
    """Solve the Yule-Walker equations; ``out`` gets the model, the error power is returned.

    The recursion stops early (the rest stays zero) when nothing more can be predicted.
    """
    for k in range(order + 1):
        out[k] = 0.0
    out[0] = 1.0
    power = correlation[0] * (1.0 + RIDGE) + FLOOR
    least = power * 1e-14
    for m in range(1, order + 1):
        total = 0.0
        for k in range(m):
            total += out[k] * correlation[m - k]
        reflection = -total / power
        for k in range(1, m):
            scratch[k] = out[k] + reflection * out[m - k]
        for k in range(1, m):
            out[k] = scratch[k]
        out[m] = reflection
        power *= 1.0 - reflection * reflection
        if power < least:
            return least
    return power


@inner_kernel
def model_correlation(model: Vector, order: int, out: Vector) -> None:
    """``out[k] = sum_l a[l] a[l + k]``: the diagonals of A' A, and the taps of the two-sided error."""
    for lag in range(order + 1):
        total = 0.0
        for k in range(order + 1 - lag):
            total += model[k] * model[k + lag]
        out[lag] = total


@inner_kernel
def factor_band(band: Matrix, count: int, width: int) -> None:
    """Cholesky factor in place: ``band`` becomes L with ``band[i, width]`` holding 1 / L[i, i]."""
    for i in range(count):
        first = max(0, i - width)
        for j in range(first, i):
            low = max(first, j - width)
            total = band[i, j - i + width]
            row_i = band[i, low - i + width : j - i + width]
            row_j = band[j, low - j + width : width]
            for k in range(j - low):
                total -= row_i[k] * row_j[k]
            band[i, j - i + width] = total * band[j, width]
        total = band[i, width]
        row_i = band[i, first - i + width : width]
        for k in range(i - first):
            total -= row_i[k] * row_i[k]
        band[i, width] = 1.0 / np.sqrt(max(total, FLOOR))


@inner_kernel
def solve_band(factor: Matrix, count: int, width: int, vector: Vector) -> None:
    """Solve L L' x = vector in place, with the factor of ``factor_band``."""
    for i in range(count):
        first = max(0, i - width)
        total = vector[i]
        for j in range(first, i):
            total -= factor[i, j - i + width] * vector[j]
        vector[i] = total * factor[i, width]
    for i in range(count - 1, -1, -1):
        value = vector[i] * factor[i, width]
        vector[i] = value
        first = max(0, i - width)
        for j in range(first, i):
            vector[j] -= factor[i, j - i + width] * value


@inner_kernel
def invert_band(factor: Matrix, count: int, width: int, upper: Matrix, inverse: Matrix) -> None:
    """The inverse of L L' inside its band (Takahashi's recursion).

    ``inverse[i, d]`` gets the element ``(i, i + d)``, d = 0..width; the diagonal is ``inverse[:, 0]``.
    ``upper`` and ``inverse`` are scratch and result of shape (count or more, width + 1).
    """
    for i in range(count):
        for d in range(width + 1):
            upper[i, d] = 0.0
            inverse[i, d] = 0.0
    for k in range(count):
        for i in range(max(0, k - width), k):
            upper[i, k - i] = factor[k, i - k + width]
    for i in range(count - 1, -1, -1):
        pivot = factor[i, width]
        reach = min(width, count - 1 - i)
        for d in range(reach, 0, -1):
            j = i + d
            total = 0.0
            for k in range(1, d + 1):
                total += upper[i, k] * inverse[i + k, d - k]
            row = inverse[j, : reach - d + 1]
            part = upper[i, d : reach + 1]
            for k in range(1, reach - d + 1):
                total += part[k] * row[k]
            inverse[i, d] = -total * pivot
        total = 0.0
        for k in range(1, reach + 1):
            total += upper[i, k] * inverse[i, k]
        inverse[i, 0] = pivot * (pivot - total)
