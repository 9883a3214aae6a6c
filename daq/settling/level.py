"""What the rule gives for one channel over one window."""

import math
from dataclasses import dataclass

from daq.records import NormalisedBy


@dataclass(frozen=True, slots=True)
class LevelEstimate:
    """The settled level of one channel over one window.

    Attributes:
        mean: The level [unit of the channel].
        plain_mean: Mean of the bins, whatever drift is left in them [same].
        std_uncertainty: Type A [same].
        degrees_of_freedom: [1] of it.
        half_step: How far rounding may hide the truth, Q of `undithered_half_step` [same].
        expanded_uncertainty: For 95 %, without the instrument's own accuracy [same].
        count: [1] readings.
        effective_count: [1] independent bins worth as much.
        normalised: How the mean was taken to a reference voltage; None where it was not. Its uncertainty is not
            in `std_uncertainty`, for it is a contribution of its own, but in `expanded_uncertainty`.
        open_drift: Standard uncertainty of the drift that may be left beyond what the readings tell [same]; likewise.
        drift_in_mean: How far the drift that is left takes the mean of the bins from the level, both normalised or
            neither [same].
    """

    mean: float
    plain_mean: float
    std_uncertainty: float
    degrees_of_freedom: float
    half_step: float
    expanded_uncertainty: float
    count: int
    effective_count: float
    normalised: NormalisedBy | None = None
    open_drift: float = 0.0
    drift_in_mean: float = 0.0


def relative_drift_allowed(
    level: float,
    drift: float,
    std_uncertainty: float,
    *,
    tolerance: float,
    resolution: float,
) -> float:
    r"""Drift that a window which the rule has confirmed may still hold in the mean of a channel, by one that it waited for.

    .. math:: \delta = \tau \sqrt{d^2 + u^2} / \max(\tau |x|, q / 2)

    Args:
        level: Level x of the channel that was waited for [unit of that channel].
        drift: How far drift takes the mean of its readings from the level, d [same].
        std_uncertainty: Of both, u [same].
        tolerance: Its relative tolerance, tau [1].
        resolution: Its display's step q [unit of that channel].

    Returns:
        Relative standard uncertainty of the mean of another channel over the same window [1]. With several channels
        that were waited for the largest holds.

    Validity:
        For plain means of a few readings, in which no drift can be fitted: the other channel drifts in proportion to the
        one that was waited for, or less. The drift is taken whole as a standard uncertainty, which leaves room for one
        that drifts half as much again.

    Source:
        Own rule; as a contribution JCGM 100:2008 (GUM), 4.3.1.

    Example:
        >>> round(relative_drift_allowed(1000.0, 1.0, 0.0, tolerance=0.005, resolution=0.1), 6)
        0.001
    """
    band = max(tolerance * abs(level), resolution / 2.0) or 1.0
    return tolerance * math.hypot(drift, std_uncertainty) / band
