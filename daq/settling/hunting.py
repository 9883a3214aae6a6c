"""Whether machines swing about their level: one period that stands out of the residuals of a fit."""

import math

import numpy as np
from numpy.typing import NDArray


def are_hunting(
    residuals: NDArray[np.float64],
    least_amplitudes: NDArray[np.float64],
    *,
    least_periods: int = 1,
) -> list[bool]:
    r"""Whether in each record one period stands out of the residuals by size and by Fisher's g-test (p < 0.01).

    .. math:: g = \max_j I_j / \sum_j I_j, \quad p \approx m (1 - g)^{m-1}

    Args:
        residuals: In order of time, 0 where a bin is missing [any unit]. Shape (records, n), n >= 8.
        least_amplitudes: Amplitudes up to it are tolerated [same unit]. Shape (records,).
        least_periods: Slower swings, of fewer periods in the record, are left aside [1].

    Returns:
        True where the machine swings about its level.

    Validity:
        The p value is the first term of Fisher's series, an upper bound.

    Source:
        R. A. Fisher, Proc. R. Soc. A 125 (1929) 54 (cited from memory).
    """
    n = residuals.shape[1]
    # Parseval: no ordinate can be larger than half of n times the sum of squares.
    squares = np.einsum("ij,ij->i", residuals, residuals)
    most = 2.0 * np.sqrt(squares * n / 2.0) / n * (1.0 + 1e-9)
    hunting = [False] * len(residuals)
    possible = np.flatnonzero(most > least_amplitudes)
    if not possible.size:
        return hunting
    # Constant part and, of an even number, the highest frequency are no swings.
    spectrum = np.abs(np.fft.rfft(residuals[possible])[:, 1 : (n + 1) // 2]) ** 2
    largest = spectrum[:, least_periods - 1 :].max(axis=1).tolist()
    totals = spectrum.sum(axis=1).tolist()
    m = spectrum.shape[1]
    for row, peak, total in zip(possible.tolist(), largest, totals, strict=True):
        is_large = 2.0 * math.sqrt(peak) / n > least_amplitudes[row]
        if total > 0.0 and is_large:
            hunting[row] = m * (1.0 - peak / total) ** (m - 1) < 0.01
    return hunting
