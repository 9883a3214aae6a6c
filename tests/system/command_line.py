"""The command line as tests call it: a bench and a plan that are in order, and how the program ended."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

METER = """
format = 1
title = "Voltmeter"
refresh_s = 0.1
[wire]
protocol = "modbus-rtu"
reply_timeout_s = 0.05
worst_reply_s = 0.05
[[field]]
name = "volts"
quantity = "voltage"
unit = "V"
address = 0
resolution = 0.1
"""
BENCH = """
format = 1
name = "bench"
[page]
port = 0
[[instrument]]
name = "meter"
profile = "meter.toml"
port = "ports/meter"
unit = 1
[[instrument.channel]]
field = "volts"
name = "supply"
[[instrument]]
name = "other"
profile = "meter.toml"
port = "ports/meter"
unit = 2
"""
PLAN = """
format = 1
name = "plan"
baseline = "short lead"
[machine]
title = "Blower"
[[condition]]
name = "short lead"
[start]
channel = "supply"
on_above = 200
off_below = 100
[settling]
required = ["supply"]
"""


@dataclass(frozen=True)
class Ended:
    """How the program ended and what it said."""

    code: int
    out: str
    err: str

    def says_only(self, *parts: str) -> bool:
        """One line on standard error, with all of that in it; no traceback."""
        (line,) = self.err.splitlines()
        assert line.startswith("daq: "), line
        for part in parts:
            assert part in line, line
        return True


Daq = Callable[..., Ended]


def edit(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new, 1), encoding="utf-8")
