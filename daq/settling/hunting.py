"""Whether a machine swings about its level: one period that stands out of the residuals of a fit."""

import math

import numpy as np
from numpy.typing import NDArray


def is_hunting(
    residuals: NDArray[np.float64], least_amplitude: float, *, least_periods: int = 1
) -> bool:
    r"""Whether one period stands out of the residuals by size and by Fisher's g-test (p < 0.01).

    .. math:: g = \max_j I_j / \sum_j I_j, \quad p \approx m (1 - g)^{m-1}

    Args:
        residuals: In order of time, 0 where a bin is missing [any unit]. Shape (n,), n >= 8.
        least_amplitude: Amplitudes up to it are tolerated [same unit].
        least_periods: Slower swings, of fewer periods in the record, are left aside [1].

    Returns:
        True where the machine swings about its level.

    Validity:
        The p value is the first term of Fisher's series, an upper bound.

    Source:
        R. A. Fisher, Proc. R. Soc. A 125 (1929) 54 (cited from memory).
    """
    n = len(residuals)
    # Parseval: no ordinate can be larger than half of n times the sum of squares.
    most = math.sqrt(float(residuals @ residuals) * n / 2.0)
    if 2.0 * most / n * (1.0 + 1e-9) <= least_amplitude:
        return False
    # Constant part and, of an even number, the highest frequency are no swings.
    spectrum = np.abs(np.fft.rfft(residuals)[1 : (n + 1) // 2]) ** 2
    largest = float(spectrum[least_periods - 1 :].max())
    total = float(spectrum.sum())
    if total <= 0.0 or 2.0 * math.sqrt(largest) / n <= least_amplitude:
        return False
    m = len(spectrum)
    return bool(m * (1.0 - largest / total) ** (m - 1) < 0.01)
