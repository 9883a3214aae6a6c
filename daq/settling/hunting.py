"""Whether a machine swings about its level: one period that stands out of the residuals of a fit."""

import math
from collections.abc import Sequence


def is_hunting(residuals: Sequence[float], least_amplitude: float) -> bool:
    r"""Whether one period stands out of the residuals by size and by Fisher's g-test (p < 0.01).

    .. math:: g = \max_j I_j / \sum_j I_j, \quad p \approx m (1 - g)^{m-1}

    Args:
        residuals: In order of time, 0 where a bin is missing [any unit]. Shape (n,), n >= 8.
        least_amplitude: Amplitudes up to it are tolerated [same unit].

    Returns:
        True where the machine swings about its level.

    Validity:
        The p value is the first term of Fisher's series, an upper bound.

    Source:
        R. A. Fisher, Proc. R. Soc. A 125 (1929) 54 (cited from memory); periodogram by Goertzel's recursion.
    """
    n = len(residuals)
    ordinates = [
        _periodogram_ordinate(residuals, 2.0 * math.pi * j / n)
        for j in range(1, (n + 1) // 2)
    ]
    largest, total = max(ordinates), math.fsum(ordinates)
    if total <= 0.0 or 2.0 * math.sqrt(largest) / n <= least_amplitude:
        return False
    m = len(ordinates)
    return bool(m * (1.0 - largest / total) ** (m - 1) < 0.01)


def _periodogram_ordinate(values: Sequence[float], angle: float) -> float:
    twice_cos = 2.0 * math.cos(angle)
    s1 = s2 = 0.0
    for value in values:
        s1, s2 = value + twice_cos * s1 - s2, s1
    return s1 * s1 + s2 * s2 - twice_cos * s1 * s2
