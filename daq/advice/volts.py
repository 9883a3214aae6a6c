"""The machine's volts and what its lead makes of them: the plan's limits, low voltage, drop, heat."""

from collections.abc import Iterator, Sequence

from daq.advice import cautions
from daq.advice.findings import Finding, Hazard, found, shown_worst
from daq.advice.measured import (
    Measured,
    averaged_leads,
    beyond,
    lead_drops,
    lead_heats,
    machine_voltages,
    measured,
)
from daq.comparison.nameplate import machine_channels
from daq.comparison.session import SessionComparison
from daq.comparison_words import quoted
from daq.physics.ampacity import RECOMMENDED_DROPS
from daq.trials.limits import Limit
from daq.wording import unit_symbol

WARM_W_PER_M = 0.5
"""Heat in a lead from which coiling it is certainly wrong [W/m].

Common practice, no published source: makers of reels with 1.5 mm² allow about 1000 W at 230 V while coiled, which is
4.35 A through twice 13.3 ohm/km.
"""
_LOW_SHARE = 0.9
_HEAT_BASIS = f"common practice, no published source: {WARM_W_PER_M:g} W in each metre is about what makers allow in a coiled reel"


def limit_findings(
    comparison: SessionComparison, limits: Sequence[Limit]
) -> Iterator[Finding]:
    """What is beyond the plan's limits.

    Args:
        comparison: Of the session.
        limits: Of its plan [unit of the channel].
    """
    voltages = _machine_voltage_names(comparison)
    for limit in limits:
        figures = measured(comparison, limit.channel)
        if limit.above is not None:
            yield from _above_plan(limit, figures, limit.above)
        if limit.below is not None:
            is_motor = limit.channel in voltages
            yield from _below_plan(limit, figures, limit.below, is_motor=is_motor)


def _above_plan(
    limit: Limit, figures: Sequence[Measured], edge: float
) -> Iterator[Finding]:
    for is_sure, those in beyond(figures, edge):
        words = f"at most {edge:g} {unit_symbol(those[0].unit)}".rstrip()
        yield found(
            Hazard.PLAN_LIMIT,
            those,
            edge,
            text=cautions.beyond_plan(shown_worst(those), words, is_sure=is_sure),
            basis=f"the plan's limit on {limit.channel}: {limit.reason}",
            is_warning=is_sure,
        )


def _below_plan(
    limit: Limit, figures: Sequence[Measured], edge: float, *, is_motor: bool
) -> Iterator[Finding]:
    for is_sure, those in beyond(figures, edge, is_least=True):
        unit, worst = unit_symbol(those[0].unit), shown_worst(those)
        if is_motor:
            least = f"the plan's {edge:g} {unit}"
            text = cautions.under_voltage(worst, least, is_sure=is_sure)
        else:
            words = f"at least {edge:g} {unit}".rstrip()
            text = cautions.beyond_plan(worst, words, is_sure=is_sure)
        yield found(
            Hazard.LOW_VOLTAGE if is_motor else Hazard.PLAN_LIMIT,
            those,
            edge,
            text=text,
            basis=f"the plan's limit on {limit.channel}: {limit.reason}",
            is_warning=is_sure,
        )


def _machine_voltage_names(comparison: SessionComparison) -> set[str]:
    channels = machine_channels(
        comparison.figures.quantities, "voltage", comparison.figures.second_choice
    )
    return {channel.name for channel in channels}


def low_voltage_findings(
    comparison: SessionComparison, limits: Sequence[Limit]
) -> Iterator[Finding]:
    """A machine that has too little voltage, where the plan has no limit of its own on it.

    Args:
        comparison: Of the session.
        limits: Of its plan.
    """
    rated = comparison.figures.facts.nameplate.voltage_v
    names = _machine_voltage_names(comparison)
    has_limit = any(x.channel in names and x.below is not None for x in limits)
    if rated is None or has_limit:
        return
    least = _LOW_SHARE * rated
    for is_sure, figures in beyond(machine_voltages(comparison), least, is_least=True):
        words = f"{least:g} V ({rated:g} V by the nameplate, less 10 %)"
        yield found(
            Hazard.LOW_VOLTAGE,
            figures,
            least,
            text=cautions.under_voltage(shown_worst(figures), words, is_sure=is_sure),
            basis=(
                "NEMA MG 1-2011, 12.44.1, as a reprint gives it: induction motors run within 10 % of their rated voltage;"
                " taken here for any motor where the plan has no limit of its own"
            ),
        )


def drop_findings(comparison: SessionComparison) -> Iterator[Finding]:
    """Leads that take more than is recommended.

    Args:
        comparison: Of the session.
    """
    percent = comparison.figures.facts.circuit.drop_percent
    known = next((r for r in RECOMMENDED_DROPS if r.percent == percent), None)
    basis = "the plan's [circuit] drop_percent"
    if known:
        basis = (
            f"{known.source} ({known.holds_for}): a recommendation, not a limit of law"
        )
    for drop in lead_drops(comparison):
        limit = percent / 100.0 * drop.nominal_v
        for is_sure, figures in beyond([drop.taken], limit):
            words = cautions.over_drop(drop.shown, f"{percent:g} %", is_sure=is_sure)
            yield found(
                Hazard.VOLTAGE_DROP,
                figures,
                limit,
                text=f"The lead of {quoted(drop.taken.condition)} takes {words}",
                basis=basis,
            )


def heat_findings(comparison: SessionComparison) -> Iterator[Finding]:
    """Leads that lie coiled, and those that must not.

    Args:
        comparison: Of the session.
    """
    heats = lead_heats(comparison)
    coiled = [
        name for name, lead in averaged_leads(comparison).items() if lead.is_coiled
    ]
    for condition in coiled:
        # A drop that may be none says nothing of heat.
        seen = [
            h
            for h in heats
            if h.condition == condition and h.value > h.expanded_uncertainty
        ]
        words = cautions.coiled(f"about {seen[0].shown}" if seen else "")
        yield found(
            Hazard.HEAT,
            seen,
            WARM_W_PER_M,
            text=f"The lead of {quoted(condition)} {words}",
            basis=_HEAT_BASIS,
            is_warning=any(is_sure for is_sure, _ in beyond(seen, WARM_W_PER_M)),
            conditions=(condition,),
        )
    laid_out = [heat for heat in heats if heat.condition not in coiled]
    for is_sure, figures in beyond(laid_out, WARM_W_PER_M):
        if is_sure:
            text = cautions.warm_lead(shown_worst(figures))
            yield found(
                Hazard.HEAT, figures, WARM_W_PER_M, text=text, basis=_HEAT_BASIS
            )
