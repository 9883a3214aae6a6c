"""What of a session tells about voltage alone: which conditions count, which channels, which voltages are distinct."""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from daq.comparison.observations import Observation, Quantity, propagate
from daq.comparison.roles import best_set
from daq.comparison.session import SessionFigures
from daq.prediction.points import Elsewhere, Pair
from daq.repeats import Spread, TrialMean, pool_spread
from daq.stats import normal_quantile
from daq.units import UNITS

LEAST_VOLTAGES = 4
"""Fewer distinct voltages at the machine leave too much open between them [1]."""

_VOLTAGE_ONLY = {"lead", "supply voltage"}
_TAKEN_TO_SI = {"current", "power", "voltage"}


class TooLittleMeasuredError(ValueError):
    """A session does not tell what another lead would do; the text says what is missing."""


@dataclass(frozen=True, slots=True)
class Selected:
    """One quantity of the conditions that count.

    Attributes:
        quantity: What; voltages, currents and powers in V, A and W.
        observed: By trial.
        factor: From the unit on the bench to that one [1].
    """

    quantity: Quantity
    observed: dict[int, Observation]
    factor: float


@dataclass(frozen=True, slots=True)
class Selection:
    """A session, less the conditions that change more than the voltage.

    Attributes:
        figures: Of the session.
        conditions: Names of those that count.
        remarks: What was left out or assumed, sentences for people without a full stop.
    """

    figures: SessionFigures
    conditions: frozenset[str]
    remarks: tuple[str, ...]

    def channels(self, quantity: str, *places: str) -> list[Quantity]:
        """Quantities of a kind that were averaged at one of the places, the places in their order."""
        return [
            each
            for place in dict.fromkeys(places)
            for each in self.figures.quantities
            if (each.quantity, each.place) == (quantity, place)
            and self.observed(each).observed
        ]

    def own(self, quantities: Sequence[Quantity]) -> Sequence[Quantity]:
        """Those of them that the bench itself read; all where it read none."""
        typed_or_imported = self.figures.second_choice
        return [q for q in quantities if q.name not in typed_or_imported] or quantities

    def best(self, sets: Iterable[Sequence[Quantity]]) -> Sequence[Quantity] | None:
        """The quantities that are taken together: the bench's own, of one instrument; None where there are none."""
        return best_set(sets, self.figures.second_choice)

    def channel(self, quantity: str, *places: str) -> Selected | None:
        """The first quantity of a kind that was averaged at one of the places, the bench's own before others."""
        found = self.best([each] for each in self.channels(quantity, *places))
        return self.observed(found[0]) if found else None

    def observed(self, quantity: Quantity) -> Selected:
        """One quantity's observations."""
        unit = UNITS.get(quantity.unit)
        factor = 1.0
        if unit and quantity.quantity in _TAKEN_TO_SI:
            factor = unit.factor
        return Selected(
            quantity,
            {
                o.trial: propagate(factor * o.mean, [(factor, o)])
                for o in self.figures.observations.get(quantity.name, ())
                if o.condition in self.conditions
            },
            factor,
        )

    def elsewhere(
        self, selected: Selected, pairs: Sequence[Pair], *, as_share: bool
    ) -> Elsewhere:
        """What earlier sessions and the plan say of a quantity's spread.

        Args:
            selected: The quantity.
            pairs: Its trials, as ordinates.
            as_share: Whether it is fitted as a logarithm.
        """
        name = selected.quantity.name
        level = sum(y.mean for _, y in pairs) / len(pairs) / selected.factor
        return Elsewhere(
            self.figures.earlier.get(name, ()),
            self.figures.facts.rules.spreads.get(name),
            level if as_share else 1.0 / selected.factor,
            level,
        )


def select(figures: SessionFigures) -> Selection:
    """Choose the conditions that change nothing but the voltage, by what the plan says that they change."""
    changes = {facts.name: set(facts.changes) for facts in figures.facts.conditions}
    there = dict.fromkeys(o.condition for f in figures.observations.values() for o in f)
    others = [
        name
        for name in there
        if name != figures.baseline and changes.get(name, set()) - _VOLTAGE_ONLY
    ]
    unsaid = [n for n in there if n != figures.baseline and not changes.get(n)]
    remarks = []
    if others:
        remarks.append(
            f"left out, because more than the voltage changes under them: {', '.join(others)}"
        )
    if unsaid:
        remarks.append(
            f"taken to change nothing but the voltage, since the plan does not say what they change: {', '.join(unsaid)}"
        )
    if figures.normalised:
        remarks.append(
            "left out, because their means hold for another voltage than was measured at the machine:"
            f" {', '.join(sorted(figures.normalised))}"
        )
    as_read = tuple(q for q in figures.quantities if q.name not in figures.normalised)
    return Selection(
        replace(figures, quantities=as_read),
        frozenset(there) - frozenset(others),
        tuple(remarks),
    )


# ---- voltages


def voltage_levels(volts: Iterable[Observation]) -> dict[str, tuple[float, float]]:
    """Mean and standard uncertainty of each condition's voltage [V], lowest first.

    The uncertainty leaves out errors that all conditions share, and what the supply did between trials: that
    moved the voltage, and the meter followed it.
    """
    groups: dict[str, list[Observation]] = {}
    for o in volts:
        groups.setdefault(o.condition, []).append(o)
    levels = {
        name: (math.fsum(o.mean for o in group) / len(group), _own_u(group))
        for name, group in groups.items()
    }
    return dict(sorted(levels.items(), key=lambda item: item[1]))


def spread_between_trials(observations: Iterable[Observation]) -> Spread | None:
    """Spread of trials of one condition, pooled over all [unit of the observations]; None where none was repeated."""
    groups: dict[str, list[TrialMean]] = {}
    for o in observations:
        groups.setdefault(o.condition, []).append(
            TrialMean(o.mean, o.std_uncertainty_within, o.degrees_of_freedom_within)
        )
    return pool_spread(list(groups.values()))


def expect_distinct(volts: Iterable[Observation], remarks: Sequence[str]) -> None:
    """Refuse a session with too few distinct voltages.

    Args:
        volts: At the machine [V].
        remarks: Which conditions were left out, to be told with it.

    Raises:
        TooLittleMeasuredError: If fewer than LEAST_VOLTAGES differ by more than the uncertainty of their difference.
    """
    levels = voltage_levels(volts)
    distinct: list[tuple[float, float]] = []
    for mean, u in levels.values():
        if not distinct or mean - distinct[-1][0] > _expanded(u, distinct[-1][1]):
            distinct.append((mean, u))
    missing = LEAST_VOLTAGES - len(distinct)
    if missing <= 0:
        return
    there = ", ".join(
        f"{name} {mean:.1f} ± {_expanded(u):.1f} V"
        for name, (mean, u) in reversed(levels.items())
    )
    said = "".join(f" ({remark})" for remark in remarks)
    msg = (
        f"{len(distinct)} distinct {'voltage' if len(distinct) == 1 else 'voltages'} at the machine, expected at least"
        f" {LEAST_VOLTAGES}: {there}{said}; carry out {missing} more {'condition' if missing == 1 else 'conditions'} that"
        " change only the voltage, such as leads of other length or size, one of them with as large a drop as the lead in question"
    )
    raise TooLittleMeasuredError(msg)


def _expanded(*std_uncertainties: float) -> float:
    return normal_quantile(0.975) * math.hypot(*std_uncertainties)


def _own_u(group: Sequence[Observation]) -> float:
    within = math.hypot(*(o.std_uncertainty_within for o in group)) / len(group)
    return math.hypot(within, *_errors(group, are_common=False).values())


def shared_errors(group: Sequence[Observation]) -> dict[str, float]:
    """Errors of a mean that all conditions share, by source [unit of the observations]."""
    return _errors(group, are_common=True)


def _errors(group: Sequence[Observation], *, are_common: bool) -> dict[str, float]:
    sums: dict[str, float] = {}
    for o in group:
        for part in o.errors:
            if part.is_common is are_common:
                share = part.std_uncertainty / len(group)
                sums[part.source] = sums.get(part.source, 0.0) + share
    return sums
