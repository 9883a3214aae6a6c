"""Standard uncertainties: the maker's statement (type B), combination, expansion.

Knows no channel and no window: numbers in, numbers out. The coverage factor is applied
once, at the end.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from daq.records import Accuracy
from daq.stats import student_t_quantile


def std_uncertainty_of_accuracy(value: float, accuracy: Accuracy) -> float:
    r"""Standard uncertainty (type B) of one reading from the maker's accuracy statement.

    .. math:: a = |x| p_r/100 + R p_R/100 + c \, q + a_0, \quad u = a/\sqrt3

    Args:
        value: The reading x [unit of the field].
        accuracy: Percent of reading p_r [%], percent of range p_R [%] with its full scale
            R [unit], counts c [1] of resolution q [unit], constant part a_0 [unit].

    Returns:
        Standard uncertainty [unit of the field].

    Validity:
        Rectangular distribution: the maker states limits and no coverage factor. Counts
        already contain the display's step.

    Source:
        JCGM 100:2008 (GUM), 4.3.7.

    Example:
        >>> round(std_uncertainty_of_accuracy(120.0, Accuracy(0.5, counts=2, resolution=0.1)), 5)
        0.46188
    """
    half_width = (
        abs(value) * accuracy.percent_of_reading / 100.0
        + accuracy.full_scale * accuracy.percent_of_range / 100.0
        + accuracy.counts * accuracy.resolution
        + accuracy.absolute
    )
    return half_width / math.sqrt(3.0)


@dataclass(frozen=True, slots=True)
class Contribution:
    """One standard uncertainty with its degrees of freedom (inf where it is taken as exact)."""

    std_uncertainty: float
    degrees_of_freedom: float = math.inf


@dataclass(frozen=True, slots=True)
class Combined:
    """Combined and expanded uncertainty for a coverage of 95 %."""

    std_uncertainty: float
    degrees_of_freedom: float
    coverage_factor: float
    expanded_uncertainty: float


def combine(contributions: Sequence[Contribution]) -> Combined:
    r"""Combine independent standard uncertainties and expand them to 95 %.

    .. math:: u_c^2 = \sum u_i^2, \quad
        \nu_\mathrm{eff} = \frac{u_c^4}{\sum u_i^4/\nu_i}, \quad
        U = t_{0.975}(\nu_\mathrm{eff}) \, u_c

    Args:
        contributions: Standard uncertainties u_i [one unit] with degrees of freedom [1].

    Returns:
        u_c and U [same unit], effective degrees of freedom and coverage factor [1].

    Raises:
        ValueError: If there is no contribution.

    Validity:
        Independent contributions; sensitivities already applied.

    Source:
        JCGM 100:2008 (GUM), equation (10), G.4 equation (G.2b), G.3.

    Example:
        >>> parts = [Contribution(0.3, 4), Contribution(0.2, 9), Contribution(0.1)]
        >>> round(combine(parts).degrees_of_freedom, 4)
        8.8979
    """
    if not contributions:
        msg = "nothing to combine, expected at least one contribution"
        raise ValueError(msg)
    variance = math.fsum(c.std_uncertainty**2 for c in contributions)
    fourth = math.fsum(
        c.std_uncertainty**4 / c.degrees_of_freedom for c in contributions
    )
    nu = variance**2 / fourth if fourth > 0.0 else math.inf
    factor = student_t_quantile(0.975, nu)
    u = math.sqrt(variance)
    return Combined(u, nu, factor, factor * u)
