"""`daq registers PORT`: which registers of a Modbus unit hold what its display shows."""

import argparse
import asyncio
import sys
from collections.abc import Sequence
from dataclasses import dataclass

from daq.cli.arguments import number_between
from daq.cli.display_questions import (
    asked_again,
    asked_number,
    asked_shown,
    is_another_load_wanted,
)
from daq.cli.found_bench import require_free, write_or_show
from daq.cli.line_arguments import (
    add_display_arguments,
    add_line_arguments,
    asked_units,
    modbus_framings,
    parsed_by,
    require_one_of_each,
)
from daq.cli.registers_words import (
    candidate_counts,
    choice_question,
    field_lines,
    none_lines,
    not_confirmed_lines,
    nothing_read_lines,
    nothing_shown_lines,
    range_line,
)
from daq.errors import InputError, InstrumentError
from daq.recognising.candidates import Candidate, find_candidates
from daq.recognising.choosing import (
    FieldFound,
    Load,
    Standing,
    choose,
    remaining,
    take,
    wanted_moves,
)
from daq.recognising.files import render_registers
from daq.recognising.ranges import MOST_REGISTERS, Range, RangeSearch, Sweep
from daq.runtime.clock import Clock
from daq.runtime.listening import (
    UnitFound,
    find_units,
    open_line,
    search_registers,
    sweep_registers,
)

_LAST = 127
_PAUSE_S = 0.02
_SWEEP_EVERY_S = 0.3
_MOST_LOADS = 4


@dataclass(frozen=True, slots=True)
class _Bench:
    """Where the unit is, and what of it can be read."""

    options: argparse.Namespace
    found: UnitFound
    ranges: tuple[Range, ...]


def run(arguments: Sequence[str]) -> int:
    """Compare the registers of a unit with its display."""
    options = _parser().parse_args(arguments)
    _require_order(options)
    require_free(options.write)
    found = _found_unit(options)
    search = asyncio.run(_searched(options, found))
    _say(range_line(search))
    if not search.words:
        _say(*nothing_read_lines(options.first, options.last))
        return 1
    bench = _Bench(options, found, tuple(search.readable))
    shown = tuple(options.shows) or asked_shown()
    if not shown:
        _say(*nothing_shown_lines())
        return 1
    first = Load(shown, (search.words, *_swept(bench, 2)))
    candidates = {each.name: find_candidates(each, first.sweeps) for each in shown}
    _say(*candidate_counts(candidates))
    if not any(candidates.values()):
        _say(*none_lines(options.first, options.last))
        return 1
    loads, candidates = _compared(bench, first, candidates)
    return _ended(bench, choose(candidates, loads), loads)


def _found_unit(options: argparse.Namespace) -> UnitFound:
    """The unit to be read; the only one, or the one that was named."""
    units = asked_units(options)
    _say(
        f"Looking for unit {', '.join(str(unit) for unit in units)} at {options.port} …"
    )
    # The likeliest unit at every setting first: sixteen at each would take minutes.
    found = _units(options, units[:1], units[1:]) or _units(options, units[1:], ())
    if not found:
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
    _say(
        f"Unit {unit.unit} answers at {unit.framing}, {unit.mode.title}:"
        f" {unit.mode.checksum} right {unit.right} times of {unit.asked}."
    )
    return unit


def _units(
    options: argparse.Namespace, units: Sequence[int], also: Sequence[int]
) -> list[UnitFound]:
    """Those that answer in the first transmission mode in which any does."""
    for mode, framings in modbus_framings(options) if units else ():
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


def _swept(bench: _Bench, count: int) -> list[Sweep]:
    """The readable registers, read so many times."""
    return asyncio.run(_sweeps(bench, count))


async def _sweeps(bench: _Bench, count: int) -> list[Sweep]:
    options, found = bench.options, bench.found
    sweeps: list[Sweep] = []
    async with open_line(options.port, found.framing, Clock()) as line:
        for _ in range(count):
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
    while len(loads) < _MOST_LOADS and _is_open(choose(candidates, loads)):
        if not is_another_load_wanted(len(loads), wanted_moves(loads)):
            break
        load = _next_load(bench, first)
        if load is None:
            break
        loads.append(load)
        candidates = remaining(candidates, load)
        _say(*candidate_counts(candidates))
    return loads, candidates


def _is_open(fields: Sequence[FieldFound]) -> bool:
    return any(
        field.standing in (Standing.SEVERAL, Standing.UNCONFIRMED) for field in fields
    )


def _next_load(bench: _Bench, first: Load) -> Load | None:
    """Registers before and after the display was read; None where nobody reads it."""
    before = _swept(bench, 2)
    shown = asked_again(first.shown)
    return Load(shown, (*before, *_swept(bench, 1))) if shown is not None else None


def _chosen(
    options: argparse.Namespace, field: FieldFound, loads: Sequence[Load]
) -> FieldFound:
    """The field, with the operator's choice where the loads leave one to make."""
    if field.standing not in (Standing.SEVERAL, Standing.UNCONFIRMED):
        return field
    number = asked_number(
        lambda: choice_question(field.shown.name),
        dict(options.take).get(field.shown.name),
        len(field.candidates),
    )
    return take(field, field.candidates[number - 1], loads) if number else field


def _ended(bench: _Bench, fields: Sequence[FieldFound], loads: Sequence[Load]) -> int:
    """Say what each field is, and write those that are known."""
    for field in fields:
        _say(*field_lines(field))
    if len(loads) < 2:
        _say(*not_confirmed_lines())
        return 1
    decided = [_chosen(bench.options, field, loads) for field in fields]
    for before, after in zip(fields, decided, strict=True):
        if after is not before:
            _say(*field_lines(after))
    known = [field for field in decided if field.standing is Standing.FOUND]
    if not known:
        return 1
    profile = render_registers(
        known, framing=bench.found.framing, mode=bench.found.mode
    )
    code = _written(bench, profile)
    return code or int(len(known) < len(fields))


def _written(bench: _Bench, profile: str) -> int:
    options = bench.options
    return write_or_show(
        options.write, profile, port=options.port, unit=bench.found.unit
    )


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


def _say(*lines: str) -> None:
    sys.stdout.writelines(f"{line}\n" for line in lines)
    sys.stdout.flush()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
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
