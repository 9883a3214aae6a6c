"""A Modbus unit that is asked by hand, with the published frames."""

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from hypothesis import settings

from daq.protocols import WireProtocol
from daq.protocols.modbus import ModbusRtu, RegisterField
from daq.records import Gap, Reading

VECTORS = Path(__file__).parents[2] / "vectors"
MODBUS = json.loads((VECTORS / "modbus.json").read_text(encoding="utf-8"))
FRAMES = {v["id"]: bytes.fromhex(v["frame"]) for v in MODBUS["frames"]}
STEADY = settings(derandomize=True, deadline=None, max_examples=200)

CHAR_S = 0.001
TIMEOUT_S = 0.3
REQUEST = FRAMES["read holding registers, request"]
REPLY = FRAMES["read holding registers, reply"]
# Request 8 characters, then the meter's time, then a reply of 11 characters.
REQUEST_END_S = 10.0 + 8 * CHAR_S
DEADLINE_S = REQUEST_END_S + TIMEOUT_S + 11 * CHAR_S


def holding(name: str, address: int, **more: Any) -> RegisterField:
    return RegisterField(name, 3, address, more.pop("kind", "u16"), **more)


def meter(*fields: RegisterField, unit: int = 1) -> ModbusRtu:
    return ModbusRtu(
        instrument="meter",
        unit=unit,
        fields=fields,
        reply_timeout_s=TIMEOUT_S,
        char_s=CHAR_S,
    )


def published() -> ModbusRtu:
    """Asks for registers 107 to 109, as the example of 6.3 does."""
    return meter(holding("a", 107), holding("b", 108), holding("c", 109))


def answered(
    protocol: WireProtocol, chunks: Iterable[bytes], *, start_s: float = 10.05
) -> Reading | Gap | None:
    """Poll once at 10 s; the chunks follow each other on the wire from `start_s`."""
    protocol.query(10.0)
    at = start_s
    for chunk in chunks:
        at += len(chunk) * CHAR_S
        protocol.feed(chunk, at)
    return protocol.next_reading()


def after_deadline(protocol: WireProtocol) -> Reading | Gap | None:
    """What the poll comes to when nothing more arrives."""
    assert protocol.deadline is not None
    protocol.feed(b"", protocol.deadline)
    return protocol.next_reading()


def gap_after(data: bytes, protocol: WireProtocol | None = None) -> Gap:
    """The gap that these bytes make, at once or at the deadline."""
    protocol = protocol or published()
    outcome = answered(protocol, [data]) or after_deadline(protocol)
    assert isinstance(outcome, Gap)
    assert outcome.instrument == "meter"
    assert protocol.deadline is None
    return outcome
