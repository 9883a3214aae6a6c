"""`daq registers PORT`: which registers of a Modbus unit hold what its display shows."""

import argparse
import asyncio
from collections.abc import Sequence
from dataclasses import dataclass

from daq.cli.arguments import CommandParser, number_between
from daq.cli.display_questions import (
    asked_again,
    asked_number,
    asked_shown,
    is_another_load_wanted,
)
from daq.cli.found_bench import require_free, write_or_show
from daq.cli.line_arguments import (
    ModbusFramings,
    add_display_arguments,
    add_line_arguments,
    asked_units,
    modbus_framings,
    parsed_by,
    rarer_framings,
    rarer_units,
    require_one_of_each,
    untried_lines,
)
from daq.cli.registers_words import (
    candidate_counts,
    choice_question,
    field_lines,
    none_lines,
    not_confirmed_lines,
    not_taken_line,
    nothing_read_lines,
    nothing_shown_lines,
    range_line,
    rarer_lines,
    taken_by_word_line,
)
from daq.cli.said import say
from daq.errors import InputError, InstrumentError
from daq.recognising.candidates import Candidate, find_candidates
from daq.recognising.choosing import (
    LEAST_LOADS,
    MOST_LOADS,
    FieldFound,
    Load,
    Standing,
    choose,
    remaining,
    take,
    wanted_moves,
)
from daq.recognising.files import render_registers
from daq.recognising.ranges import (
    MOST_REGISTERS,
    Address,
    Range,
    RangeSearch,
    Sweep,
)
from daq.runtime.clock import Clock
from daq.runtime.listening import (
    UnitFound,
    find_units,
    open_line,
    search_registers,
    sweep_registers,
)
from daq.runtime.ports import hold_port

_LAST = 127
_PAUSE_S = 0.02
_SWEEP_EVERY_S = 0.3
_LEAST_SWEEPS, _SWEEPS = 2, 3
_SWEEPS_S = 2.0
"""Before the display is read and after it: three, or two where a line is so slow that they take longer."""


@dataclass(frozen=True, slots=True)
class _Bench:
    """Where the unit is, and what of it can be read."""

    options: argparse.Namespace
    found: UnitFound
    ranges: tuple[Range, ...]
    absent: frozenset[Address]


def run(arguments: Sequence[str]) -> int:
    """Compare the registers of a unit with its display."""
    options = _parser().parse_args(arguments)
    _require_order(options)
    require_free(options.write)
    # Let go before the operator is asked: another program may have to show what the display shows.
    with hold_port(options.port):
        found = _found_unit(options)
        search = asyncio.run(_searched(options, found))
    say(range_line(search))
    if not search.words:
        say(*nothing_read_lines(options.first, options.last))
        return 1
    readable, absent = tuple(search.readable), frozenset(search.absent)
    bench = _Bench(options, found, readable, absent)
    shown = tuple(options.shows) or asked_shown()
    if not shown:
        say(*nothing_shown_lines())
        return 1
    first = Load(shown, (search.words, *_swept(bench)))
    candidates = {each.name: find_candidates(each, first.sweeps) for each in shown}
    say(*candidate_counts(candidates))
    if not any(candidates.values()):
        say(*none_lines(options.first, options.last))
        return 1
    loads, candidates = _compared(bench, first, candidates)
    return _ended(bench, choose(candidates, loads, bench.absent), loads)


def _found_unit(options: argparse.Namespace) -> UnitFound:
    """The unit to be read; the only one, or the one that was named."""
    units = asked_units(options)
    say(
        f"Looking for unit {', '.join(str(unit) for unit in units)} at {options.port} …"
    )
    # The likeliest unit at every setting first: sixteen at each would take minutes.
    usual = modbus_framings(options)
    found = _units(options, usual, units[:1], units[1:]) or _units(
        options, usual, units[1:]
    )
    if not found and (rarer := rarer_framings(options)):
        say(*rarer_lines(rarer, options.wait))
        found = _units(options, rarer, rarer_units(units))
    if not found:
        say(*untried_lines(options))
        msg = (
            f"port {options.port}: no Modbus unit answers, check wiring and the meter's menu;"
            f" daq listen {options.port} tries other ways to talk"
        )
        raise InstrumentError(msg)
    if len(found) > 1:
        listed = ", ".join(str(each.unit) for each in found)
        msg = f"units {listed} answer at {found[0].framing}, expected --unit with the one whose display is read"
        raise InputError(msg)
    unit = found[0]
    say(
        f"Unit {unit.unit} answers at {unit.framing}, {unit.mode.title}:"
        f" {unit.mode.checksum} right {unit.right} times of {unit.asked}."
    )
    return unit


def _units(
    options: argparse.Namespace,
    settings: ModbusFramings,
    units: Sequence[int],
    also: Sequence[int] = (),
) -> list[UnitFound]:
    """Those that answer in the first transmission mode in which any does."""
    for mode, framings in settings if units else ():
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


async def _searched(options: argparse.Namespace, found: UnitFound) -> RangeSearch:
    search = RangeSearch(
        options.first, options.last, functions=tuple(options.function or (3, 4))
    )
    async with open_line(options.port, found.framing, Clock()) as line:
        await search_registers(
            line,
            found.unit,
            search,
            mode=found.mode,
            wait_s=options.wait,
            pause_s=options.pause,
        )
    return search


def _swept(bench: _Bench) -> list[Sweep]:
    """The readable registers, read a few times."""
    return asyncio.run(_sweeps(bench))


async def _sweeps(bench: _Bench) -> list[Sweep]:
    options, found = bench.options, bench.found
    sweeps: list[Sweep] = []
    clock = Clock()
    until_s = clock.wire_s() + _SWEEPS_S
    async with open_line(options.port, found.framing, clock) as line:
        while len(sweeps) < _LEAST_SWEEPS or (
            len(sweeps) < _SWEEPS and clock.wire_s() < until_s
        ):
            sweep = await sweep_registers(
                line,
                found.unit,
                bench.ranges,
                mode=found.mode,
                wait_s=options.wait,
                pause_s=options.pause,
            )
            sweeps.append(sweep)
            await asyncio.sleep(options.every)
    return sweeps


# ---- the operator


def _compared(
    bench: _Bench, first: Load, candidates: dict[str, list[Candidate]]
) -> tuple[list[Load], dict[str, list[Candidate]]]:
    """Further loads, until each field is known or nobody wants another."""
    loads = [first]
    while _is_another_useful(bench, candidates, loads):
        if not is_another_load_wanted(len(loads), wanted_moves(loads)):
            break
        load = _next_load(bench, first)
        if load is None:
            break
        loads.append(load)
        candidates = remaining(candidates, load)
        say(*candidate_counts(candidates))
    return loads, candidates


def _is_another_useful(
    bench: _Bench, candidates: dict[str, list[Candidate]], loads: Sequence[Load]
) -> bool:
    """Whether another load may tell more; what is alike at four will hardly part at the fifth."""
    if len(loads) < LEAST_LOADS:
        return any(candidates.values())
    fields = choose(candidates, loads, bench.absent)
    standings = {field.standing for field in fields}
    if Standing.UNCONFIRMED in standings:
        return len(loads) < MOST_LOADS
    return Standing.SEVERAL in standings and len(loads) <= LEAST_LOADS


def _next_load(bench: _Bench, first: Load) -> Load | None:
    """Registers before and after the display was read; None where nobody reads it."""
    before = _swept(bench)
    shown = asked_again(first.shown)
    return Load(shown, (*before, *_swept(bench))) if shown is not None else None


def _chosen(
    options: argparse.Namespace, field: FieldFound, loads: Sequence[Load]
) -> FieldFound:
    """The field, with the operator's choice where the loads leave one to make."""
    given = dict(options.take).get(field.shown.name)
    if field.standing in (Standing.FOUND, Standing.NONE):
        if given and given not in [each.label for each in field.candidates]:
            say(not_taken_line(field.shown.name, given))
        return field
    number = asked_number(
        lambda: choice_question(field.shown.name, len(field.candidates)),
        field.shown.name,
        given,
        [candidate.label for candidate in field.candidates],
    )
    return take(field, field.candidates[number - 1], loads) if number else field


def _ended(bench: _Bench, fields: Sequence[FieldFound], loads: Sequence[Load]) -> int:
    """Say what each field is, and write those that are known."""
    for field in fields:
        say(*field_lines(field))
    if len(loads) < 2:
        say(*not_confirmed_lines())
        return 1
    decided = [_chosen(bench.options, field, loads) for field in fields]
    for before, after in zip(fields, decided, strict=True):
        if after is not before:
            say(*field_lines(after))
    known = [field for field in decided if field.standing is Standing.FOUND]
    if not known:
        return 1
    profile = render_registers(
        known, framing=bench.found.framing, mode=bench.found.mode
    )
    code = write_or_show(
        bench.options.write,
        profile,
        port=bench.options.port,
        unit=bench.found.unit,
        is_whole=len(known) == len(fields),
    )
    if by_word := [each.shown.name for each in decided if each not in fields]:
        say(taken_by_word_line(by_word))
    return code


# ---- arguments


def _require_order(options: argparse.Namespace) -> None:
    """Refuse what no search can do.

    Raises:
        InputError: With what to write instead.
    """
    if options.last < options.first or options.last - options.first >= MOST_REGISTERS:
        msg = f"--first {options.first} --last {options.last}: expected at most {MOST_REGISTERS} registers, last not before first, like --first {options.first} --last {options.first + _LAST}"
        raise InputError(msg)
    require_one_of_each(options)


def _address(text: str) -> int:
    if not text.isdecimal() or int(text) > 65535:
        msg = f"got {text}, expected an address counted from zero, 0 to 65535"
        raise ValueError(msg)
    return int(text)


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq registers",
        description="Read the registers of a Modbus unit (functions 3 and 4, nothing is written to it) and find those"
        " that hold what its display shows, while the load goes up and down.",
    )
    add_line_arguments(parser)
    add_display_arguments(parser)
    parser.add_argument(
        "--first", type=parsed_by(_address), default=0, help="first address (default 0)"
    )
    parser.add_argument(
        "--last",
        type=parsed_by(_address),
        default=_LAST,
        help=f"last address (default %(default)s); at most {MOST_REGISTERS} registers are read",
    )
    parser.add_argument(
        "--function",
        type=int,
        choices=(3, 4),
        action="append",
        help="3 holding, 4 input registers; both if not given",
    )
    parser.add_argument(
        "--pause",
        type=number_between(0.0, 5.0),
        default=_PAUSE_S,
        metavar="S",
        help="pause after each reply (default %(default)g s), besides the silence that Modbus asks for",
    )
    parser.add_argument(
        "--every",
        type=number_between(0.0, 60.0),
        default=_SWEEP_EVERY_S,
        metavar="S",
        help="time between two readings of one load (default %(default)g s)",
    )
    return parser
