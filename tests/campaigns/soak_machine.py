"""What the soak test measures: a machine that is switched on and off by the clock, and a meter of twelve registers that shows it.

The figures follow from the seed and the number of the tenth of a second alone, whoever asks and however often. So it is known of every reading,
and of every average, what it would have been had nothing gone wrong. The last register counts the tenths: it says which row of figures a reading is.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from daq.config.bench import Bench, parse_bench

A_SECOND = 10
"""Polls."""
CHANNELS = 12
COUNTS = 65_536
"""The last register begins anew after so many."""
INSTRUMENT = "meter"
ON_S, OFF_S = 160, 40
"""How long the machine runs, and stands still between two trials [s]."""
CYCLE = (ON_S + OFF_S) * A_SECOND
REPEATS = 8

_WARM_SHARE, _WARM_S = 0.02, 8.0
_NOISE = 5e-4
_SCALES = (1e-3, *(0.1 for _ in range(CHANNELS - 2)), 1.0)
_LEVELS = (5000, *(8000 + 1000 * number for number in range(CHANNELS - 2)))
"""In registers' counts."""

_BENCH = """
format = 1
name = "soak"
[page]
port = 0
[broker]
host = "127.0.0.1"
port = {broker_port}
[[instrument]]
name = "meter"
profile = "registers"
port = "socket://127.0.0.1:{meter_port}"
unit = 1
interval_s = 0.1
baud = {baud}
place = "machine end"
"""
_PROFILE = """
format = 1
title = "Twelve registers"
refresh_s = 0.1
[wire]
protocol = "modbus-rtu"
reply_timeout_s = 0.15
worst_reply_s = 0.3
"""
_FIELD = """
[[field]]
name = "{name}"
quantity = "{quantity}"
unit = "{unit}"
function = 3
address = {address}
type = "u16"
scale = {scale}
resolution = {scale}
accuracy = {{ percent_of_reading = 0.5 }}
"""
PLAN = f"""
format = 1
name = "soak"
baseline = "short lead"
[machine]
title = "Blower"
[[condition]]
name = "short lead"
[[condition]]
name = "long lead"
[order]
repeats = {REPEATS}
[start]
channel = "meter_current"
on_above = 1.0
off_below = 0.5
[settling]
preset = "quick"
required = ["meter_r1", "meter_r2"]
[averaging]
least_s = 30
longest_s = 60
"""


def soak_bench(*, meter_port: int, broker_port: int, baud: int) -> Bench:
    """The bench that the service is given."""
    profile = _PROFILE + _FIELD.format(
        name="current", quantity="current", unit="A", address=0, scale=_SCALES[0]
    )
    for address in range(1, CHANNELS):
        profile += _FIELD.format(
            name=f"r{address}",
            quantity="power",
            unit="W",
            address=address,
            scale=_SCALES[address],
        )
    text = _BENCH.format(meter_port=meter_port, broker_port=broker_port, baud=baud)
    return parse_bench(
        text, file="bench.toml", find_profile=lambda _: ("registers.toml", profile)
    )


@dataclass
class Machine:
    """The machine and its figures."""

    seed: int
    _number: int = -1
    _rows: NDArray[np.int64] | None = None

    def registers(self, tenth: int) -> list[int]:
        """What the registers hold in this tenth of a second."""
        row: list[int] = self.cycle(tenth // CYCLE)[tenth % CYCLE].tolist()
        return row

    def values(self, tenth: int) -> tuple[float, ...]:
        """The same in the units of the channels."""
        row = self.registers(tenth)
        return tuple(count * scale for count, scale in zip(row, _SCALES, strict=True))

    def cycle(self, number: int) -> NDArray[np.int64]:
        """All rows of one cycle: it stands still, then runs. Shape (CYCLE, CHANNELS)."""
        if number != self._number or self._rows is None:
            self._number, self._rows = number, self._make(number)
        return self._rows

    def _make(self, number: int) -> NDArray[np.int64]:
        random = np.random.default_rng((self.seed, number))
        tenths = np.arange(CYCLE)
        running = tenths >= OFF_S * A_SECOND
        since_s = (tenths - OFF_S * A_SECOND) / A_SECOND
        warm = 1.0 + _WARM_SHARE * np.exp(-np.maximum(since_s, 0.0) / _WARM_S)
        noise = random.normal(0.0, _NOISE, (CYCLE, CHANNELS - 1))
        shown = np.array(_LEVELS) * warm[:, None] * (1.0 + noise)
        rows = np.zeros((CYCLE, CHANNELS), dtype=np.int64)
        rows[:, :-1] = np.where(running[:, None], np.rint(shown), 0)
        rows[:, -1] = (number * CYCLE + tenths) % COUNTS
        return rows


def tenth_of(count: float, since_begin_s: float) -> int:
    """Which tenth of a second a reading is of, by its last register and, roughly, by its time."""
    about = since_begin_s * A_SECOND
    turns = math.floor((about - count) / COUNTS + 0.5)
    return round(count) + turns * COUNTS
