"""The plan: the machine, what is compared, in which order, and what each trial waits for."""

import re
from collections.abc import Iterator, Mapping, Sequence

from daq.settling.parameters import STANDARD
from daq.starting_files.leads import (
    LeadRating,
    has_size,
    is_length,
    lead_table,
    lowest_rating,
)
from daq.starting_files.meters import (
    Kind,
    LoggedChannel,
    MeterField,
    PlacedMeter,
    WantedChannel,
)
from daq.starting_files.strings import toml_string
from daq.typed.askings import least_averaging_s
from daq.units import UNITS

_PLUG_A = 13.0
"""Of the usual plugs the one with the lowest rating [A]."""

_DEGREES_OF_FREEDOM = 3
"""A difference can be called real from so many on; conditions times repeats, less the conditions."""

_HEAD = """\
# Plan: what is compared. {question}
# Lines with CHANGE want your eye first; {told_by} tells what is still wrong, with its line.
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
_WORDS = {
    "lead": r"leads?|cables?|cords?",
    "hose": r"hoses?",
    "filter": r"filters?",
    "supply voltage": r"voltage",
}
"""What changes, by words of a condition's name."""
_WORDS_ALONE = {
    "lead": r"extensions?|flex|reel|drum",
    "supply voltage": r"\d+(?:[.,]\d+)?\s*V",
}
"""Likewise where nothing else is said: a hose may be flexible, and a lead be rated for a voltage."""
_CONDITION = """\

[[condition]]
name = {name}
{changes}{instruction}{lead}# price = 79                    # what it costs, with [prices] below
"""
_INSTRUCTION = """\
instruction = {instruction}
# What the screens ask for; `, then switch on` follows.
"""
_CHANGES_LINE = """\
{changes}# {mark}differs from the baseline in: "lead", "hose", "filter", "supply voltage", "other"
"""
_CHANGES_COLUMN = 32
_OTHER = "other"
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
{order}
# [comparison]
# detect_percent = 1            # a difference of this size would matter: tells whether the repeats are enough
"""
_ORDER = """\
kind = "as written"             # or "randomised", or "baseline first and last" (which tells what drifted meanwhile)
repeats = {repeats}                     # how often each is measured; with fewer no difference can be called real
"""
_LOGGED_ORDER = """\
kind = "as written"             # CHANGE if they were not run so, round by round; `daq import --order` can tell, too
repeats = {repeats}                     # CHANGE: how often each was measured; with fewer no difference can be called real
"""
_START = """\

# When the machine counts as on: a trial begins and ends by itself.
[start]
channel = {channel}
on_above = {on:<21g}# CHANGE: about half of what the machine draws, above any standby load [{unit}]
off_below = {off:<20g}# at or below on_above [{unit}]
"""
_LOGGED_START = """\

# When the machine counts as on: each such stretch of the log is a run, and runs are trials, in the order above.
[start]
channel = {channel}
on_above = {on:<21g}# CHANGE: about half of what it reads with the machine on, above any standby load [{unit}]
off_below = {off:<20g}# at or below on_above [{unit}]
"""
SWITCHED: Mapping[str, float] = {
    "current": 0.2,
    "power": 50.0,
    "apparent power": 50.0,
    "rotational speed": 300.0,
    "airflow": 0.005,
    "velocity": 1.0,
    "pressure": 100.0,
}
"""Quantities that rise when a machine is switched on, the quickest first, with a level above which it hardly is off
[the quantity's first unit]."""
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
_LOGGED_SETTLING = """\
# A log with readings many seconds apart is too sparse for that: leave its channels out, the windows hold for them too.
"""
_AVERAGING = """\

# So many readings are typed that averaging may have to wait for them.
[averaging]
longest_s = {longest_s:g}
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
    *,
    by_eye: int = 0,
) -> str:
    """A plan with comments.

    Args:
        name: Of the plan.
        machine: What is tested.
        kind: Of the comparison.
        conditions: Their names, the baseline first; at least two, all different.
        meters: Of the bench.
        by_eye: Meters of the bench that have no port [1].
    """
    channels = [channel for placed in meters for channel in placed.channels]
    parts = [
        _head(name, machine, kind, conditions, "`daq check bench.toml plan.toml`"),
        *_conditions(conditions, kind, is_asked=True),
        _REST.format(order=_ORDER.format(repeats=_repeats(len(conditions)))),
    ]
    rating = lowest_rating(conditions) if kind is Kind.LEADS else None
    return "".join([*parts, *_watched(channels, rating, by_eye)])


def logged_plan_text(
    name: str,
    machine: str,
    kind: Kind,
    conditions: Sequence[str],
    channels: Sequence[LoggedChannel],
) -> str:
    """A plan with comments, for a session that is made of meters' own logs alone.

    Args:
        name: Of the plan.
        machine: What is tested.
        kind: Of the comparison.
        conditions: Their names, the baseline first; at least two, all different.
        channels: That the logs become; one at least of a quantity in SWITCHED.
    """
    logged = [
        WantedChannel(c.name, MeterField(c.name, c.quantity, c.unit), c.place)
        for c in channels
    ]
    by_quantity = _first_of_each(logged)
    start = next(by_quantity[q] for q in SWITCHED if q in by_quantity)
    required = _required(logged)
    parts = [
        _head(name, machine, kind, conditions, "`daq import`"),
        *_conditions(conditions, kind, is_asked=False),
        _REST.format(order=_LOGGED_ORDER.format(repeats=_repeats(len(conditions)))),
        _start(start, _LOGGED_START),
        _SETTLING.format(required=_listed(required)),
        _LOGGED_SETTLING,
        *_normalising(logged, required),
    ]
    return "".join(parts)


def _head(
    name: str, machine: str, kind: Kind, conditions: Sequence[str], told_by: str
) -> str:
    return _HEAD.format(
        question=_QUESTIONS[kind],
        told_by=told_by,
        name=toml_string(name),
        baseline=toml_string(conditions[0]),
        machine=toml_string(machine),
    )


def _conditions(
    conditions: Sequence[str], kind: Kind, *, is_asked: bool
) -> Iterator[str]:
    for index, each in enumerate(conditions):
        yield _condition(each, kind, is_baseline=index == 0, is_asked=is_asked)


def _repeats(conditions: int) -> int:
    """The fewest that can show anything [1]."""
    return 1 + -(-_DEGREES_OF_FREEDOM // conditions)


def _condition(name: str, kind: Kind, *, is_baseline: bool, is_asked: bool) -> str:
    changes = _named_changes(name, kind)
    is_lead = is_baseline or _CHANGES[Kind.LEADS] in changes
    return _CONDITION.format(
        name=toml_string(name),
        changes="" if is_baseline else _changes_line(changes),
        instruction=_INSTRUCTION.format(instruction=toml_string(f"Fit: {name}"))
        if is_asked
        else "",
        lead=_lead(name) if kind is Kind.LEADS and is_lead else "",
    )


def _named_changes(name: str, kind: Kind) -> tuple[str, ...]:
    """In what a condition differs from the baseline, by its name.

    A filter may be called by its class and a hose by its bore; what does not read as a lead hardly is one.
    """
    is_of_leads = kind is Kind.LEADS
    named = [*_said_in(name, _WORDS)]
    if "lead" not in named and has_size(name) and (is_of_leads or not named):
        named.insert(0, "lead")
    named = named or [*_said_in(name, _WORDS_ALONE)]
    if not named and (not is_of_leads or is_length(name)):
        named = [_CHANGES[kind]]
    return tuple(named) or (_OTHER,)


def _said_in(name: str, words: Mapping[str, str]) -> Iterator[str]:
    for what, alike in words.items():
        if re.search(rf"(?<![^\W_])(?:{alike})(?![^\W_])", name, re.IGNORECASE):
            yield what


def _changes_line(changes: Sequence[str]) -> str:
    listed = ", ".join(map(toml_string, changes))
    return _CHANGES_LINE.format(
        changes=f"changes = [{listed}] ".ljust(_CHANGES_COLUMN),
        mark="CHANGE: " if _OTHER in changes else "",
    )


def _lead(name: str) -> str:
    table = lead_table(name)
    if table is None:
        return _LEAD_UNKNOWN.format(
            rated=", rated_current_a = 16", rated_words=", and what it is rated for"
        )
    return f"lead = {table}\n# By its name; rated_current_a may stand beside it.\n"


def _watched(
    channels: Sequence[WantedChannel], rating: LeadRating | None, by_eye: int
) -> Iterator[str]:
    by_quantity = _first_of_each(channels)
    current = by_quantity.get("current")
    yield _NO_START if current is None else _start(current, _START)
    required = _required(channels)
    yield _SETTLING.format(required=_listed(required))
    longest_s = least_averaging_s(by_eye)
    if longest_s > STANDARD.longest_s:
        yield _AVERAGING.format(longest_s=longest_s)
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


def _start(channel: WantedChannel, text: str) -> str:
    unit = channel.field.unit
    on = SWITCHED[channel.field.quantity] / UNITS[unit].factor
    return text.format(
        channel=toml_string(channel.name), on=on, off=on / 2.0, unit=unit
    )


def _required(channels: Sequence[WantedChannel]) -> list[WantedChannel]:
    """What the comparison is about: power, air, and the voltage where the machine gets it."""
    by_quantity = _first_of_each([c for c in channels if c.place != "room"])
    air = next((q for q in ("airflow", "velocity", "pressure") if q in by_quantity), "")
    wanted = [q for q in ("voltage", "power", air) if q in by_quantity]
    if "power" not in by_quantity and "current" in by_quantity:
        wanted.insert(1, "current")
    return [by_quantity[q] for q in wanted] or list(channels[:1])
