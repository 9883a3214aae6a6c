"""What speaks against a unit or a place that was stated for a column of a log.

The column's name, another channel of the same quantity at the same place, the places of the session. What is probably
a slip is refused before anything is kept, for what was imported stays; --as-stated CHANNEL insists.
"""

import difflib
import re
from collections.abc import Collection, Iterable, Iterator, Sequence

from daq.cli.imported_logs import Log
from daq.errors import InputError
from daq.records import Channel, TrialAverage
from daq.units import UNITS, Unit, senml_value, unit_of

_NAMED = re.compile(r"[(\[]\s*([^()\[\]]+?)\s*[)\]]|\s/\s*(\S+)$")
"""Units in names of columns: Power (kW), Power [kW], P / kW."""
_SPELLINGS = {
    "\N{DEGREE SIGN}C": "Cel",
    "\N{DEGREE SIGN}F": "degF",
    "m\N{SUPERSCRIPT THREE}/h": "m3/h",
    "m\N{SUPERSCRIPT THREE}/s": "m3/s",
    "cfm": "ft3/min",
    "fpm": "ft/min",
    "1/min": "rpm",
    "U/min": "rpm",
    "watt": "W",
    "volt": "V",
    "ampere": "A",
    "amp": "A",
}
_PREFIXES = frozenset("mkM\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}u")
_THOUSAND = 1000.0
_LEAST_FACTOR = 30.0
"""Units that are nearer each other are no slip that a size would show [1]."""
_SAME = 0.25
"""Two meters of one thing differ by less, relative to either [1]."""
_NEAR_PLACE = 0.7
"""From 0, nothing alike, to 1, the same letters [1]: "machin" and "machine end" are 0.71."""
_INSIST = "--as-stated"


def expect_units_of_names(logs: Sequence[Log], insisted: Collection[str]) -> None:
    """Refuse a unit where the column's name has another of the same quantity.

    Args:
        logs: That are imported.
        insisted: Names of channels whose unit and place are right as they were stated.

    Raises:
        InputError: With what to state instead.
    """
    for log in logs:
        for channel in log.channels:
            name = log.table.names[log.columns[channel.name]]
            named = _other_unit(name, unit_of(channel.unit))
            if named is not None and channel.name not in insisted:
                remedy = f"state {channel.name}:{named}" if named in UNITS else f"write it in {channel.unit}"  # fmt: skip
                msg = (
                    f"{log.file}: column {name!r} is in {named} by its name, but channel {channel.name} in"
                    f" {channel.unit} as stated; {remedy}, or {_INSIST} {channel.name} if the name is wrong"
                )
                raise InputError(msg)


def _other_unit(column: str, stated: Unit) -> str | None:
    """Another unit of the same quantity that a column's name has; None where it has none, or the stated one too."""
    named = [one or other for one, other in _NAMED.findall(column)]
    symbols = [symbol for text in named for symbol in _symbols(text, stated)]
    return None if stated.symbol in symbols else next(iter(symbols), None)


def _symbols(text: str, stated: Unit) -> Iterator[str]:
    """What a text means as a unit of the same quantity: one of ours, or one of them with a prefix that we do not have."""
    spelt = _SPELLINGS.get(text, text)
    if spelt not in UNITS:
        folded = {each.casefold(): each for each in (*UNITS, *_SPELLINGS)}
        alike = folded.get(text.casefold(), text)
        spelt = _SPELLINGS.get(alike, alike)
    of_quantity = [unit for unit in UNITS.values() if unit.quantity == stated.quantity]
    if any(spelt == unit.symbol for unit in of_quantity):
        yield spelt
    elif text[:1] in _PREFIXES and any(text[1:] == u.symbol for u in of_quantity):
        yield text


# ---- places


def expect_places(
    channels: Iterable[Channel], known: Iterable[str], insisted: Collection[str]
) -> None:
    """Refuse a place that none of the session is, but nearly.

    Args:
        channels: That are imported.
        known: Places of the session or its bench.
        insisted: Names of channels whose place is right as it was stated.

    Raises:
        InputError: With the place that may have been meant.
    """
    places = list(dict.fromkeys(filter(None, known)))
    for channel in channels:
        meant = _nearly(channel.place, places)
        if meant is not None and channel.name not in insisted:
            msg = (
                f"--column …={channel.name}:{channel.unit}:{channel.place}: no place {channel.place!r} in the session,"
                f" did you mean {meant!r}? {_INSIST} {channel.name} if it is another place"
            )
            raise InputError(msg)
        if channel.place and channel.place not in places:
            places.append(channel.place)


def _nearly(place: str, places: Sequence[str]) -> str | None:
    if not place or place in places:
        return None
    folded = {_folded(each): each for each in places}
    close = difflib.get_close_matches(_folded(place), folded, n=1, cutoff=_NEAR_PLACE)
    if not close or _is_numbered_otherwise(place, folded[close[0]]):
        return None
    return folded[close[0]]


def _folded(place: str) -> str:
    return " ".join(place.casefold().split())


def _is_numbered_otherwise(one: str, other: str) -> bool:
    """Outlet 1 and outlet 2 are two places."""
    return re.findall(r"\d+", one) != re.findall(r"\d+", other)


# ---- sizes


def expect_sizes(
    imported: Collection[str],
    channels: Iterable[Channel],
    trials: Iterable[Sequence[TrialAverage]],
    insisted: Collection[str],
) -> None:
    """Refuse a unit with which a channel averages to some thousand times another of its quantity at its place.

    Args:
        imported: Names of the channels that are imported.
        channels: Of the session, these among them.
        trials: Averages of each.
        insisted: Names of channels whose unit is right as it was stated.

    Raises:
        InputError: With both averages and the unit that would fit.
    """
    described = {channel.name: channel for channel in channels}
    for averages in trials:
        for one in averages:
            if one.channel not in imported or one.channel in insisted:
                continue
            for other in averages:
                if _are_comparable(described, one, other):
                    _expect_size(one, other)


def _are_comparable(
    described: dict[str, Channel], one: TrialAverage, other: TrialAverage
) -> bool:
    first, second = described.get(one.channel), described.get(other.channel)
    if first is None or second is None:
        return False
    is_same = first.quantity == second.quantity and first.place == second.place
    return is_same and first is not second and not unit_of(first.unit).has_agreed_zero


def _expect_size(one: TrialAverage, other: TrialAverage) -> None:
    stated = unit_of(one.unit)
    there = senml_value(other.mean, unit_of(other.unit))
    if not there:
        return
    ratio = senml_value(one.mean, stated) / there
    for factor, fitting in _slips(stated):
        if abs(ratio / factor - 1.0) < _SAME:
            remedy = f"state {one.channel}:{fitting}, or " if fitting else ""
            msg = (
                f"channel {one.channel} averages to {one.mean:.4g} {one.unit}, {ratio:.4g} times {other.channel} at the"
                f" same place ({other.mean:.4g} {other.unit}); {remedy}{_INSIST} {one.channel} if its unit is right"
            )
            raise InputError(msg)


def _slips(stated: Unit) -> Iterator[tuple[float, str]]:
    """How many times too large a value seems in the stated unit [1] whose log is in another, and that one if we have it."""
    for unit in UNITS.values():
        factor = stated.factor / unit.factor
        is_far = not 1.0 / _LEAST_FACTOR < factor < _LEAST_FACTOR
        if unit.quantity == stated.quantity and is_far:
            yield factor, unit.symbol
    yield from ((_THOUSAND, ""), (1.0 / _THOUSAND, ""))
