"""What a session tells of its machine: curves over the voltage, the supply, the baseline; or what is missing to tell it."""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

from daq.comparison.electrical import observed_power_factor
from daq.comparison.observations import Observation
from daq.comparison.session import SessionFigures
from daq.comparison.trial_inputs import MACHINE_END, SUPPLY_END
from daq.physics.power import apparent_power
from daq.prediction.curves import Curve, fit_curve
from daq.prediction.lead import AskedLead
from daq.prediction.points import Pair
from daq.prediction.selection import (
    LEAST_VOLTAGES,
    Selected,
    Selection,
    TooLittleMeasuredError,
    expect_distinct,
    select,
    shared_errors,
    spread_between_trials,
    voltage_levels,
)
from daq.prediction.supply import (
    Supply,
    fit_supply,
    lead_as_stated,
    outlet_voltage,
    stated_supply,
)

CURRENT, POWER = "current", "power"
"""Names of the curves that the circuit is solved with, whatever the channels are called."""

_UNKNOWN_FACTOR, _UNKNOWN_FACTOR_U = 0.9, 0.2 / math.sqrt(12.0)


@dataclass(frozen=True, slots=True)
class Baseline:
    """The baseline as it was measured.

    Attributes:
        voltage_v: At the machine, mean of its trials [V].
        std_uncertainty_v: Of that, errors that all conditions share left out [V].
        shared: Those errors, by source [V].
    """

    voltage_v: float
    std_uncertainty_v: float
    shared: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class Machine:
    """A machine as a session found it.

    Attributes:
        voltages: At the machine under each condition that counts [V], lowest first.
        curves: By name of the quantity; CURRENT in A and POWER in W.
        supply: What leads are fed from.
        baseline: None where no trial of it counts.
        power_factor, power_factor_u: What is taken where the power was not measured, and its standard uncertainty [1].
        remarks: What was left out or assumed, sentences for people without a full stop.
    """

    voltages: Mapping[str, float]
    curves: Mapping[str, Curve]
    supply: Supply
    baseline: Baseline | None
    power_factor: float = _UNKNOWN_FACTOR
    power_factor_u: float = _UNKNOWN_FACTOR_U
    remarks: tuple[str, ...] = ()

    @property
    def range_v(self) -> tuple[float, float]:
        """Lowest and highest voltage that was measured [V]."""
        return min(self.voltages.values()), max(self.voltages.values())


def machine_of(figures: SessionFigures, *, supply_v: float | None = None) -> Machine:
    """Learn from a session how its machine takes voltage.

    Args:
        figures: Of the session.
        supply_v: Voltage that the outlet keeps under load [V]; the session's if absent.

    Raises:
        TooLittleMeasuredError: If there are fewer than LEAST_VOLTAGES distinct voltages, or a channel is missing that
            everything depends on.
    """
    selection = select(figures)
    volts, current, power = _measured(selection)
    expect_distinct(volts.observed.values(), selection.remarks)
    curves, remarks = _curves(selection, volts, current, power)
    if CURRENT not in curves:
        msg = f"nothing can be reckoned without a curve of the current: {remarks[0]}"
        raise TooLittleMeasuredError(msg)
    supply = (
        _supply(selection, volts, current, curves)
        if supply_v is None
        else stated_supply(supply_v)
    )
    levels = voltage_levels(volts.observed.values())
    return Machine(
        {name: mean for name, (mean, _) in levels.items()},
        curves,
        supply,
        _baseline(figures.baseline, volts, supply),
        remarks=(*selection.remarks, *remarks),
    )


def _measured(selection: Selection) -> tuple[Selected, Selected, Selected | None]:
    """Voltage at the machine, current, and power where there is one; of one instrument where there are several."""
    places = (MACHINE_END, SUPPLY_END, *(q.place for q in selection.figures.quantities))
    # A log that has all three would be one instrument, and take the place of the bench's own voltmeter and ammeter.
    volts = selection.own(selection.channels("voltage", MACHINE_END))
    currents = selection.own(selection.channels("current", *places))
    powers = selection.channels("power", MACHINE_END)
    roles = [volts, currents, powers] if powers else [volts, currents]
    if found := selection.best(product(*roles)):
        voltage, current, *power = map(selection.observed, found)
        return voltage, current, next(iter(power), None)
    msg = (
        "no current was averaged, expected a channel of current among what the plan requires: it makes the drop in a lead"
        if volts
        else "no voltage at the machine was averaged, expected a voltmeter there: a channel of voltage with"
        f" place = {MACHINE_END!r} on the bench, among what the plan requires"
    )
    raise TooLittleMeasuredError(msg)


# ---- curves


def _curves(
    selection: Selection, volts: Selected, current: Selected, power: Selected | None
) -> tuple[dict[str, Curve], list[str]]:
    curves: dict[str, Curve] = {}
    remarks: list[str] = []
    for name, selected in _wanted(selection, current, power):
        pairs = [
            (volts.observed[t], y)
            for t, y in selected.observed.items()
            if t in volts.observed
        ]
        why = _why_no_curve(pairs)
        if name == POWER and not why:
            why = _why_no_power(selected, volts, current)
        if why:
            remarks.append(f"{selected.quantity.title} is not predicted: {why}")
        else:
            known = selection.elsewhere(selected, pairs, as_share=True)
            curves[name] = fit_curve(selected.quantity, pairs, known)
    if POWER not in curves:
        remarks.append(
            "the machine's power factor is taken as 0.8 to 1 (our own assumption), since no power that can be was averaged"
            f" at place = {MACHINE_END!r}"
        )
    return curves, remarks


def _wanted(
    selection: Selection, current: Selected, power: Selected | None
) -> Iterator[tuple[str, Selected]]:
    yield CURRENT, replace(current, quantity=replace(current.quantity, unit="A"))
    if power:
        yield POWER, replace(power, quantity=replace(power.quantity, unit="W"))
    for quantity in selection.figures.quantities:
        if quantity.quantity in {"airflow", "velocity"}:
            yield quantity.name, selection.observed(quantity)


def _why_no_curve(pairs: Sequence[Pair]) -> str:
    if any(not (v.mean > 0.0 and y.mean > 0.0) for v, y in pairs):
        return "it is not above zero in every trial, check its meter"
    count = len({v.condition for v, _ in pairs})
    if count < LEAST_VOLTAGES:
        return (
            f"{count} conditions have it together with the voltage at the machine, expected at least"
            f" {LEAST_VOLTAGES}"
        )
    return ""


def _why_no_power(power: Selected, volts: Selected, current: Selected) -> str:
    """Trials in which the power is more than voltage and current can carry."""
    for trial, watts in power.observed.items():
        if trial not in volts.observed or trial not in current.observed:
            continue
        try:
            observed_power_factor(
                [watts, volts.observed[trial], current.observed[trial]]
            )
        except ValueError as exc:
            return f"in trial {trial} {exc}"
    return ""


def power_factor_at(
    voltage_v: float, current_a: float, power_w: float | None, *, otherwise: float
) -> float:
    """Power factor for the drop in a lead: what is above 1 by the curves' own errors is 1."""
    if power_w is None:
        return otherwise
    return min(power_w / apparent_power(voltage_v, current_a), 1.0)


# ---- supply and baseline


def _supply(
    selection: Selection,
    volts: Selected,
    current: Selected,
    curves: Mapping[str, Curve],
) -> Supply:
    """Of the ways that the session offers, the one that leaves less open."""
    steady = [
        (current.observed[t], v)
        for t, v in volts.observed.items()
        if t in current.observed and _is_steady(selection, v)
    ]
    ways = [
        _measured_supply(selection, steady),
        _reckoned_supply(selection, volts, steady, curves),
    ]
    # What the machine's own voltmeter is off by is the same in the curves, and no doubt about a drop.
    own = {s for o in volts.observed.values() for s in shared_errors([o])}
    found = [way for way in ways if way is not None]
    if not found:
        msg = (
            "what leads are fed from is not known, expected a voltmeter at the supply's end, or size and length of the"
            " baseline's lead in the plan ([condition.lead]), or the voltage at the outlet under load (--voltage)"
        )
        raise TooLittleMeasuredError(msg)
    return min(found, key=lambda way: way.doubt_v(apart_from=own))


def _measured_supply(selection: Selection, steady: Sequence[Pair]) -> Supply | None:
    measured = selection.channel("voltage", SUPPLY_END)
    if measured is None:
        return None
    pairs = [
        (i, measured.observed[i.trial])
        for i, _ in steady
        if i.trial in measured.observed
    ]
    if not pairs:
        return None
    known = selection.elsewhere(measured, pairs, as_share=False)
    origin = f"measured at the supply's end ({measured.quantity.name})"
    return fit_supply(pairs, known, origin=origin)


def _reckoned_supply(
    selection: Selection,
    volts: Selected,
    steady: Sequence[Pair],
    curves: Mapping[str, Curve],
) -> Supply | None:
    leads = _stated_leads(selection)
    pairs = [
        (
            i,
            outlet_voltage(
                v, i, leads[v.condition], power_factor=_usual_factor(curves, v.mean)
            ),
        )
        for i, v in steady
        if v.condition in leads
    ]
    if not pairs:
        return None
    # The supply wanders under every condition, not only where the lead is stated.
    known = replace(
        selection.elsewhere(volts, pairs, as_share=False),
        alike=spread_between_trials([v for _, v in steady]),
    )
    origin = "reckoned back from the machine over the leads that the plan states"
    return fit_supply(pairs, known, origin=origin)


def _stated_leads(selection: Selection) -> dict[str, AskedLead]:
    return {
        facts.name: lead
        for facts in selection.figures.facts.conditions
        if (lead := lead_as_stated(facts.lead))
    }


def _is_steady(selection: Selection, observation: Observation) -> bool:
    """Whether the outlet's voltage was not changed on purpose."""
    return not any(
        facts.name == observation.condition and "supply voltage" in facts.changes
        for facts in selection.figures.facts.conditions
    )


def _usual_factor(curves: Mapping[str, Curve], voltage_v: float) -> float:
    power = curves.get(POWER)
    return power_factor_at(
        voltage_v,
        curves[CURRENT].value(voltage_v),
        power.value(voltage_v) if power else None,
        otherwise=_UNKNOWN_FACTOR,
    )


def _baseline(name: str, volts: Selected, supply: Supply) -> Baseline | None:
    group = [o for o in volts.observed.values() if o.condition == name]
    if not group:
        return None
    mean, own_u = voltage_levels(group)[name]
    # How far the supply may have been from its usual voltage while the baseline ran.
    wander = math.hypot(math.sqrt(supply.variances.get(name, 0.0)), supply.fit.excess)
    return Baseline(mean, max(own_u, wander), shared_errors(group))
