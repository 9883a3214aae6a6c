"""Standard uncertainties: the maker's statement (type B), combination, expansion.

Knows no channel and no window: numbers in, numbers out. The coverage factor is applied
once, at the end.
"""

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from daq.records import Accuracy, Distribution
from daq.records import Contribution as Contribution  # handed on
from daq.stats import student_t_quantile


def contributions_of_accuracy(
    value: float, accuracy: Accuracy, *, zero_subtracted: bool = False
) -> tuple[Contribution, ...]:
    r"""What a profile states of a meter's errors, as contributions to the uncertainty of one reading.

    .. math:: a = |x| p_r/100 + R p_R/100 + c \, q + a_0, \quad u = a/\sqrt3

    for the limits in one piece, likewise a/sqrt(3) for each part that is stated apart (gain, offset,
    linearity, temperature coefficient times span), and U/k for a certificate.

    Args:
        value: The reading x [unit of the field].
        accuracy: Limits of error and certificate [units there].
        zero_subtracted: Whether the meter's zero was measured and taken off [bool]; the stated offset is then
            that of a zero nobody uses, and is left out.

    Returns:
        Contributions [unit of the field], none for what is not stated.

    Validity:
        Rectangular distribution where the maker states limits and no coverage factor, and infinite
        degrees of freedom unless the certificate states them. Limits in one piece are those of a sum and add up
        as such; parts stated apart are independent. Counts already contain the display's step.

    Source:
        JCGM 100:2008 (GUM), 4.3.3 for U/k, 4.3.7 with its example 2 for the sum of limits.

    Example:
        >>> [round(c.std_uncertainty, 5) for c in contributions_of_accuracy(10.0, Accuracy(gain_percent=1.0, offset=0.2))]
        [0.05774, 0.11547]
    """
    parts = [_one_piece(abs(value), accuracy), *_parts(abs(value), accuracy)]
    stated = [
        Contribution(
            half_width / math.sqrt(3.0),
            name=name,
            distribution=Distribution.RECTANGULAR,
            detail=detail,
        )
        for name, half_width, detail in parts
        if half_width > 0.0 and not (name == "offset" and zero_subtracted)
    ]
    return (*stated, *_certificate(abs(value), accuracy))


def _one_piece(magnitude: float, accuracy: Accuracy) -> tuple[str, float, str]:
    half_width = (
        magnitude * accuracy.percent_of_reading / 100.0
        + accuracy.full_scale * accuracy.percent_of_range / 100.0
        + accuracy.counts * accuracy.resolution
        + accuracy.absolute
    )
    count = "count" if accuracy.counts == 1 else "counts"
    said = (
        (accuracy.percent_of_reading, "{:g} % of reading"),
        (accuracy.percent_of_range, f"{{:g}} % of range {accuracy.full_scale:g}"),
        (accuracy.counts, f"{{:g}} {count} of {accuracy.resolution:g}"),
        (accuracy.absolute, "{:g}"),
    )
    detail = " + ".join(text.format(figure) for figure, text in said if figure)
    return "accuracy", half_width, detail


def _parts(magnitude: float, accuracy: Accuracy) -> Iterator[tuple[str, float, str]]:
    """Name, half-width and wording of what is stated apart."""
    gain, linearity = accuracy.gain_percent, accuracy.linearity_percent
    per_k, span_k = accuracy.temperature_percent_per_k, accuracy.temperature_span_k
    yield "gain", magnitude * gain / 100.0, f"{gain:g} % of reading"
    yield "offset", accuracy.offset, f"{accuracy.offset:g}"
    yield (
        "linearity",
        accuracy.full_scale * linearity / 100.0,
        f"{linearity:g} % of range {accuracy.full_scale:g}",
    )
    yield (
        "temperature",
        magnitude * per_k / 100.0 * span_k,
        f"{per_k:g} % of reading per K, within {span_k:g} K",
    )


def _certificate(magnitude: float, accuracy: Accuracy) -> Iterator[Contribution]:
    share, k = accuracy.certificate_u_percent, accuracy.certificate_k
    expanded = accuracy.certificate_u + magnitude * share / 100.0
    nu = accuracy.certificate_degrees_of_freedom
    if expanded > 0.0:
        stated = f"{share:g} % of reading" if share else f"{accuracy.certificate_u:g}"
        yield Contribution(
            expanded / k,
            math.inf if nu is None else nu,
            name="certificate",
            detail=f"U = {stated}, k = {k:g}",
        )


def std_uncertainty_of_accuracy(value: float, accuracy: Accuracy) -> float:
    r"""Standard uncertainty (type B) of one reading from all that the profile states.

    .. math:: u = \sqrt{\sum u_i^2}

    Args:
        value: The reading x [unit of the field].
        accuracy: Limits of error and certificate [units there].

    Returns:
        Standard uncertainty [unit of the field].

    Validity:
        As `contributions_of_accuracy`, whose results u_i are.

    Source:
        JCGM 100:2008 (GUM), 4.3.7 and equation (10).

    Example:
        >>> round(std_uncertainty_of_accuracy(120.0, Accuracy(0.5, counts=2, resolution=0.1)), 5)
        0.46188
    """
    parts = contributions_of_accuracy(value, accuracy)
    return math.hypot(*(part.std_uncertainty for part in parts))


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
