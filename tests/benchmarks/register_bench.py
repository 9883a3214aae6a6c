"""The benchmarks' bench: one Modbus meter with plain registers, made from the same files and records as a user's.

The meter (meter_process.py) keeps its stamp in the first four registers; `with_stamp` reads them as two 32-bit channels.
"""

from daq.config.bench import Bench, Instrument, parse_bench
from daq.framing import append_crc

STAMP_HIGH = "meter_stamp_high"
STAMP_LOW = "meter_stamp_low"

_BENCH = """
format = 1
name = "benchmark"
[page]
port = 0
[[instrument]]
name = "meter"
profile = "registers"
port = "{port}"
unit = 1
interval_s = {interval_s}
baud = {baud}
"""
_PROFILE = """
format = 1
title = "Plain registers"
refresh_s = 0.1
[wire]
protocol = "modbus-rtu"
reply_timeout_s = 0.3
worst_reply_s = 0.3
"""
_FIELD = """
[[field]]
name = "{name}"
quantity = "voltage"
unit = "V"
resolution = 0.1
function = 3
address = {address}
type = "{kind}"
scale = {scale}
"""


class UnpacedInstrument(Instrument):
    """On a line without a wire no silence is needed, and waiting for one would hide what the host costs."""

    @property
    def silence_before_s(self) -> float:
        """None."""
        return 0.0


def register_bench(
    *, port: str, baud: int, registers: int, interval_s: float, with_stamp: bool
) -> Bench:
    """A bench with one meter whose registers are read in one request."""
    profile = _PROFILE
    first = 0
    if with_stamp:
        profile += _FIELD.format(name="stamp_high", address=0, kind="u32", scale=1.0)
        profile += _FIELD.format(name="stamp_low", address=2, kind="u32", scale=1.0)
        first = 4
    for address in range(first, registers):
        profile += _FIELD.format(
            name=f"r{address}", address=address, kind="u16", scale=0.1
        )
    text = _BENCH.format(port=port, baud=baud, interval_s=interval_s)
    return parse_bench(
        text, file="bench.toml", find_profile=lambda name: (name, profile)
    )


def unpaced(instrument: Instrument) -> UnpacedInstrument:
    """The same instrument on a line that needs no silence."""
    names = instrument.__dataclass_fields__
    return UnpacedInstrument(**{name: getattr(instrument, name) for name in names})


def request_for(registers: int) -> bytes:
    """What a poll of this bench sends."""
    return append_crc(bytes((1, 3, 0, 0)) + registers.to_bytes(2, "big"))
