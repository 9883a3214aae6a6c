"""The plan: the machine, what is compared, in which order, and what each trial waits for."""

from collections.abc import Iterator, Mapping, Sequence

from daq.starting_files.leads import LeadRating, lead_table, lowest_rating
from daq.starting_files.meters import Kind, PlacedMeter, WantedChannel
from daq.starting_files.strings import toml_string
from daq.units import UNITS

_PLUG_A = 13.0
"""Of the usual plugs the one with the lowest rating [A]."""

_DEGREES_OF_FREEDOM = 3
"""A difference can be called real from so many on; conditions times repeats, less the conditions."""

_HEAD = """\
# Plan: what is compared. {question}
# Lines with CHANGE want your eye first; `daq check bench.toml plan.toml` tells what is still wrong, with its line.
format = 1
name = {name}
baseline = {baseline}
# The condition that the others are held against. CHANGE the conditions below to yours, and the machine's title.

[machine]
title = {machine}

# [machine.nameplate]           # what its maker rates it at; the baseline is held against it
# voltage_v = 230
# current_a = 6.5
# power_w = 1500
"""
_QUESTIONS = {
    Kind.LEADS: "What is lost when the machine hangs on a longer or thinner lead?",
    Kind.FILTERS: "What does each filter cost in airflow, and what does the machine draw?",
    Kind.HOSES: "What does each hose cost in airflow, and what does the machine draw?",
}
_CHANGES = {Kind.LEADS: "lead", Kind.FILTERS: "filter", Kind.HOSES: "hose"}
_CONDITION = """\

[[condition]]
name = {name}
{changes}instruction = {instruction}
# What the screens ask for; `, then switch on` follows.
{lead}# price = 79                    # what it costs, with [prices] below
"""
_CHANGES_LINE = """\
changes = ["{what}"]{pad}# in what it differs from the baseline
"""
_LEAD_UNKNOWN = """\
# lead = {{ area_mm2 = 1.5, length_m = 25{rated} }}
# CHANGE: size and length by its jacket{rated_words}, and take the mark away;
# then its resistance is told, and a wrong lead noticed.
"""
_REST = """\

# [prices]                      # needed as soon as a condition has a price
# currency = "EUR"

# [circuit]                     # what the machine is plugged into; cautions come from it
# rating_a = 16                 # of the circuit's breaker
# plug_rating_a = 16

[order]
kind = "as written"             # or "randomised", or "baseline first and last" (which tells what drifted meanwhile)
repeats = {repeats}                     # how often each is measured; with fewer no difference can be called real

# [comparison]
# detect_percent = 1            # a difference of this size would matter: tells whether the repeats are enough
"""
_START = """\

# When the machine counts as on: a trial begins and ends by itself.
[start]
channel = {channel}
on_above = {on:g}                  # CHANGE: about half of what the machine draws, above any standby load [{unit}]
off_below = {off:g}                 # at or below on_above [{unit}]
"""
_NO_START = """\

# No channel tells a current, so press Enter when you switch the machine on, and again when you switch it off.
"""
_SETTLING = """\

[settling]
preset = "standard"             # or "quick", "thorough": `daq settle --presets` tells which is for what
required = [{required}]
# A trial waits until these have settled, then averages all channels.
# tolerance = 0.005             # relative drift that counts as settled; velocity and airflow 0.01
"""
_NORMALISE = """\

# Mains that wander: readings taken to one voltage, by a voltmeter upstream of all that changes.
# [settling.normalise]
# reference = {reference}
# channels = [{channels}]
# voltage = 230
"""
_LIMITS = """\

# Limits that are watched all the time; they alarm, and switch nothing off. CHANGE: take the marks away and set them by the
# lowest rating of machine, plug, lead and circuit.
"""
_CURRENT_LIMIT = """\
# [[limit]]
# channel = {channel}
# above = {above:g}{why}
# for_s = 5.0
# reason = "rating of the plug and of the thinnest lead"
"""
_VOLTAGE_LIMIT = """\
# [[limit]]
# channel = {channel}
# below = 207                   # 230 V less 10 %
# for_s = 5.0
# reason = "least voltage of the machine"
"""


def plan_text(
    name: str,
    machine: str,
    kind: Kind,
    conditions: Sequence[str],
    meters: Sequence[PlacedMeter],
) -> str:
    """A plan with comments.

    Args:
        name: Of the plan.
        machine: What is tested.
        kind: Of the comparison.
        conditions: Their names, the baseline first; at least two, all different.
        meters: Of the bench.
    """
    channels = [channel for placed in meters for channel in placed.channels]
    parts = [
        _HEAD.format(
            question=_QUESTIONS[kind],
            name=toml_string(name),
            baseline=toml_string(conditions[0]),
            machine=toml_string(machine),
        )
    ]
    parts += [
        _condition(each, kind, is_baseline=index == 0)
        for index, each in enumerate(conditions)
    ]
    parts.append(_REST.format(repeats=_repeats(len(conditions))))
    rating = lowest_rating(conditions) if kind is Kind.LEADS else None
    return "".join([*parts, *_watched(channels, rating)])


def _repeats(conditions: int) -> int:
    """The fewest that can show anything [1]."""
    return 1 + -(-_DEGREES_OF_FREEDOM // conditions)


def _condition(name: str, kind: Kind, *, is_baseline: bool) -> str:
    what = _CHANGES[kind]
    changes = _CHANGES_LINE.format(what=what, pad=" " * (18 - len(what)))
    return _CONDITION.format(
        name=toml_string(name),
        changes="" if is_baseline else changes,
        instruction=toml_string(f"Fit: {name}"),
        lead=_lead(name) if kind is Kind.LEADS else "",
    )


def _lead(name: str) -> str:
    table = lead_table(name)
    if table is None:
        return _LEAD_UNKNOWN.format(
            rated=", rated_current_a = 16", rated_words=", and what it is rated for"
        )
    return f"lead = {table}\n# By its name; rated_current_a may stand beside it.\n"


def _watched(
    channels: Sequence[WantedChannel], rating: LeadRating | None
) -> Iterator[str]:
    by_quantity = _first_of_each(channels)
    current = by_quantity.get("current")
    yield _NO_START if current is None else _start(current)
    required = _required(channels)
    yield _SETTLING.format(required=_listed(required))
    yield from _normalising(channels, required)
    yield _limits(by_quantity, rating)


def _normalising(
    channels: Sequence[WantedChannel], required: Sequence[WantedChannel]
) -> Iterator[str]:
    """Only a voltmeter upstream of all that changes may be the reference."""
    upstream = [
        c for c in channels if c.field.quantity == "voltage" and c.place == "supply end"
    ]
    normalised = [c for c in required if c.field.quantity != "voltage"]
    if upstream and normalised:
        yield _NORMALISE.format(
            reference=toml_string(upstream[0].name), channels=_listed(normalised)
        )


def _limits(by_quantity: Mapping[str, WantedChannel], rating: LeadRating | None) -> str:
    current, voltage = by_quantity.get("current"), by_quantity.get("voltage")
    text = ""
    if current is not None:
        is_lead = rating is not None and rating.current_a <= _PLUG_A
        amperes = rating.current_a if rating is not None and is_lead else _PLUG_A
        text += _CURRENT_LIMIT.format(
            channel=toml_string(current.name),
            above=amperes / UNITS[current.field.unit].factor,
            why=f"  # {rating.source}" if rating is not None and is_lead else "",
        )
    if voltage is not None:
        text += _VOLTAGE_LIMIT.format(channel=toml_string(voltage.name))
    return _LIMITS + text if text else ""


def _listed(channels: Sequence[WantedChannel]) -> str:
    return ", ".join(toml_string(c.name) for c in channels)


def _first_of_each(
    channels: Sequence[WantedChannel],
) -> Mapping[str, WantedChannel]:
    """By quantity; those at the machine go before those at the supply."""
    ordered = sorted(channels, key=lambda c: c.place == "supply end")
    return {c.field.quantity: c for c in reversed(ordered)}


def _start(channel: WantedChannel) -> str:
    unit = channel.field.unit
    factor = UNITS[unit].factor
    return _START.format(
        channel=toml_string(channel.name), on=0.2 / factor, off=0.1 / factor, unit=unit
    )


def _required(channels: Sequence[WantedChannel]) -> list[WantedChannel]:
    """What the comparison is about: power, air, and the voltage where the machine gets it."""
    by_quantity = _first_of_each([c for c in channels if c.place != "room"])
    air = next((q for q in ("airflow", "velocity", "pressure") if q in by_quantity), "")
    wanted = [q for q in ("voltage", "power", air) if q in by_quantity]
    if "power" not in by_quantity and "current" in by_quantity:
        wanted.insert(1, "current")
    return [by_quantity[q] for q in wanted] or list(channels[:1])
