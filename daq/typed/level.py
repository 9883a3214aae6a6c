"""Typed readings of a settled window into a level with its uncertainty."""

import statistics
from collections.abc import Sequence

from daq.records import Contribution
from daq.settling.level import LevelEstimate
from daq.uncertainty import combine

_SQRT_3 = 3.0**0.5


def level_from_typed(
    values: Sequence[float], *, resolution: float, relative_drift: float = 0.0
) -> LevelEstimate:
    r"""Level of a settled quantity from a few readings that a person took at times drawn by lot.

    .. math:: \bar x = \frac1n \sum x_i, \quad u_A = s / \sqrt n, \quad \nu = n - 1, \quad Q = q / 2, \quad
        u_d = \delta |\bar x|

    Args:
        values: Readings of one channel in one settled window [any unit]. Shape (n,), n >= 2, finite.
        resolution: The display's step q [unit of values].
        relative_drift: Standard uncertainty of a drift that the window may still hold, delta [1].

    Returns:
        Mean, type A uncertainty, open drift u_d, half step Q [unit of values] and degrees of freedom [1].

    Raises:
        ValueError: If there are fewer than two values.

    Validity:
        Readings that are independent: further apart than the load's wander lasts. Half a step is kept whole, once and not
        divided by the root of n: with five readings nobody can tell whether the scatter was enough to dither the
        rounding, and readings that are all alike tell no more than one. A drift cannot be fitted to so few: what the window may hold of one is for
        the caller to say.

    Source:
        JCGM 100:2008 (GUM), 4.2.3 for the mean; F.2.2.1 for the resolution of a display.

    Example:
        >>> level = level_from_typed([12.3, 12.4, 12.3, 12.2, 12.3], resolution=0.1)
        >>> round(level.mean, 3), round(level.std_uncertainty, 4), level.half_step
        (12.3, 0.0316, 0.05)
    """
    if len(values) < 2:
        msg = f"{len(values)} values, expected at least 2"
        raise ValueError(msg)
    count, mean = len(values), statistics.fmean(values)
    u_a = statistics.stdev(values) / count**0.5
    half_step = resolution / 2.0
    scatter = Contribution(u_a, count - 1.0)
    rounding = Contribution(half_step / _SQRT_3)
    drift = Contribution(relative_drift * abs(mean))
    return LevelEstimate(
        mean=mean,
        plain_mean=mean,
        std_uncertainty=u_a,
        degrees_of_freedom=count - 1.0,
        half_step=half_step,
        expanded_uncertainty=combine([scatter, rounding, drift]).expanded_uncertainty,
        count=count,
        effective_count=float(count),
        open_drift=drift.std_uncertainty,
    )
