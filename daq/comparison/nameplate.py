"""The baseline held against what the maker rates the machine at: met, exceeded, short, or within the uncertainty.

A rating is met only where the whole interval lies inside it with the plan's tolerance; an interval that straddles an edge
says neither. What cannot be held against a rating is said in a sentence.
"""

from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum

from daq.comparison.levels import ConditionLevel, condition_levels
from daq.comparison.observations import Quantity
from daq.comparison.rules import Nameplate
from daq.comparison.session import SessionComparison, SessionFigures
from daq.comparison.trial_inputs import MACHINE_END, SUPPLY_END
from daq.units import unit_of


class RatingVerdict(StrEnum):
    """How a figure stands to its rating."""

    MET = "met"
    EXCEEDED = "exceeded"
    SHORT = "short"
    WITHIN_UNCERTAINTY = "within the uncertainty"


@dataclass(frozen=True, slots=True)
class RatingCheck:
    """One figure of the baseline against its rating.

    Attributes:
        quantity: What was measured.
        rated: By the nameplate [unit of the quantity].
        tolerance_percent: Within which the rating counts as met [%].
        level: What the baseline averaged to [same unit].
        verdict: How it stands to the rating.
    """

    quantity: Quantity
    rated: float
    tolerance_percent: float
    level: ConditionLevel
    verdict: RatingVerdict

    @property
    def percent_of_rating(self) -> float:
        """The mean [% of the rating]."""
        return 100.0 * self.level.mean / self.rated

    @property
    def expanded_percent(self) -> float:
        """Its expanded uncertainty [% of the rating]."""
        return 100.0 * self.level.expanded_uncertainty / self.rated


@dataclass(frozen=True, slots=True)
class NameplateComparison:
    """The baseline against the nameplate.

    Attributes:
        baseline: Name of the condition.
        checks: One a rated quantity; two for an airflow that is known as it was and as of standard air.
        remarks: What could not be checked, and what is to be kept in mind.
    """

    baseline: str
    checks: tuple[RatingCheck, ...]
    remarks: tuple[str, ...] = ()

    def of(self, kind: str) -> RatingCheck | None:
        """The first check of a kind of quantity; None where there is none."""
        return next((c for c in self.checks if c.quantity.quantity == kind), None)


def compare_nameplate(comparison: SessionComparison) -> NameplateComparison:
    """Hold the baseline against the nameplate.

    Args:
        comparison: Of the session.
    """
    figures = comparison.figures
    nameplate = figures.facts.nameplate
    found = [
        *_checked(figures, "voltage", nameplate.voltage_v, "V"),
        *_checked(figures, "current", nameplate.current_a, "A"),
        *_checked(figures, "power", nameplate.power_w, "W"),
        *_checked(figures, "airflow", nameplate.airflow, nameplate.airflow_unit),
    ]
    checks = tuple(each for each in found if isinstance(each, RatingCheck))
    remarks = [each for each in found if isinstance(each, str)]
    if nameplate == Nameplate(tolerance_percent=nameplate.tolerance_percent):
        remarks.append("the plan states no rating ([machine.nameplate])")
    return NameplateComparison(
        figures.baseline, checks, (*remarks, *_reservations(checks))
    )


def rating_verdict(
    mean: float, expanded_uncertainty: float, rated: float, *, tolerance_percent: float
) -> RatingVerdict:
    r"""How a figure stands to a rating.

    .. math:: [m - U, m + U] \subseteq [r (1 - \tau), r (1 + \tau)]

    for a rating that is met; wholly above or below for one that is exceeded or not reached.

    Args:
        mean: m [any unit].
        expanded_uncertainty: U [same unit].
        rated: r [same unit], above 0.
        tolerance_percent: tau [%].

    Returns:
        Verdict [1]; within the uncertainty where the interval straddles an edge.

    Raises:
        ValueError: If the rating is not above 0.

    Validity:
        With no tolerance an uncertain figure never meets its rating: it is at best within the uncertainty.

    Source:
        JCGM 106:2012, 8.3.2 (guarded acceptance, with the expanded uncertainty as the guard band); cited from memory.

    Example:
        >>> rating_verdict(6.2, 0.1, 6.5, tolerance_percent=5.0).value
        'within the uncertainty'
    """
    if not rated > 0.0:
        msg = f"rating {rated:g}, expected above 0"
        raise ValueError(msg)
    share = tolerance_percent / 100.0
    least, most = rated * (1.0 - share), rated * (1.0 + share)
    low, high = mean - expanded_uncertainty, mean + expanded_uncertainty
    if low > most:
        return RatingVerdict.EXCEEDED
    if high < least:
        return RatingVerdict.SHORT
    is_inside = least <= low and high <= most
    return RatingVerdict.MET if is_inside else RatingVerdict.WITHIN_UNCERTAINTY


def machine_channels(
    quantities: Iterable[Quantity], kind: str, second_choice: Collection[str] = ()
) -> list[Quantity]:
    """Channels that say what a machine gets or takes: the bench's own first, and of these those at the machine's end.

    Args:
        quantities: Of the session.
        kind: "voltage", "current" or "power". A voltage at the supply's end is not the machine's; a current is the
            same everywhere in the loop.
        second_choice: Names of channels that were typed or imported.
    """
    channels = [q for q in quantities if q.quantity == kind and not q.formula]
    if kind == "voltage":
        channels = [q for q in channels if q.place != SUPPLY_END]
    order = {MACHINE_END: 0, SUPPLY_END: 1}
    return sorted(
        channels,
        key=lambda q: (q.name in second_choice, order.get(q.place, 2)),
    )


def _checked(
    figures: SessionFigures, kind: str, rated: float | None, unit: str
) -> Iterator[RatingCheck | str]:
    """Checks of one rating; a sentence where there is nothing to hold against it."""
    if rated is None:
        return
    levels = [
        (quantity, level)
        for quantity in _measured(figures, kind)
        if (level := _baseline_level(figures, quantity))
    ]
    if not levels:
        yield f"the rated {kind} is held against nothing: {_why_missing(kind)}"
    tolerance = figures.facts.nameplate.tolerance_percent
    for quantity, level in levels:
        in_unit = rated * unit_of(unit).factor / unit_of(quantity.unit).factor
        verdict = rating_verdict(
            level.mean,
            level.expanded_uncertainty,
            in_unit,
            tolerance_percent=tolerance,
        )
        yield RatingCheck(quantity, in_unit, tolerance, level, verdict)


def _measured(figures: SessionFigures, kind: str) -> list[Quantity]:
    """What may be held against a rating, in the order it is shown."""
    if kind == "airflow":
        return _airflows(figures)
    there = machine_channels(figures.quantities, kind, figures.second_choice)
    return [q for q in there if _baseline_level(figures, q)][:1]


def _airflows(figures: SessionFigures) -> list[Quantity]:
    by_name = {q.name: q for q in figures.quantities}
    for airflow in figures.surroundings.airflows:
        names = (f"{airflow.name}_standard", airflow.name)
        there = [by_name[name] for name in names if name in by_name]
        if any(_baseline_level(figures, q) for q in there):
            return there
    return [q for q in figures.quantities if q.quantity == "airflow"][:1]


def _baseline_level(
    figures: SessionFigures, quantity: Quantity
) -> ConditionLevel | None:
    observations = figures.observations.get(quantity.name, ())
    levels = condition_levels(quantity.name, observations)
    return next((each for each in levels if each.condition == figures.baseline), None)


def _why_missing(kind: str) -> str:
    if kind == "voltage":
        return (
            "no voltage was averaged at the machine's end under the baseline (one at the supply's end leaves out what"
            " the lead takes)"
        )
    if kind == "airflow":
        return "no airflow was averaged or derived under the baseline ([[airflow]] of the bench makes one of a velocity)"
    return f"no {kind} was averaged under the baseline"


def _reservations(checks: tuple[RatingCheck, ...]) -> Iterator[str]:
    by_kind: dict[str, list[RatingCheck]] = {}
    for check in checks:
        by_kind.setdefault(check.quantity.quantity, []).append(check)
    for check in by_kind.get("power", ()):
        if check.quantity.place == SUPPLY_END:
            yield "power is measured at the supply's end: what the lead turns into heat is in it"
    if len(by_kind.get("airflow", ())) > 1:
        yield (
            "the nameplate does not say of what air its airflow is: the flow as it was and that of standard air are"
            " both held against it"
        )
    for check in by_kind.get("voltage", ()):
        off = check.verdict in {RatingVerdict.SHORT, RatingVerdict.EXCEEDED}
        if off and len(by_kind) > 1:
            yield (
                f"the other ratings hold at {check.rated:g} {check.quantity.unit}, and the machine did not have that"
            )
