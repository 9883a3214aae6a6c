"""Conveying index: how much of its carrying ability a flow keeps, by a rule of the trade.

The rule (the fifth power of the flow ratio) has no published source for air. It is steep: 1 % in flow is 5 % in the index.
So the index never goes without its uncertainty and the standing of its rule.
"""

from dataclasses import dataclass

from daq.physics.bounds import expect_not_negative, expect_positive, expect_within

USUAL_EXPONENT = 5.0
LEAST_EXPONENT, MOST_EXPONENT = 1.0, 7.0

STANDING = "common practice, no published source"
"""To be printed with every index."""


@dataclass(frozen=True, slots=True)
class ConveyingIndex:
    """Share of the baseline's carrying ability.

    Attributes:
        value: 1 at the baseline's flow [1].
        std_uncertainty: [1].
        exponent: Of the flow ratio [1].
        standing: Of the rule, to be printed with it.
    """

    value: float
    std_uncertainty: float
    exponent: float
    standing: str = STANDING


def conveying_index(
    flow_ratio: float,
    *,
    ratio_std_uncertainty: float,
    exponent: float = USUAL_EXPONENT,
) -> ConveyingIndex:
    r"""Share of the carrying ability that a flow keeps.

    .. math:: I = r^n, \quad u(I) = n \, r^{n-1} u(r)

    Args:
        flow_ratio: Flow over the baseline's r [1], above 0.
        ratio_std_uncertainty: u(r) [1].
        exponent: n [1], 1 to 7.

    Returns:
        I with its standard uncertainty [1].

    Raises:
        ValueError: If the ratio is not above 0 (no flow carries nothing: there is no index), or the exponent is
            outside.

    Validity:
        Relative, for the same duct and the same material only; no promise that anything is carried. u(I) is of first
        order: where n u(r)/r exceeds 0.2, take the index of both ends of the ratio's interval instead, which is exact
        because the index rises with the ratio.

    Source:
        Common practice, no published source. Uncertainty: JCGM 100:2008 (GUM), equation (10).

    Example:
        >>> index = conveying_index(0.886, ratio_std_uncertainty=0.004)
        >>> round(index.value, 3), round(index.std_uncertainty, 3)
        (0.546, 0.012)
    """
    expect_positive(flow_ratio, name="flow ratio", unit="")
    expect_not_negative(
        ratio_std_uncertainty, name="uncertainty of the flow ratio", unit=""
    )
    expect_within(exponent, LEAST_EXPONENT, MOST_EXPONENT, name="exponent", unit="")
    slope = exponent * flow_ratio ** (exponent - 1.0)
    return ConveyingIndex(flow_ratio**exponent, slope * ratio_std_uncertainty, exponent)
