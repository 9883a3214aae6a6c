"""What speaks against a unit or a place that was stated for a column of a log.

The column's name, another channel of the same quantity at the same place, the places of the session. What is probably
a slip is refused before anything is kept, for what was imported stays; --as-stated CHANNEL insists on a unit, another
word in its name on a place.
"""

import difflib
import re
from collections.abc import Collection, Iterable, Iterator, Sequence
from itertools import starmap

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
_PHASES = {"A", "1"}
"""Power (A) may be that of a phase."""
_PREFIXES = frozenset("mkM\N{MICRO SIGN}\N{GREEK SMALL LETTER MU}u")
_THOUSAND = 1000.0
_LEAST_FACTOR = 30.0
"""Units that are nearer each other are no slip that a size would show [1]."""
_LEAST_FACTOR_OF_PRESSURES = 500.0
"""Static and dynamic pressure at one place may well be 100 apart, as Pa and hPa are [1]."""
_SAME = 0.25
"""Two meters of one thing differ by less, relative to either [1]."""
_NEAR_WORD = 0.8
"""From 0, nothing alike, to 1, the same letters [1]: "outlet" and "outlte" are 0.83, "with" and "without" 0.73."""
_INSIST = "--as-stated"


def expect_units_of_names(logs: Sequence[Log], insisted: Collection[str]) -> None:
    """Refuse a unit where the column's name has another one, of the same quantity or of another.

    Args:
        logs: That are imported.
        insisted: Names of channels whose unit is right as it was stated.

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
    """Another unit that a column's name has; None where it has none, or the stated one too."""
    named = [one or other for one, other in _NAMED.findall(column)]
    symbols = [symbol for text in named for symbol in _symbols(text, stated)]
    if stated.symbol in symbols:
        return None
    # Of another quantity only what is written just so.
    exact = [_SPELLINGS.get(text, text) for text in named if text not in _PHASES]
    return next(iter([*symbols, *(each for each in exact if each in UNITS)]), None)


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


def expect_places(channels: Iterable[Channel], known: Iterable[str]) -> None:
    """Refuse a place that none of the session is, but another spelling of one.

    Args:
        channels: That are imported. Their places are not held against each other: who states two means two.
        known: Places of the session or its bench.

    Raises:
        InputError: With the place that may have been meant.
    """
    places = list(dict.fromkeys(filter(None, known)))
    for channel in channels:
        if not channel.place or channel.place in places:
            continue
        meant = next((p for p in places if _is_spelt_alike(channel.place, p)), None)
        if meant is not None:
            msg = (
                f"--column …={channel.name}:{channel.unit}:{channel.place}: no place {channel.place!r} in the session,"
                f" did you mean {meant!r}? If it is another place, add a word to it"
            )
            raise InputError(msg)


def _is_spelt_alike(place: str, other: str) -> bool:
    """Word by word: before and after a filter, in and out, outlet a and b are two places each."""
    words, others = _words(place), _words(other)
    if re.findall(r"\d+", place) != re.findall(r"\d+", other):
        return False
    if "".join(words) == "".join(others):
        return True
    pairs = zip(words, others, strict=False)
    return len(words) == len(others) and all(starmap(_is_misspelt, pairs))


def _words(place: str) -> list[str]:
    return list(filter(None, re.split(r"[\s_-]+", place.casefold())))


def _is_misspelt(word: str, other: str) -> bool:
    """Whether they are equal or nearly. Slips spare the first letter; another one makes another word: near, rear."""
    if word == other:
        return True
    likeness = difflib.SequenceMatcher(None, word, other).ratio()
    has_digits = any(map(str.isdecimal, word))
    return word[0] == other[0] and likeness > _NEAR_WORD and not has_digits


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
    # Where nobody said where they are, they may be anywhere.
    is_same_place = bool(first.place) and first.place == second.place
    is_same = first.quantity == second.quantity and is_same_place
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
    is_pressure = stated.quantity == "pressure"
    least = _LEAST_FACTOR_OF_PRESSURES if is_pressure else _LEAST_FACTOR
    for unit in UNITS.values():
        factor = stated.factor / unit.factor
        is_far = not 1.0 / least < factor < least
        if unit.quantity == stated.quantity and is_far:
            yield factor, unit.symbol
    yield from ((_THOUSAND, ""), (1.0 / _THOUSAND, ""))
