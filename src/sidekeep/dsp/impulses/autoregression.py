"""Autoregressive models: fit, prediction error, and the banded normal equations of estimation.

Conventions: a model of order p is ``a`` of length p + 1 with ``a[0] = 1``; the forward prediction error is
``e[n] = sum_k a[k] x[n - k]``. With A the banded error matrix, ``A' A`` is (away from the ends) Toeplitz with the
autocorrelation ``c`` of ``a`` on its diagonals; ``u = A' A x`` is the two-sided error (Godsill & Rayner, *Digital
Audio Restoration*, 1998, chapters 4 and 5). Signals are one-dimensional contiguous float64.

Band matrices are symmetric positive definite of half-width w, stored by the rows of their upper half: ``band[i, d]`` is the
element ``(i, i + d)``, d = 0..w.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.kernel import inner_kernel

Vector = NDArray[np.float64]
Matrix = NDArray[np.float64]

RIDGE = 1e-9
"""White noise added to an autocorrelation, as a share of its power: keeps silence and pure tones solvable."""
FLOOR = 1e-30
"""Power of digital silence, so that nothing is divided by nothing: 150 dB under the rounding of 24 bits."""


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
        total, ahead = 0.0, signal[lag:]
        for n in range(ahead.shape[0]):
            total += signal[n] * ahead[n]
        out[lag] = total


@inner_kernel
def correlate_walls(left: Vector, right: Vector, order: int, out: Matrix) -> None:
    """The correlations of two signals and of their sum: rows 0, 1 and 2 of ``out``, each as in ``autocorrelate``.

    Four lags a pass. All of them see as many frames as the greatest, and what the lesser ones see beyond is added behind.
    """
    length = left.shape[0]
    first = 0
    while first + 3 <= min(order, length - 1):
        whole = length - first - 3
        a0, a1, a2, a3 = 0.0, 0.0, 0.0, 0.0
        b0, b1, b2, b3 = 0.0, 0.0, 0.0, 0.0
        c0, c1, c2, c3 = 0.0, 0.0, 0.0, 0.0
        x, y, u, v = left[:whole], right[:whole], left[first:], right[first:]
        for n in range(whole):
            a0 += x[n] * u[n]
            b0 += y[n] * v[n]
            c0 += (x[n] + y[n]) * (u[n] + v[n])
            a1 += x[n] * u[n + 1]
            b1 += y[n] * v[n + 1]
            c1 += (x[n] + y[n]) * (u[n + 1] + v[n + 1])
            a2 += x[n] * u[n + 2]
            b2 += y[n] * v[n + 2]
            c2 += (x[n] + y[n]) * (u[n + 2] + v[n + 2])
            a3 += x[n] * u[n + 3]
            b3 += y[n] * v[n + 3]
            c3 += (x[n] + y[n]) * (u[n + 3] + v[n + 3])
        out[0, first], out[0, first + 1], out[0, first + 2], out[0, first + 3] = a0, a1, a2, a3
        out[1, first], out[1, first + 1], out[1, first + 2], out[1, first + 3] = b0, b1, b2, b3
        out[2, first], out[2, first + 1], out[2, first + 2], out[2, first + 3] = c0, c1, c2, c3
        for more in range(3):
            lag = first + more
            for n in range(whole, whole + 3 - more):
                out[0, lag] += left[n] * left[n + lag]
                out[1, lag] += right[n] * right[n + lag]
                out[2, lag] += (left[n] + right[n]) * (left[n + lag] + right[n + lag])
        first += 4
    for lag in range(first, order + 1):
        a, b, c = 0.0, 0.0, 0.0
        u, v = left[lag:], right[lag:]
        for n in range(u.shape[0]):
            a += left[n] * u[n]
            b += right[n] * v[n]
            c += (left[n] + right[n]) * (u[n] + v[n])
        out[0, lag], out[1, lag], out[2, lag] = a, b, c


@inner_kernel
def levinson(correlation: Vector, order: int, out: Vector, scratch: Vector) -> float:
    """Solve the Yule-Walker equations; ``out`` gets the model, the error power is returned. ``scratch``: 2 (order + 1) long.

    The recursion stops early (the rest stays zero) when nothing more can be predicted. Reflections come from what each step
    leaves of the correlations (Schur's way), not from a sum over the model, for which all would have to wait. The model is kept
    forwards and backwards; backwards it takes the places that what is left gives up.
    """
    one, two = scratch[: order + 1], scratch[order + 1 : 2 * order + 2]
    for k in range(order + 1):
        one[k], two[k] = correlation[k], correlation[k]
        out[k] = 0.0
    power = correlation[0] * (1.0 + RIDGE) + FLOOR
    one[0], out[0] = power, 1.0
    least = power * 1e-14
    for m in range(1, order + 1):
        reflection = -two[m] / power
        power *= 1.0 - reflection * reflection
        left, right = one[: order - m + 1], two[m : order + 1]
        for k in range(order - m + 1):
            a, b = left[k], right[k]
            left[k] = a + reflection * b
            right[k] = b + reflection * a
        if m == 1:
            one[order] = 1.0
        forth, turned = out[1 : m + 1], one[order - m + 1 : order + 1]
        for k in range(m):
            a, b = forth[k], turned[k]
            forth[k] = a + reflection * b
            turned[k] = b + reflection * a
        one[order - m] = reflection
        if power < least:
            return least
    return power


@inner_kernel
def add_products(signal: Vector, order: int, first: Vector, band: Matrix) -> None:
    """The normal equations of a predictor fitted within ``signal`` (covariance method: no window); n from order to the end.

    ``first[k] += sum_n signal[n] signal[n - k]``, k = 0..order, and of what is foretold from
    ``band[i, d] += sum_n signal[n - 1 - i] signal[n - 1 - i - d]`` (order, order); what lies outside the matrix gets numbers
    without a meaning. Four lags a pass, as in ``autocorrelate``; every row follows from the one before it by its first and last
    pair.
    """
    n = signal.shape[0]
    if n <= order:
        return
    whole, here = n - order, signal[order:]
    sums = np.empty(order + 1)
    lag = 0
    while lag + 3 <= order:
        one, two, three, four = 0.0, 0.0, 0.0, 0.0
        behind = signal[order - lag - 3 :]
        for i in range(whole):
            one += here[i] * behind[i + 3]
            two += here[i] * behind[i + 2]
            three += here[i] * behind[i + 1]
            four += here[i] * behind[i]
        sums[lag], sums[lag + 1], sums[lag + 2], sums[lag + 3] = one, two, three, four
        lag += 4
    for last in range(lag, order + 1):
        total, behind = 0.0, signal[order - last :]
        for i in range(whole):
            total += here[i] * behind[i]
        sums[last] = total
    for k in range(order + 1):
        first[k] += sums[k]
    # the frames before the first that is foretold, and the last ones, both backwards; silence beyond, for rows of equal length
    head, tail = np.zeros(2 * order), np.zeros(2 * order)
    for k in range(order):
        head[k], tail[k] = signal[order - 1 - k], signal[n - 1 - k]
    for i in range(order):
        comes, goes, row, ahead, behind = head[i], tail[i], band[i], head[i:], tail[i:]
        for d in range(order):
            sums[d] += comes * ahead[d] - goes * behind[d]
            row[d] += sums[d]


@inner_kernel
def solve_products(first: Vector, band: Matrix, share: float, least: float, model: Vector) -> float:
    """The ``model`` of the equations of ``add_products``, and its squared error in all; ``band`` is lost.

    White noise is added to each frame: so much as a ``share`` of their power, and ``least``.
    """
    order = band.shape[0]
    power = 0.0
    for i in range(order):
        power += band[i, 0]
    taps = model[1:]
    for i in range(order):
        band[i, 0] += share * power / order + least
        taps[i] = -first[i + 1]
    factor_band(band, order, order - 1)
    solve_band(band, order, order - 1, taps)
    model[0] = 1.0
    error = 0.0
    for k in range(order + 1):
        error += model[k] * first[k]
    return error


@inner_kernel
def model_correlation(model: Vector, order: int, out: Vector) -> None:
    """``out[k] = sum_l a[l] a[l + k]``: the diagonals of A' A, and the taps of the two-sided error.

    Four taps a pass, so that the sums are read and written once for all of them.
    """
    for lag in range(order + 1):
        out[lag] = 0.0
    first = 0
    while first + 3 <= order:
        one, two, three, four = model[first], model[first + 1], model[first + 2], model[first + 3]
        ahead, whole = model[first:], order - 2 - first
        for lag in range(whole):
            out[lag] += (
                one * ahead[lag] + two * ahead[lag + 1] + three * ahead[lag + 2] + four * ahead[lag + 3]
            )
        # the last lags that the four still reach
        out[whole] += one * ahead[whole] + two * ahead[whole + 1] + three * ahead[whole + 2]
        out[whole + 1] += one * ahead[whole + 1] + two * ahead[whole + 2]
        out[whole + 2] += one * ahead[whole + 2]
        first += 4
    for k in range(first, order + 1):
        tap, ahead = model[k], model[k : order + 1]
        for lag in range(order + 1 - k):
            out[lag] += tap * ahead[lag]


@inner_kernel
def factor_band(band: Matrix, count: int, width: int) -> None:
    """Cholesky factor U' U in place: ``band`` becomes U with ``band[i, 0]`` holding 1 / U[i, i]."""
    for i in range(count):
        row, reach = band[i], min(width, count - 1 - i)
        pivot = 1.0 / math.sqrt(max(row[0], FLOOR))
        row[0] = pivot
        for d in range(1, reach + 1):
            row[d] *= pivot
        for d in range(1, reach + 1):
            weight, ahead, below = row[d], row[d : reach + 1], band[i + d, : reach - d + 1]
            for k in range(reach - d + 1):
                below[k] -= weight * ahead[k]


@inner_kernel
def solve_band(factor: Matrix, count: int, width: int, vector: Vector) -> None:
    """Solve U' U x = vector in place, with the factor of ``factor_band``."""
    for i in range(count):
        reach = min(width, count - 1 - i)
        value = vector[i] * factor[i, 0]
        vector[i] = value
        row, below = factor[i, 1 : reach + 1], vector[i + 1 : i + 1 + reach]
        for k in range(reach):
            below[k] -= value * row[k]
    for i in range(count - 1, -1, -1):
        reach = min(width, count - 1 - i)
        total = vector[i]
        row, below = factor[i, 1 : reach + 1], vector[i + 1 : i + 1 + reach]
        for k in range(reach):
            total -= row[k] * below[k]
        vector[i] = total * factor[i, 0]


@inner_kernel
def invert_band(factor: Matrix, count: int, width: int, inverse: Matrix) -> None:
    """The inverse of U' U inside its band (Takahashi's recursion).

    ``inverse[i, width + d]`` gets the element ``(i, i + d)``, d = -width..width. Both halves are kept, so that every row is a
    sum of pieces of the rows below it. What lies outside the matrix is left as it was.
    """
    line = np.empty(width)
    for i in range(count - 1, -1, -1):
        pivot, reach = factor[i, 0], min(width, count - 1 - i)
        row = factor[i]
        for d in range(reach):
            line[d] = 0.0
        k = 1
        while k + 3 <= reach:
            # four rows at a time: the line is read and written once for all of them
            one, two, three, four = row[k], row[k + 1], row[k + 2], row[k + 3]
            near, next_one = inverse[i + k, width + 1 - k :], inverse[i + k + 1, width - k :]
            third, far = inverse[i + k + 2, width - 1 - k :], inverse[i + k + 3, width - 2 - k :]
            for d in range(reach):
                line[d] += one * near[d] + two * next_one[d] + three * third[d] + four * far[d]
            k += 4
        for last in range(k, reach + 1):
            weight, below = row[last], inverse[i + last, width + 1 - last :]
            for d in range(reach):
                line[d] += weight * below[d]
        total = 0.0
        for d in range(reach):
            line[d] *= -pivot
            total += line[d] * row[d + 1]
            inverse[i, width + 1 + d] = line[d]
        inverse[i, width] = pivot * (pivot - total)
        for d in range(reach):
            inverse[np.uint64(i + 1 + d), np.uint64(width - 1 - d)] = line[d]
