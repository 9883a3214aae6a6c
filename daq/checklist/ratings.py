"""The plan's limits and leads against nameplate, lead, plug and circuit, before anything is measured.

`daq.advice` holds what was measured against the same ratings afterwards. A limit above a rating protects nothing, one
below what the machine takes by its nameplate is broken by every trial. What the plan does not rate is said.
"""

from collections.abc import Iterator, Sequence

from daq.checklist.items import Item, ItemVerdict
from daq.comparison.rules import LeadFacts, PlanFacts
from daq.physics.ampacity import cord_ampacity, cord_set_ampacity
from daq.records import Channel
from daq.trials.limits import Limit
from daq.units import UNITS
from daq.wording import unit_symbol

_WITHIN = 0.1
"""Machines are made for a tenth to either side of their rated voltage (IEC 60038 for the supply, NEMA MG 1 for motors)."""
_HAIR = 1e-9
LIMIT_REASON = (
    "A limit above what lead, plug or circuit is rated for lets them burn before it tells anybody, and one that the machine"
    " breaks by its nameplate stops every trial."
)
LEAD_REASON = (
    "A lead that is rated below what the machine draws gets hot, and coiled it burns."
)
_MACHINE_END = "machine end"


def judge_ratings(
    limits: Sequence[Limit], facts: PlanFacts, channels: Sequence[Channel]
) -> Iterator[Item]:
    """Items on every limit and every lead of the plan.

    Args:
        limits: Of the plan.
        facts: Its nameplate, leads and circuit.
        channels: Of the bench.
    """
    by_name = {channel.name: channel for channel in channels}
    for limit in limits:
        yield _limit(limit, facts, by_name[limit.channel])
    if missing := _missing_current_limit(limits, facts, by_name):
        yield missing
    for condition in facts.conditions:
        if condition.lead is not None:
            yield _lead(condition.name, condition.lead, facts)


def _missing_current_limit(
    limits: Sequence[Limit], facts: PlanFacts, by_name: dict[str, Channel]
) -> Item | None:
    currents = [name for name, c in by_name.items() if c.quantity == "current"]
    has_limit = any(
        limit.channel in currents and limit.above is not None for limit in limits
    )
    if has_limit or not currents:
        return None
    name = f"limit:{currents[0]}"
    ratings = _ratings(facts)
    if not ratings:
        finding = (
            "the plan has no upper limit on a current, and rates neither lead nor plug nor circuit: read the ratings off"
            f' them, then write a [[limit]] with channel = "{currents[0]}" and above = the lowest'
        )
        return Item(name, ItemVerdict.TO_DO, finding, LIMIT_REASON)
    rating_a, what = ratings[0]
    finding = (
        f"the plan has no upper limit on a current, though {what} is rated {rating_a:g} A: write a [[limit]] with"
        f' channel = "{currents[0]}" and above = {rating_a / _si_of_one(by_name[currents[0]]):g}'
    )
    return Item(name, ItemVerdict.TO_DO, finding, LIMIT_REASON)


def _si_of_one(channel: Channel) -> float:
    """One of the channel's unit, in which its limits are written, in SI."""
    return UNITS[channel.unit].factor


# ---- limits


def _limit(limit: Limit, facts: PlanFacts, channel: Channel) -> Item:
    name = f"limit:{limit.channel}"
    factor = _si_of_one(channel)
    unit = unit_symbol(channel.unit)
    if channel.quantity == "current" and limit.above is not None:
        verdict, words = _current(limit.above * factor, factor, facts)
    elif channel.quantity == "voltage":
        verdict, words = _voltage(limit, channel, factor, facts)
    elif channel.quantity == "power" and limit.above is not None:
        verdict, words = _power(limit.above * factor, facts)
    else:
        verdict, words = ItemVerdict.NOT_APPLICABLE, "no rating to hold it against"
    edges = [
        f"{side} {edge:g} {unit}".rstrip()
        for side, edge in (("above", limit.above), ("below", limit.below))
        if edge is not None
    ]
    finding = f"{limit.channel} {' or '.join(edges)}: {words}"
    return Item(name, verdict, finding, LIMIT_REASON)


def _current(
    above_a: float, factor: float, facts: PlanFacts
) -> tuple[ItemVerdict, str]:
    ratings = _ratings(facts)
    rated_a = facts.nameplate.current_a
    if ratings and above_a > ratings[0][0] * (1.0 + _HAIR):
        rating_a, what = ratings[0]
        return (
            ItemVerdict.REFUSED,
            f"{what} is rated {rating_a:g} A only: write above = {rating_a / factor:g}, or take that condition out",
        )
    if rated_a is not None and above_a < rated_a:
        return (
            ItemVerdict.TO_DO,
            f"the nameplate says {rated_a:g} A, so a trial at full load breaks it: raise it as far as every rating allows,"
            " or see why it is so low",
        )
    if not ratings:
        return (
            ItemVerdict.TO_DO,
            "the plan rates neither lead nor plug nor circuit to hold it against: write rated_current_a of the leads,"
            " and [circuit] rating_a and plug_rating_a",
        )
    rating_a, what = ratings[0]
    return ItemVerdict.DONE, f"within the {rating_a:g} A of {what}, the lowest rating"


def _ratings(facts: PlanFacts) -> list[tuple[float, str]]:
    """All that the plan rates [A], the lowest first."""
    circuit = facts.circuit
    found = [
        (circuit.rating_a, "the circuit"),
        (circuit.plug_rating_a, "the plug"),
        *(
            (lead_rating_a(c.lead), f"the lead of {c.name!r}")
            for c in facts.conditions
            if c.lead is not None
        ),
    ]
    return sorted((rating, what) for rating, what in found if rating is not None)


def lead_rating_a(lead: LeadFacts) -> float | None:
    """What a lead is rated for [A]: as the plan says, else the lower of the published figures for its gauge."""
    if lead.rated_current_a is not None or lead.awg is None:
        return lead.rated_current_a
    published = [cord_ampacity(lead.awg)]
    if lead.length_m:
        published.append(cord_set_ampacity(lead.awg, lead.length_m))
    return min((p.current_a for p in published if p), default=None)


def _voltage(
    limit: Limit, channel: Channel, factor: float, facts: PlanFacts
) -> tuple[ItemVerdict, str]:
    rated_v = facts.nameplate.voltage_v
    if rated_v is None:
        return (
            ItemVerdict.TO_DO,
            "the plan does not say what voltage the machine is made for: write voltage_v in [machine.nameplate]",
        )
    least_v, most_v = (1.0 - _WITHIN) * rated_v, (1.0 + _WITHIN) * rated_v
    if limit.below is not None:
        below_v = limit.below * factor
        if below_v > rated_v:
            return (
                ItemVerdict.TO_DO,
                f"that is above the nameplate's {rated_v:g} V, so every trial breaks it: write below = {least_v:g}",
            )
        if below_v < least_v * (1.0 - _HAIR) and channel.place == _MACHINE_END:
            return (
                ItemVerdict.TO_DO,
                f"the nameplate's {rated_v:g} V less 10 % are {least_v:g} V, and below that a motor may overheat:"
                f" write below = {least_v:g}",
            )
    if limit.above is not None and limit.above * factor > most_v * (1.0 + _HAIR):
        return (
            ItemVerdict.TO_DO,
            f"the nameplate's {rated_v:g} V and 10 % more are {most_v:g} V: write above = {most_v:g}",
        )
    return ItemVerdict.DONE, f"fits the nameplate's {rated_v:g} V"


def _power(above_w: float, facts: PlanFacts) -> tuple[ItemVerdict, str]:
    rated_w = facts.nameplate.power_w
    if rated_w is None:
        return ItemVerdict.NOT_APPLICABLE, "the nameplate states no power"
    if above_w < rated_w:
        return (
            ItemVerdict.TO_DO,
            f"the nameplate says {rated_w:g} W, so a trial at full load breaks it: raise it, or see why it is so low",
        )
    return ItemVerdict.DONE, f"leaves room for the nameplate's {rated_w:g} W"


# ---- leads


def _lead(condition: str, lead: LeadFacts, facts: PlanFacts) -> Item:
    verdict, finding = _lead_finding(lead, facts.nameplate.current_a)
    return Item(f"lead:{condition}", verdict, finding, LEAD_REASON)


def _lead_finding(lead: LeadFacts, drawn_a: float | None) -> tuple[ItemVerdict, str]:
    rating_a = lead_rating_a(lead)
    if rating_a is None:
        return (
            ItemVerdict.TO_DO,
            "no rating is stated: read it off jacket or plug and write rated_current_a of this lead",
        )
    if drawn_a is None:
        return (
            ItemVerdict.TO_DO,
            f"rated {rating_a:g} A, and what the machine draws is not stated: write current_a in [machine.nameplate]",
        )
    if drawn_a > rating_a:
        return (
            ItemVerdict.REFUSED,
            f"rated {rating_a:g} A, and the machine draws {drawn_a:g} A by its nameplate: do not run it on this lead",
        )
    if lead.is_coiled:
        return (
            ItemVerdict.TO_DO,
            f"rated {rating_a:g} A laid out, and it lies coiled: unroll all of it, then take coiled out of the plan",
        )
    return ItemVerdict.DONE, f"rated {rating_a:g} A, the machine draws {drawn_a:g} A"
