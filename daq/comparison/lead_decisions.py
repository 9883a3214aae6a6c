"""Is a lead what its jacket says? The decision alone: a resistance with its uncertainty against what the size allows.

Rules, decided before anything was measured:

- Too high is said only if the resistance at 20 °C exceeds the standard's maximum (and sound contacts) by more than its
  expanded uncertainty.
- As it should be is said only where that would have been found otherwise: the whole interval lies below the
  maximum, or a conductor one size smaller would have been found too high 19 times in 20.
- Everything else, and everything known worse than 15 %, is "cannot tell", with what the uncertainty comes from.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from daq.comparison.lead_ranges import LeadRange, lead_range
from daq.comparison.rules import ConditionFacts
from daq.uncertainty import Combined

WORST_RELATIVE_U = 0.15
"""A resistance known worse than this decides nothing [1]; standard uncertainty over resistance."""
_ONE_SIDED_95 = 1.645
_LEAST_OF_NOMINAL = 0.9
"""Sound copper of the size has no less than this share of the nominal resistance [1]; our allowance for thick strands."""


class Finding(StrEnum):
    """What a measured loop says of what stands on the jacket."""

    AS_IT_SHOULD_BE = "as it should be"
    TOO_HIGH = "too high"
    CANNOT_TELL = "cannot tell"


class Doubt(StrEnum):
    """Why it cannot be told."""

    NOTHING_STATED = "size and length are not stated"
    NOT_LISTED = "no standard lists the size"
    TOO_UNCERTAIN = "known too badly"
    TOO_LOW = "lower than copper of this size can be"
    TOO_COARSE = "a conductor one size smaller might have been missed"
    RELATIVE = "known only against the baseline's lead"


@dataclass(frozen=True, slots=True)
class Decision:
    """A finding, and why it is none."""

    finding: Finding
    doubt: Doubt | None = None


def decide(
    resistance_ohm: float,
    uncertainty: Combined,
    stated: LeadRange | None,
    *,
    is_least: bool = False,
) -> Decision:
    r"""Hold a loop's resistance against what its jacket says.

    .. math:: R_{20} - U > R_\mathrm{max}: \text{too high}, \quad
        R_{20} + U \le R_\mathrm{max} \;\text{or}\; R_\mathrm{smaller} - R_\mathrm{max} \ge U + 1.645 \, u:
        \text{as it should be}

    Args:
        resistance_ohm: R at 20 °C [ohm].
        uncertainty: Of that, u and U [ohm].
        stated: What size and length allow [ohm].
        is_least: The lead has at least this much, the baseline's own unknown lead comes on top [bool].

    Returns:
        Finding, and the doubt where there is none.

    Validity:
        A conductor one size smaller is taken to be copper of its full nominal area: it may have more resistance, hardly less.

    Source:
        JCGM 106:2012, 8.3 (guarded rejection with a guard band of one U) for too high; the power asked for is this project's own rule.
    """
    if stated is None:
        return Decision(Finding.CANNOT_TELL, Doubt.NOTHING_STATED)
    most = stated.high_ohm
    if most is None:
        return Decision(Finding.CANNOT_TELL, Doubt.NOT_LISTED)
    u = uncertainty.std_uncertainty
    if u > WORST_RELATIVE_U * resistance_ohm:
        return Decision(Finding.CANNOT_TELL, Doubt.TOO_UNCERTAIN)
    return _decided(resistance_ohm, uncertainty, stated, most, is_least=is_least)


def _decided(
    resistance_ohm: float,
    uncertainty: Combined,
    stated: LeadRange,
    most_ohm: float,
    *,
    is_least: bool,
) -> Decision:
    expanded = uncertainty.expanded_uncertainty
    low, high = resistance_ohm - expanded, resistance_ohm + expanded
    if low > most_ohm:
        return Decision(Finding.TOO_HIGH)
    if is_least:
        return Decision(Finding.CANNOT_TELL, Doubt.RELATIVE)
    if high < _LEAST_OF_NOMINAL * stated.low_ohm:
        return Decision(Finding.CANNOT_TELL, Doubt.TOO_LOW)
    if high <= most_ohm or _tells_sizes_apart(
        uncertainty, stated.smaller_ohm, most_ohm
    ):
        return Decision(Finding.AS_IT_SHOULD_BE)
    return Decision(Finding.CANNOT_TELL, Doubt.TOO_COARSE)


def _tells_sizes_apart(
    uncertainty: Combined, smaller_ohm: float | None, most_ohm: float
) -> bool:
    """Whether a conductor one size smaller would have been found too high 19 times in 20."""
    margin = (
        uncertainty.expanded_uncertainty + _ONE_SIDED_95 * uncertainty.std_uncertainty
    )
    return smaller_ohm is not None and smaller_ohm - most_ohm >= margin


def likely_fitted(
    resistance_ohm: float,
    expanded_uncertainty_ohm: float,
    conditions: Sequence[ConditionFacts],
    *,
    called_for: str,
) -> str | None:
    """Which other condition's lead a measured loop fits, where it does not fit the one that was called for.

    Args:
        resistance_ohm: At 20 °C [ohm].
        expanded_uncertainty_ohm: Of that [ohm].
        conditions: Of the plan.
        called_for: Name of the condition that should be fitted.

    Returns:
        Name of the condition whose lead is nearest among those that fit within the uncertainty, and better by at least
        that than the lead called for; None where that one fits, is not described, or no other one fits.
    """
    ranges = {
        each.name: stated
        for each in conditions
        if each.lead and (stated := lead_range(each.lead))
    }
    called = ranges.pop(called_for, None)
    if called is None:
        return None
    # Far better: one that is itself just within the uncertainty is no likelier than one that is just outside.
    most_ohm = _miss(resistance_ohm, called) - expanded_uncertainty_ohm
    if most_ohm <= 0.0:
        return None
    fitting = [
        name
        for name, stated in ranges.items()
        if _miss(resistance_ohm, stated) <= min(most_ohm, expanded_uncertainty_ohm)
    ]
    return min(
        fitting,
        key=lambda name: abs(resistance_ohm - _middle(ranges[name])),
        default=None,
    )


def _miss(resistance_ohm: float, stated: LeadRange) -> float:
    """How far outside the range [ohm]; 0 inside it."""
    low, high = _LEAST_OF_NOMINAL * stated.low_ohm, _high(stated)
    return max(low - resistance_ohm, resistance_ohm - high, 0.0)


def _middle(stated: LeadRange) -> float:
    return 0.5 * (stated.low_ohm + _high(stated))


def _high(stated: LeadRange) -> float:
    """Where no standard names a maximum, a fifth above copper of the size is as far as any does."""
    return stated.high_ohm or 1.2 * stated.low_ohm
