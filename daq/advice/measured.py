"""Figures that cautions are measured by: currents, volts at the machine, drops and heat in leads, each with its interval."""

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from daq.comparison.nameplate import machine_channels
from daq.comparison.rules import ConditionFacts, LeadFacts
from daq.comparison.session import SessionComparison
from daq.comparison.trial_inputs import SUPPLY_END
from daq.units import unit_of
from daq.wording import shown_average

DROP = "voltage_drop"
_POWER_FACTOR = "power_factor"


@dataclass(frozen=True, slots=True)
class Measured:
    """One figure under one condition.

    Attributes:
        condition: Name.
        value: [unit].
        expanded_uncertainty: 95 % [unit].
        unit: As units.py spells it, or "W/m".
    """

    condition: str
    value: float
    expanded_uncertainty: float
    unit: str

    @property
    def shown(self) -> str:
        """As people read it."""
        return shown_average(self.value, self.expanded_uncertainty, self.unit)

    def margin(self, limit: float, *, is_least: bool) -> float:
        """How far the mean is beyond a limit [unit]; below 0 on the good side."""
        return limit - self.value if is_least else self.value - limit


@dataclass(frozen=True, slots=True)
class LeadDrop:
    """What a lead takes of the voltage.

    Attributes:
        taken: [V].
        nominal_v: What the recommendation's percents are of [V].
        is_beyond_baseline: Only what it takes more than the baseline's lead is known.
    """

    taken: Measured
    nominal_v: float
    is_beyond_baseline: bool

    @property
    def shown(self) -> str:
        """As people read it, in volts and percent."""
        percent = Measured(
            self.taken.condition,
            100.0 * self.taken.value / self.nominal_v,
            100.0 * self.taken.expanded_uncertainty / self.nominal_v,
            "%",
        )
        more = " more than the baseline's lead" if self.is_beyond_baseline else ""
        return f"{self.taken.shown}{more}, {percent.shown} of {self.nominal_v:.3g} V"


def beyond(
    figures: Iterable[Measured], limit: float, *, is_least: bool = False
) -> Iterator[tuple[bool, list[Measured]]]:
    """Figures beyond a limit, those that surely are and those that may be apart, the worst first.

    Args:
        figures: In the limit's unit.
        limit: That they should not be above.
        is_least: They should not be below it instead.

    Yields:
        Whether it is sure, and at least one figure.
    """
    in_order = sorted(figures, key=lambda m: -m.margin(limit, is_least=is_least))
    sure, possible = [], []
    for each in in_order:
        margin = each.margin(limit, is_least=is_least)
        if margin > each.expanded_uncertainty:
            sure.append(each)
        elif margin > -each.expanded_uncertainty:
            possible.append(each)
    if sure:
        yield True, sure
    if possible:
        yield False, possible


def measured(
    comparison: SessionComparison, name: str, *, unit: str | None = None
) -> list[Measured]:
    """What each condition averaged to.

    Args:
        comparison: Of the session.
        name: Of the quantity.
        unit: To convert to, without an offset; None leaves it as on the bench.
    """
    quantity = next((q for q in comparison.figures.quantities if q.name == name), None)
    if quantity is None:
        return []
    factor = 1.0
    if unit is not None:
        factor = unit_of(quantity.unit).factor / unit_of(unit).factor
    return [
        Measured(
            level.condition,
            factor * level.mean,
            factor * level.expanded_uncertainty,
            unit or quantity.unit,
        )
        for level in comparison.levels
        if level.quantity == name
    ]


def averaged_leads(comparison: SessionComparison) -> dict[str, LeadFacts]:
    """Leads of the conditions that were averaged, by condition, as the plan has them."""
    averaged = {level.condition for level in comparison.levels}
    facts = comparison.figures.facts.conditions
    return {c.name: c.lead for c in facts if c.lead and c.name in averaged}


def machine_currents(comparison: SessionComparison) -> list[Measured]:
    """What the machine drew under each condition [A]."""
    return _at_machine(comparison, "current", "A")


def machine_voltages(comparison: SessionComparison) -> list[Measured]:
    """What the machine had under each condition [V]."""
    return _at_machine(comparison, "voltage", "V")


def lead_drops(comparison: SessionComparison) -> list[LeadDrop]:
    """What the leads take: between two voltmeters, or what the machine has less than under the baseline."""
    taken = measured(comparison, DROP, unit="V")
    is_beyond_baseline = not taken
    if is_beyond_baseline:
        taken = list(_drops_beyond_baseline(comparison))
    nominal = _nominal_v(comparison)
    return [
        LeadDrop(each, nominal_v, is_beyond_baseline)
        for each in taken
        if (nominal_v := nominal.get(each.condition))
    ]


def lead_heats(comparison: SessionComparison) -> list[Measured]:
    r"""Heat in each metre of lead.

    .. math:: P/L = I \, \Delta V / (\lambda L)

    Args:
        comparison: Of the session.

    Returns:
        Of each condition whose drop, current and length are known [W/m].

    Validity:
        About: the drop across the resistance is taken as the drop over the power factor, where that is known, else as the
        drop itself, which is a little less.

    Source:
        P = I² R with R from the drop's main term, IEC 60364-5-52:2009, annex G.
    """
    lengths = {c: lead.length_m for c, lead in averaged_leads(comparison).items()}
    currents = {m.condition: m for m in machine_currents(comparison)}
    factors = {m.condition: m.value for m in measured(comparison, _POWER_FACTOR)}
    found = []
    for drop in lead_drops(comparison):
        taken = drop.taken
        length_m, current = lengths.get(taken.condition), currents.get(taken.condition)
        if not length_m or current is None or not current.value > 0.0:
            continue
        share = factors.get(taken.condition, 1.0) * length_m
        of_drop = current.value * taken.expanded_uncertainty
        of_current = taken.value * current.expanded_uncertainty
        found.append(
            Measured(
                taken.condition,
                current.value * taken.value / share,
                math.hypot(of_drop, of_current) / share,
                "W/m",
            )
        )
    return found


def _at_machine(comparison: SessionComparison, kind: str, unit: str) -> list[Measured]:
    figures = comparison.figures
    for quantity in machine_channels(figures.quantities, kind, figures.second_choice):
        if found := measured(comparison, quantity.name, unit=unit):
            return found
    return []


def _drops_beyond_baseline(comparison: SessionComparison) -> Iterator[Measured]:
    figures = comparison.figures
    facts = {each.name: each for each in figures.facts.conditions}
    channels = machine_channels(figures.quantities, "voltage", figures.second_choice)
    compared = comparison.of(channels[0].name) if channels else None
    for each in compared.differences if compared else ():
        if compared and _changes_lead(facts.get(each.condition)):
            factor = unit_of(compared.quantity.unit).factor
            yield Measured(
                each.condition,
                -factor * each.difference,
                factor * each.expanded_uncertainty,
                "V",
            )


def _changes_lead(facts: ConditionFacts | None) -> bool:
    """Whether the lead is all that changes."""
    return facts is not None and facts.changes == ("lead",)


def _nominal_v(comparison: SessionComparison) -> dict[str, float]:
    """What percents of a drop are of: the rated voltage, else what the supply or the baseline had [V]."""
    conditions = {level.condition for level in comparison.levels}
    if rated := comparison.figures.facts.nameplate.voltage_v:
        return dict.fromkeys(conditions, rated)
    for quantity in comparison.figures.quantities:
        if quantity.quantity == "voltage" and quantity.place == SUPPLY_END:
            found = measured(comparison, quantity.name, unit="V")
            return {m.condition: m.value for m in found}
    baseline = comparison.figures.baseline
    had = {m.condition: m.value for m in machine_voltages(comparison)}
    return dict.fromkeys(conditions, had[baseline]) if baseline in had else {}
