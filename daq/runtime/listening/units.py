"""Finds Modbus units in both transmission modes, and reads their registers with functions 3 and 4 alone."""

import asyncio
from collections.abc import Sequence
from dataclasses import dataclass

from daq.recognising.asking import (
    ILLEGAL_FUNCTION,
    PASSING_REFUSALS,
    Mode,
    Registers,
    parse_registers,
    read_request,
)
from daq.recognising.framings import Framing
from daq.recognising.ranges import Address, Range, RangeSearch, words_of
from daq.runtime.clock import Clock
from daq.runtime.listening.line import Line, open_line

CONFIRMATIONS = 4
"""How often a unit is asked once it has answered."""

_TRIES = 3


@dataclass(frozen=True, slots=True)
class UnitFound:
    """A Modbus unit that answers.

    Attributes:
        framing, unit: Where.
        right, asked: [1] replies with a right checksum, and requests.
        mode: How its frames are sent.
    """

    framing: Framing
    unit: int
    right: int
    asked: int
    mode: Mode = Mode.RTU


async def find_units(
    url: str,
    framings: Sequence[Framing],
    units: Sequence[int],
    *,
    also: Sequence[int] = (),
    mode: Mode = Mode.RTU,
    clock: Clock,
    wait_s: float,
) -> list[UnitFound]:
    """The units that answer at the first setting at which any does; every one is asked for one register.

    A unit without that register answers with an exception, which is as good. The units of `also` are asked only where
    one of the others has answered.
    """
    for framing in framings:
        async with open_line(url, framing, clock) as line:
            found = [u for u in units if await _answers(line, u, mode, wait_s)]
            if found:
                found += [u for u in also if await _answers(line, u, mode, wait_s)]
                return [await _confirmed(line, u, mode, wait_s) for u in found]
    return []


async def _answers(line: Line, unit: int, mode: Mode, wait_s: float) -> bool:
    first = Range(3, 0, 1)
    reply = await read_registers(line, unit, first, mode=mode, wait_s=wait_s)
    return reply is not None


async def _confirmed(line: Line, unit: int, mode: Mode, wait_s: float) -> UnitFound:
    right = sum(
        [await _answers(line, unit, mode, 2.0 * wait_s) for _ in range(CONFIRMATIONS)]
    )
    return UnitFound(line.framing, unit, right + 1, CONFIRMATIONS + 1, mode)


async def read_registers(
    line: Line, unit: int, wanted: Range, *, mode: Mode = Mode.RTU, wait_s: float
) -> Registers | None:
    """One read with function 3 or 4; None where no sound reply came."""
    request = read_request(unit, wanted.function, wanted.address, wanted.count, mode)
    reply = await line.ask(
        request,
        wait_s=wait_s,
        is_whole=lambda data: parse_registers(data, request, mode) is not None,
    )
    return parse_registers(reply, request, mode)


async def search_registers(
    line: Line,
    unit: int,
    search: RangeSearch,
    *,
    mode: Mode = Mode.RTU,
    wait_s: float,
    pause_s: float,
) -> None:
    """Find out which registers can be read, and read them."""
    while (wanted := search.next_range()) is not None:
        reply = await read_registers(line, unit, wanted, mode=mode, wait_s=wait_s)
        await asyncio.sleep(pause_s)
        if reply is None or reply.refusal in PASSING_REFUSALS:
            search.silent()
        elif reply.refusal is None:
            search.took(reply.words)
        else:
            search.refused(is_whole_function=reply.refusal == ILLEGAL_FUNCTION)


async def sweep_registers(
    line: Line,
    unit: int,
    ranges: Sequence[Range],
    *,
    mode: Mode = Mode.RTU,
    wait_s: float,
    pause_s: float,
) -> dict[Address, int]:
    """Read what is known to be readable once more; a range that fails time after time is left out."""
    words: dict[Address, int] = {}
    for wanted in ranges:
        for _ in range(_TRIES):
            reply = await read_registers(line, unit, wanted, mode=mode, wait_s=wait_s)
            await asyncio.sleep(pause_s)
            if reply is not None and reply.refusal is None:
                words |= words_of(wanted, reply.words)
                break
    return words
