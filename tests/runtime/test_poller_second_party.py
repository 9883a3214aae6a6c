"""Meters that another party has written, on a pseudo-terminal."""

from collections import Counter
from collections.abc import Callable

import pytest
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from daq.records import GapReason
from tests.runtime.conftest import Wire
from tests.runtime.polled_meters import instruments, polling
from tests.runtime.waiting import until

REGISTERS = """
format = 1
title = "Every type and byte order"
refresh_s = 0.5
[line]
baud = 115200
[wire]
protocol = "modbus-rtu"
reply_timeout_s = {timeout_s}
"""
# Function, address, type, byte order, what the other party's registers hold, the value.
# Registers of 123.456: tests/vectors/modbus.json (IEEE 754 binary32 42 F6 E9 79), and of
# -12345: FF FF CF C7 in two's complement; the exchanged orders by hand.
LAID_OUT: tuple[tuple[int, int, str, str, list[int], float], ...] = (
    (4, 0, "f32", "ABCD", [0x42F6, 0xE979], 123.456),
    (4, 2, "f32", "CDAB", [0xE979, 0x42F6], 123.456),
    (4, 4, "f32", "BADC", [0xF642, 0x79E9], 123.456),
    (4, 6, "f32", "DCBA", [0x79E9, 0xF642], 123.456),
    # Not next to the others: one more request.
    (4, 100, "s32", "ABCD", [0xFFFF, 0xCFC7], -12_345),
    (4, 102, "u32", "CDAB", [0xCFC7, 0xFFFF], 2**32 - 12_345),
    (3, 200, "u16", "ABCD", [0xFFFF], 65_535),
    (3, 201, "s16", "ABCD", [0xFFFF], -1),
)


def registers_profile() -> str:
    fields = "".join(
        f'[[field]]\nname = "f{index}"\nquantity = "voltage"\nunit = "V"\nresolution = 1\n'
        f'function = {function}\naddress = {address}\ntype = "{kind}"\nbyte_order = "{order}"\n'
        for index, (function, address, kind, order, _, _) in enumerate(LAID_OUT)
    )
    return REGISTERS + fields


def other_party(unit: int) -> SimDevice:
    data = {
        function: [
            SimData(address, values=words, datatype=DataType.REGISTERS)
            for f, address, _, _, words, _ in LAID_OUT
            if f == function
        ]
        for function in (3, 4)
    }
    bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
    return SimDevice(unit, (bits, bits, data[3], data[4]))


def joined(one: Wire, other: Wire) -> None:
    """What goes into one terminal comes out of the other."""

    def carry(source: Wire, drain: Wire) -> None:
        drain.send(source.received)
        source.received = b""

    one.on_received = lambda: carry(one, other)
    other.on_received = lambda: carry(other, one)
    one.attend()
    other.attend()


@pytest.mark.pty
@pytest.mark.slow
async def test_another_partys_meters_are_read_in_every_type_and_byte_order(
    plugged: Callable[[str], Wire],
) -> None:
    ours, theirs = plugged("ours"), plugged("theirs")
    joined(ours, theirs)
    server = ModbusSerialServer(
        [other_party(3), other_party(247)], port=str(theirs.path), baudrate=115_200
    )
    await server.serve_forever(background=True)
    rows = (("near", ours.path, 3), ("far", ours.path, 247), ("absent", ours.path, 9))
    meters = instruments(*rows, profile=registers_profile())
    try:
        async with polling(meters) as heard:
            for name in ("near", "far"):
                await heard.until_readings(2, name)
            await until(lambda: bool(heard.faults("absent")))
    finally:
        await server.shutdown()
    expected = [row[-1] for row in LAID_OUT]
    for name in ("near", "far"):
        # binary32 near 123: half a unit in the last place is 3.8e-6.
        assert heard.readings(name)[-1].values == pytest.approx(expected, abs=4e-6)
        assert heard.faults(name) == []
    reasons = Counter(gap.reason for gap in heard.faults("absent"))
    # That server answers for units that it does not have: exception 11 (Application Protocol V1.1b3, 7).
    assert set(reasons) == {GapReason.REFUSED}
