"""`daq listen PORT`: how a meter talks, found by listening and by questions that change nothing."""

import argparse
import asyncio
import re
from collections.abc import Mapping, Sequence

from daq.cli.arguments import CommandParser, number_between
from daq.cli.found_bench import require_free, write_or_show
from daq.cli.line_arguments import (
    ModbusFramings,
    add_display_arguments,
    add_line_arguments,
    asked_framings,
    asked_units,
    modbus_framings,
    parsed_by,
    rarer_framings,
    rarer_units,
    require_one_of_each,
    untried_lines,
)
from daq.cli.listen_frames import framed
from daq.cli.listen_words import (
    asked_name,
    bus_lines,
    column_lines,
    heard_lines,
    no_field_lines,
    own_query_lines,
    query_lines,
    silent_lines,
    unit_lines,
)
from daq.cli.questions import ask_until, is_somebody_there
from daq.cli.registers_words import rarer_lines
from daq.cli.said import say
from daq.errors import InputError
from daq.recognising.asking import (
    ENDINGS,
    IDENTITY_QUERY,
    checked_query,
    queries_to_try,
)
from daq.recognising.files import NamedColumn, render_query, render_streamed
from daq.recognising.framings import Framing
from daq.recognising.heard import Guess, interval_s
from daq.recognising.lines import Column, columns_of_numbers, numbers_by_separator
from daq.recognising.unit_words import field_names, typed_unit
from daq.runtime.clock import Clock
from daq.runtime.listening import (
    QueryFound,
    UnitFound,
    find_queries,
    find_units,
    listen,
)
from daq.runtime.ports import hold_port
from daq.units import UNITS

_SECONDS = 3.0
_NAME = re.compile(r"(?:([0-9]+) *= *)?([A-Za-z][A-Za-z0-9_]*) +(\S+)")

Named = tuple[str, str]
"""Name and unit of a field."""


def run(arguments: Sequence[str]) -> int:
    """Find out how the meter at a port talks."""
    options = _parser().parse_args(arguments)
    require_one_of_each(options)
    require_free(options.write)
    framings = asked_framings(options)
    say(f"Listening at {options.port} …")
    with hold_port(options.port):
        guesses = asyncio.run(
            listen(
                options.port,
                framings,
                clock=Clock(),
                seconds=options.seconds,
                tell=lambda text: say(f"  {text}"),
            )
        )
    if guesses and guesses[-1].is_accepted:
        return _streamed(options, guesses[-1])
    if guesses:
        return framed(options, framings, guesses)
    return _asked(options, framings)


def _streamed(options: argparse.Namespace, guess: Guess) -> int:
    """Lines come by themselves: a meter's, or frames of Modbus between others."""
    if guess.bus is not None:
        say(*bus_lines(options.port, guess.heard.framing, guess.bus, options.write))
        return 0
    assert guess.shape is not None  # noqa: S101 - accepted only with one
    say(*heard_lines(guess))
    columns = guess.shape.columns
    named = _named(options, columns)
    if not named:
        return 1
    profile = render_streamed(
        guess.shape,
        named,
        framing=guess.heard.framing,
        terminator=guess.terminator,
        interval_s=(pace_s := interval_s(guess.heard.line_times_s)),
    )
    return _written(options, profile, is_paced=pace_s is not None)


def _asked(options: argparse.Namespace, framings: Sequence[Framing]) -> int:
    """The meter is silent, so it is asked: the likeliest unit, then texts, then the other units."""
    units = asked_units(options)
    how = "what was named" if options.ask else "with requests that only read"
    say(f"Nothing comes by itself; asking {how} …")
    with hold_port(options.port):
        found, queries = _answering(options, framings, units)
    if found:
        say(*unit_lines(options.port, found, options.write))
        return 0
    if queries:
        return _queried(options, queries)
    say(*silent_lines(framings, () if options.ask else units))
    if not options.ask:
        say(*untried_lines(options), *own_query_lines(options.port))
    return 1


def _answering(
    options: argparse.Namespace, framings: Sequence[Framing], units: Sequence[int]
) -> tuple[list[UnitFound], list[QueryFound]]:
    """Units or texts, whichever come first."""
    found = [] if options.ask else _units(options, units[:1], units[1:])
    queries = (
        [] if found or options.unit or options.mode else _queries(options, framings)
    )
    if found or queries or options.ask:
        return found, queries
    found = _units(options, units[1:])
    if not found and (rarer := rarer_framings(options)):
        say(*rarer_lines(rarer, options.wait))
        found = _units(options, rarer_units(units), settings=rarer)
    return found, queries


def _units(
    options: argparse.Namespace,
    units: Sequence[int],
    also: Sequence[int] = (),
    *,
    settings: ModbusFramings | None = None,
) -> list[UnitFound]:
    """Those that answer in the first transmission mode in which any does; at all usual settings where none are given."""
    for mode, framings in (settings or modbus_framings(options)) if units else ():
        if settings is None:
            listed = ", ".join(str(unit) for unit in units)
            say(f"  {mode.title}, registers of unit {listed} …")
        search = find_units(
            options.port,
            framings,
            units,
            also=also,
            mode=mode,
            clock=Clock(),
            wait_s=options.wait,
        )
        if found := asyncio.run(search):
            return found
    return []


def _queries(
    options: argparse.Namespace, framings: Sequence[Framing]
) -> list[QueryFound]:
    queries = (IDENTITY_QUERY, *queries_to_try(options.ask))
    say(f"  texts: {' '.join(queries)} …")
    search = find_queries(
        options.port, framings, queries, ENDINGS, clock=Clock(), wait_s=options.wait
    )
    return asyncio.run(search)


def _queried(options: argparse.Namespace, found: Sequence[QueryFound]) -> int:
    """The meter answers a text."""
    say(*query_lines(found))
    for query in found:
        split = [numbers_by_separator(reply) for reply in query.replies]
        if None in split or len({(s[0], len(s[1])) for s in split if s}) != 1:
            continue
        separator, parts = split[-1] or ("", ())
        named = _named(options, columns_of_numbers(parts))
        if not named:
            return 1
        profile = render_query(
            named,
            framing=query.framing,
            request=f"{query.query}{query.ending}",
            parts=len(parts),
            separator=separator,
            terminator=query.terminator,
            echo=query.echo,
            example=query.replies[-1],
        )
        return _written(options, profile)
    say("No answer is a row of bare numbers.")
    if not options.ask:
        say(*own_query_lines(options.port))
    return 1


def _written(
    options: argparse.Namespace, profile: str, *, is_paced: bool = True
) -> int:
    return write_or_show(
        options.write, profile, port=options.port, unit=None, is_paced=is_paced
    )


# ---- names of columns


def _named(options: argparse.Namespace, columns: Sequence[Column]) -> list[NamedColumn]:
    """The columns that become fields: named by an option, by their own unit, or by the operator."""
    say(*column_lines(columns))
    given: Mapping[int | None, Named] = dict(options.name)
    wanted: dict[int, Named] = {n: v for n, v in given.items() if n is not None}
    own = [c for c in columns if c.unit is not None and c.number not in wanted]
    names = field_names([column.unit or "" for column in own])
    for column, name in zip(own, names, strict=True):
        wanted[column.number] = (name, column.unit or "")
    if is_somebody_there():
        _ask_for_names([c for c in columns if c.number not in wanted], wanted)
    if not wanted:
        say(*no_field_lines())
    _require_one_name_each(wanted, columns)
    return [
        NamedColumn(c.number, *wanted[c.number], c.decimals)
        for c in columns
        if c.number in wanted
    ]


def _require_one_name_each(
    wanted: Mapping[int, Named], columns: Sequence[Column]
) -> None:
    numbers = [column.number for column in columns]
    names = [name for name, _ in wanted.values()]
    if beyond := sorted(set(wanted) - set(numbers)):
        msg = f"--name: no column {beyond[0]}, expected 1 to {len(numbers)}"
        raise InputError(msg)
    if twice := sorted({name for name in names if names.count(name) > 1}):
        msg = f"--name: two columns named {twice[0]!r}, expected another name for one"
        raise InputError(msg)


def _ask_for_names(columns: Sequence[Column], wanted: dict[int, Named]) -> None:
    for column in columns:
        answer = ask_until(
            asked_name(column), lambda text: _parse_name(text)[1] if text else None
        )
        if answer is not None:
            wanted[column.number] = answer


def _parse_name(text: str) -> tuple[int | None, Named]:
    match = _NAME.fullmatch(text.strip())
    if match is None:
        msg = f"{text!r}, expected a name and a unit, like voltage V"
        raise ValueError(msg)
    unit = typed_unit(match[3])
    if unit is None:
        msg = f"unknown unit {match[3]!r}, expected one of {', '.join(UNITS)}"
        raise ValueError(msg)
    return int(match[1]) if match[1] else None, (match[2].lower(), unit)


def _parse_option(text: str) -> tuple[int | None, Named]:
    number, named = _parse_name(text)
    if number is None:
        msg = f"{text!r}, expected the column's number first, like 1=voltage V"
        raise ValueError(msg)
    return number, named


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq listen",
        description="Find out how a meter talks: listen at one speed after another, then ask what changes nothing.",
    )
    add_line_arguments(parser)
    add_display_arguments(parser)
    parser.add_argument(
        "--seconds",
        type=number_between(0.1, 600.0),
        default=_SECONDS,
        metavar="S",
        help="how long to listen at each setting (default %(default)g)",
    )
    parser.add_argument(
        "--name",
        type=parsed_by(_parse_option),
        action="append",
        default=[],
        metavar="N=NAME UNIT",
        help='what a column is, like "1=voltage V"; may be given several times',
    )
    parser.add_argument(
        "--ask",
        type=parsed_by(checked_query),
        action="append",
        default=[],
        metavar="QUERY",
        help="the meter's own query, ending in ?; may be given several times",
    )
    return parser
