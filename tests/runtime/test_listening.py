"""Searching a line: what is heard at which setting, what is asked, and what is never sent."""

import fcntl
import itertools
import struct
from collections.abc import Callable, Iterator
from functools import partial

import pytest

from daq.errors import PortAbsentError
from daq.recognising.asking import ENDINGS, IDENTITY_QUERY
from daq.recognising.framings import Framing, framings_to_try, parse_framing
from daq.recognising.heard import Guess
from daq.recognising.ranges import RangeSearch
from daq.runtime.clock import Clock
from daq.runtime.listening import (
    QueryFound,
    UnitFound,
    find_queries,
    find_units,
    listen,
    open_line,
    search_registers,
    sweep_registers,
)
from tests.hidden_meters import HiddenMeter, Wire, shapes_told, unit_answer

pytestmark = [pytest.mark.pty, pytest.mark.slow]

WAIT_S = 0.1
REAL_IOCTL: Callable[..., bytes | int] = fcntl.ioctl
TIOCGICOUNT = 0x545D
"""Linux: struct serial_icounter_struct, whose seventh number counts framing errors."""

BAUDS = (9600, 19_200, 38_400)
HELD = {10: 2304, 11: 52, 40: 7}


@pytest.fixture(autouse=True)
def _shapes() -> Iterator[None]:
    with shapes_told():
        yield


async def heard_at(meter: HiddenMeter, *shapes: str, seconds: float = 0.3) -> Guess:
    guesses = await listen(
        meter.path,
        framings_to_try(BAUDS, shapes),
        clock=Clock(),
        seconds=seconds,
        tell=lambda _: None,
    )
    return guesses[-1]


def streaming(wire: Wire, line: bytes = b"12.34 V\r\n") -> HiddenMeter:
    return HiddenMeter(wire, speak=lambda: line, interval_s=0.03)


@pytest.mark.parametrize("shape", ["8N1", "8E1", "8O1", "8N2"])
async def test_lines_are_found_at_their_speed(shape: str) -> None:
    with streaming(Wire(38_400, shape)) as meter:
        guess = await heard_at(meter, "8N1")
    assert guess.is_accepted
    assert guess.heard.framing.baud == 38_400
    assert guess.shape is not None
    assert guess.shape.example == "12.34 V"
    # A pseudo-terminal counts no errors, and none are made up.
    assert guess.heard.errors is None


@pytest.mark.parametrize("shape", ["7E1", "7O1"])
async def test_seven_bits_are_recognised_by_the_parity_in_the_eighth(
    shape: str,
) -> None:
    with streaming(Wire(19_200, shape)) as meter:
        guess = await heard_at(meter, "8N1")
    assert guess.is_accepted
    assert str(guess.heard.framing) == f"19200 {shape}"


async def test_where_the_driver_counts_errors_the_parity_without_any_is_taken(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # Good text with framing errors: eight bits and a parity bit, read without it.
    with streaming(Wire(9600, "8E1")) as meter:
        counted = 0

        def ioctl(descriptor: int, request: int, *arguments: bytes) -> bytes | int:
            nonlocal counted
            if request != TIOCGICOUNT:
                return REAL_IOCTL(descriptor, request, *arguments)
            counted += meter.host_wire().shape != "8E1"
            return struct.pack("20i", *[0] * 6, counted, *[0] * 13)

        monkeypatch.setattr(fcntl, "ioctl", ioctl)
        guess = await heard_at(meter, "8N1")
    assert str(guess.heard.framing) == "9600 8E1"
    assert guess.is_accepted
    assert guess.heard.errors == 0


async def test_the_time_of_lines_is_kept() -> None:
    with streaming(Wire(9600)) as meter:
        guess = await heard_at(meter, "8N1")
    times = guess.heard.line_times_s
    assert len(times) >= 4
    assert all(before <= after for before, after in itertools.pairwise(times))


async def test_a_silent_line_is_left_at_once() -> None:
    with HiddenMeter(Wire(9600)) as meter:
        framings = framings_to_try()
        heard = partial(listen, meter.path, framings, clock=Clock(), seconds=0.05)
        assert await heard(tell=lambda _: None) == []
        assert meter.sent == []


async def test_rubbish_is_never_believed() -> None:
    with streaming(Wire(9600), bytes(range(120, 160))) as meter:
        guess = await heard_at(meter, "8N1", seconds=0.15)
    assert not guess.is_accepted


async def units_at(
    meter: HiddenMeter, framings: tuple[Framing, ...], *units: int
) -> list[UnitFound]:
    return await find_units(meter.path, framings, units, clock=Clock(), wait_s=WAIT_S)


@pytest.mark.parametrize("functions", [(3,), (4,)])
async def test_a_unit_is_found_whichever_function_it_knows(
    functions: tuple[int, ...],
) -> None:
    answer = unit_answer(3, functions, lambda: HELD)
    with HiddenMeter(Wire(19_200, "8E1"), answer=answer) as meter:
        framings = framings_to_try(BAUDS, ("8N1", "8E1"))
        (found,) = await units_at(meter, framings, 1, 3)
    assert (str(found.framing), found.unit) == ("19200 8E1", 3)
    assert found.right == found.asked
    # Nothing but reads, of the units that were named.
    assert {(frame[0], frame[1]) for frame in meter.sent} == {(1, 3), (3, 3)}


async def test_the_other_units_of_a_line_are_found_where_the_first_one_is() -> None:
    one, two = (unit_answer(unit, (3,), lambda: HELD) for unit in (1, 2))
    with HiddenMeter(Wire(19_200), answer=lambda f: one(f) + two(f)) as meter:
        found = await find_units(
            meter.path,
            framings_to_try(BAUDS, ("8N1",)),
            (1,),
            also=(2, 3),
            clock=Clock(),
            wait_s=WAIT_S,
        )
    assert [each.unit for each in found] == [1, 2]
    # At the wrong speed before it only the first was asked for.
    assert meter.sent[0][0] == 1
    assert meter.sent[1][0] == 1


async def test_a_line_without_a_unit_gives_none() -> None:
    with HiddenMeter(Wire(9600)) as meter:
        framings = (parse_framing(9600, "8N1"),)
        assert await units_at(meter, framings, 1) == []


async def test_refused_registers_are_not_asked_for_again() -> None:
    answer = unit_answer(1, (3,), lambda: HELD)
    with HiddenMeter(Wire(9600), answer=answer) as meter:
        async with open_line(meter.path, parse_framing(9600, "8N1"), Clock()) as line:
            search = RangeSearch(0, 63)
            await search_registers(line, 1, search, wait_s=WAIT_S, pause_s=0.0)
            assert search.words == {(3, a): word for a, word in HELD.items()}
            before = len(meter.sent)
            ranges = search.readable
            swept = await sweep_registers(line, 1, ranges, wait_s=WAIT_S, pause_s=0.0)
    assert swept == search.words
    assert len(meter.sent) - before == len(ranges)
    assert {frame[1] for frame in meter.sent} == {3, 4}


async def queries_at(meter: HiddenMeter, *queries: str) -> list[QueryFound]:
    return await find_queries(
        meter.path,
        (parse_framing(9600, "8N1"), parse_framing(9600, "7E1")),
        queries,
        ENDINGS,
        clock=Clock(),
        wait_s=WAIT_S,
    )


@pytest.mark.parametrize("echo", [b"", b"MEAS?\r\n"])
async def test_a_query_is_found_with_what_it_gives(echo: bytes) -> None:
    def answer(data: bytes) -> bytes:
        return echo + b"+1.5,2\r\n" if data.strip() == b"MEAS?" else b""

    with HiddenMeter(Wire(9600, "7E1"), answer=answer) as meter:
        (found,) = await queries_at(meter, IDENTITY_QUERY, "MEAS?")
    assert (str(found.framing), found.query) == ("9600 7E1", "MEAS?")
    assert found.replies == ("+1.5,2",) * 3
    assert (found.terminator, found.echo) == (b"\n", bool(echo))


async def test_a_meter_that_wants_a_bare_line_feed_gets_one() -> None:
    def answer(data: bytes) -> bytes:
        return b"5\n" if data == b"VAL?\n" else b""

    with HiddenMeter(Wire(9600), answer=answer) as meter:
        (found,) = await queries_at(meter, "VAL?")
    assert found.ending == "\n"


async def test_two_lines_to_one_query_are_no_reply() -> None:
    with HiddenMeter(Wire(9600), answer=lambda _: b"5\r\n6\r\n") as meter:
        assert await queries_at(meter, "VAL?") == []


async def test_a_port_that_is_not_there_is_told() -> None:
    with pytest.raises(PortAbsentError, match="nothing is there"):
        async with open_line("/dev/no-such-port", parse_framing(9600, "8N1"), Clock()):
            pass
