"""The kinds of meter there are, and a meter of each kind at its end of the wire.

A kind says what is sensed and how well, how often the display is refreshed, over what
the meter averages, how fast it answers and in what form (its voice). A station is one
such meter on a line: it answers frames, or talks by itself, and passes each reply
through its faults. Times of refresh, averaging and talking are bench time, times of
replies are real time.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from random import Random

from simulators.faults import FRAME_FAULTS, TEXT_FAULTS, Fault, Spoiler
from simulators.instruments import Meter, Sense
from simulators.wires import (
    addressed_lines,
    frames,
    modbus_ascii,
    modbus_rtu,
    query_lines,
    streamed_lines,
)
from simulators.wires.paced_line import FrameEnd, Outgoing

IDENTITY = ("SIMULATED BENCH", "POWER ANALYSER", "0001", "1.0")

Voice = Callable[[Meter, bytes, int], bytes | None]
"""A meter, a frame and the meter's unit (0 where it has none) make a reply, or none."""

Readdress = Callable[[bytes, int], bytes]
"""A reply and another unit make the reply that the other unit would have sent."""


@dataclass(frozen=True)
class Kind:
    """How a kind of meter behaves when the simulation file says nothing else."""

    senses: tuple[Sense, ...]
    voice: Voice
    faults: tuple[Fault, ...]
    frame_end: FrameEnd
    refresh_s: float
    averaging_s: float
    least_reply_s: float
    most_reply_s: float
    worst_reply_s: float
    timeout_s: float
    interval_s: float | None = None
    readdress: Readdress | None = None
    has_crc: bool = False

    @property
    def has_unit(self) -> bool:
        """Whether several of them can share a line, each with an address."""
        return self.readdress is not None

    @property
    def quantities(self) -> tuple[str, ...]:
        """What a meter of this kind reports."""
        return tuple(sense.quantity for sense in self.senses)


class Station:
    """One meter at its end of the wire."""

    def __init__(
        self,
        kind: Kind,
        meter: Meter,
        *,
        unit: int,
        spoiler: Spoiler,
        random: Random,
    ) -> None:
        self._kind = kind
        self._meter = meter
        self._unit = unit
        self._random = random
        self.spoiler = spoiler

    @property
    def meter(self) -> Meter:
        """The meter itself."""
        return self._meter

    @property
    def interval_s(self) -> float | None:
        """Bench time between two lines of a meter that talks by itself."""
        return self._kind.interval_s

    def answer(self, frame: bytes, at_s: float) -> Outgoing | None:
        """Reply to a frame on the line at a bench time; None where there is none."""
        return None if self.interval_s is not None else self._reply(frame, at_s)

    def speak(self, at_s: float) -> Outgoing | None:
        """The next line of a meter that talks by itself."""
        return self._reply(b"", at_s)

    def _reply(self, frame: bytes, at_s: float) -> Outgoing | None:
        reply = self._kind.voice(self._meter, frame, self._unit)
        if reply is None:
            return None
        spoiled = self.spoiler.spoil(reply, at_s, foreign=self._foreign(reply))
        kind = self._kind
        meant_s = self._random.uniform(kind.least_reply_s, kind.most_reply_s)
        return Outgoing(spoiled.data, meant_s + spoiled.late_s)

    def _foreign(self, reply: bytes) -> bytes:
        if self._kind.readdress is None:
            return b""
        return self._kind.readdress(reply, self._unit % 247 + 1)


def _float_registers(meter: Meter, frame: bytes, unit: int) -> bytes | None:
    """Voltage, current, power, power factor as floats from register 0 on."""
    quantities = ("voltage", "current", "power", "power factor")
    words = [
        word
        for quantity in quantities
        for word in modbus_rtu.float_registers(meter.shown(quantity))
    ]
    functions = {modbus_rtu.READ_HOLDING, modbus_rtu.READ_INPUT}
    registers = dict(enumerate(words))
    return modbus_rtu.answer(frame, unit=unit, functions=functions, registers=registers)


def _scaled_registers(meter: Meter, frame: bytes, unit: int) -> bytes | None:
    """Velocity, air temperature and a counter of refreshes from register 100 on."""
    high, low = modbus_rtu.counter_registers(meter.refreshes)
    registers = {
        100: _scaled(meter, "velocity"),
        101: _scaled(meter, "temperature"),
        102: high,
        103: low,
    }
    functions = {modbus_rtu.READ_HOLDING}
    return modbus_rtu.answer(frame, unit=unit, functions=functions, registers=registers)


def _scaled_electrical(meter: Meter, frame: bytes, unit: int) -> bytes | None:
    """Voltage, current, power, power factor as integers, of two registers the low one first."""
    current, power = (
        modbus_rtu.scaled_registers(
            meter.shown(quantity), step=meter.sense(quantity).step
        )
        for quantity in ("current", "power")
    )
    # A meter without current shows a power factor of zero.
    factor = (
        0 if math.isnan(meter.shown("power factor")) else _scaled(meter, "power factor")
    )
    words = (_scaled(meter, "voltage"), *current[::-1], *power[::-1], factor)
    functions = {modbus_rtu.READ_HOLDING, modbus_rtu.READ_INPUT}
    registers = dict(enumerate(words))
    return modbus_rtu.answer(frame, unit=unit, functions=functions, registers=registers)


def _loop_current(meter: Meter, frame: bytes, unit: int) -> bytes | None:
    """The current of a 4 to 20 mA loop in microamperes, from a converter's register 0.

    Source:
        NAMUR NE 43: measured values between 3.8 and 20.5 mA, where a transmitter
        saturates; below 3.6 mA it, or its wire, has failed.
    """
    share = meter.shown("velocity") / meter.sense("velocity").full_scale
    current_ma = 0.0 if math.isnan(share) else min(4.0 + 16.0 * share, 20.5)
    registers = {0: round(current_ma * 1000.0)}
    functions = {modbus_rtu.READ_INPUT}
    return modbus_rtu.answer(frame, unit=unit, functions=functions, registers=registers)


def _ambient_registers(meter: Meter, frame: bytes, unit: int) -> bytes | None:
    """Temperature, humidity and barometric pressure of the room, in ASCII frames."""
    quantities = ("temperature", "humidity", "barometric pressure")
    registers = {i: _scaled(meter, quantity) for i, quantity in enumerate(quantities)}
    functions = {modbus_rtu.READ_INPUT}
    return modbus_ascii.answer(
        frame, unit=unit, functions=functions, registers=registers
    )


def _pressure_line(meter: Meter, frame: bytes, unit: int) -> bytes | None:
    """Pressure in one line with an address and a checksum, on request."""
    text = streamed_lines.nr2(meter.shown("pressure"), decimals=1)
    return addressed_lines.answer(frame, unit=unit, value=text)


def _current_frame(meter: Meter, frame: bytes, unit: int) -> bytes | None:
    """Current in a binary frame, whether anybody asks or not."""
    del frame, unit  # nobody asks, and the meter has no address
    return frames.encode_frame(meter.shown("current"), decimals=2)


def _scaled(meter: Meter, quantity: str) -> int:
    step = meter.sense(quantity).step
    return modbus_rtu.scaled_register(meter.shown(quantity), step=step)


def _analyser_line(meter: Meter, frame: bytes, unit: int) -> bytes | None:
    """Voltage, current, power, power factor in one line, on request."""
    del unit  # a line of its own, so no address
    fields = [
        query_lines.Field(meter.shown(quantity), meter.sense(quantity).resolution)
        for quantity in ("voltage", "current", "power", "power factor")
    ]
    return query_lines.answer(frame, identity=IDENTITY, fields=fields)


def _vane_line(meter: Meter, frame: bytes, unit: int) -> bytes | None:
    """Velocity and air temperature, whether anybody asks or not."""
    del frame, unit  # nobody asks, and the meter has no address
    velocity, temperature = meter.shown("velocity"), meter.shown("temperature")
    return streamed_lines.encode_line(
        [
            streamed_lines.Labelled("V", velocity, 2, "m/s"),
            streamed_lines.Labelled("T", temperature, 1, "C"),
        ]
    )


def _electrical(
    resolutions: tuple[str, str, str, str],
    percents: tuple[float, float, float, float],
    counts: tuple[float, float, float, float],
    full_scales: tuple[float, float, float, float],
) -> tuple[Sense, ...]:
    """Senses of a meter for voltage, current, power, power factor, in that order."""
    noise = {"voltage": 0.02, "current": 0.05, "power": 0.05, "power factor": 0.05}
    return tuple(
        Sense(
            quantity,
            Decimal(resolution),
            full_scale,
            percent=percent,
            counts=count,
            noise_percent=noise[quantity],
            noise_counts=0.2,
        )
        for quantity, resolution, percent, count, full_scale in zip(
            noise, resolutions, percents, counts, full_scales, strict=True
        )
    )


def _of_air(
    velocity_percent: float, velocity_counts: float, noise_percent: float
) -> tuple[Sense, ...]:
    """Senses of a meter for air velocity and air temperature."""
    return (
        Sense(
            "velocity",
            Decimal("0.01"),
            full_scale=40.0,
            percent=velocity_percent,
            counts=velocity_counts,
            noise_percent=noise_percent,
        ),
        Sense(
            "temperature",
            Decimal("0.1"),
            full_scale=120.0,
            absolute=0.5,
            noise_counts=0.3,
            is_signed=True,
        ),
    )


KINDS = {
    "ac-meter-float": Kind(
        senses=_electrical(
            resolutions=("0.1", "0.01", "1", "0.001"),
            percents=(0.3, 0.4, 0.5, 1.0),
            counts=(1, 1, 2, 1),
            full_scales=(300.0, 40.0, 9000.0, 1.1),
        ),
        voice=_float_registers,
        faults=FRAME_FAULTS,
        readdress=modbus_rtu.readdressed,
        has_crc=True,
        frame_end=FrameEnd.SILENCE,
        refresh_s=0.5,
        averaging_s=0.5,
        least_reply_s=0.002,
        most_reply_s=0.006,
        worst_reply_s=0.1,
        timeout_s=0.12,
    ),
    "duct-velocity-scaled": Kind(
        senses=_of_air(1.5, 1, 0.5),
        voice=_scaled_registers,
        faults=FRAME_FAULTS,
        readdress=modbus_rtu.readdressed,
        has_crc=True,
        frame_end=FrameEnd.SILENCE,
        refresh_s=1.0,
        averaging_s=2.0,
        least_reply_s=0.003,
        most_reply_s=0.008,
        worst_reply_s=0.1,
        timeout_s=0.12,
    ),
    "power-analyser-query": Kind(
        senses=_electrical(
            resolutions=("0.01", "0.001", "0.1", "0.001"),
            percents=(0.2, 0.3, 0.4, 1.0),
            counts=(2, 2, 2, 1),
            full_scales=(600.0, 20.0, 12000.0, 1.1),
        ),
        voice=_analyser_line,
        faults=TEXT_FAULTS,
        frame_end=FrameEnd.LINE_FEED,
        refresh_s=0.5,
        averaging_s=0.5,
        least_reply_s=0.004,
        most_reply_s=0.010,
        worst_reply_s=0.1,
        timeout_s=0.12,
    ),
    "vane-anemometer-stream": Kind(
        senses=_of_air(1.0, 2, 0.5),
        voice=_vane_line,
        faults=TEXT_FAULTS,
        frame_end=FrameEnd.LINE_FEED,
        refresh_s=0.5,
        averaging_s=1.0,
        least_reply_s=0.0,
        most_reply_s=0.0,
        worst_reply_s=0.1,
        timeout_s=0.12,
        interval_s=0.5,
    ),
    "ac-meter-scaled": Kind(
        senses=_electrical(
            resolutions=("0.1", "0.001", "0.1", "0.001"),
            percents=(0.3, 0.4, 0.5, 1.0),
            counts=(2, 2, 2, 1),
            full_scales=(300.0, 60.0, 15000.0, 1.1),
        ),
        voice=_scaled_electrical,
        faults=FRAME_FAULTS,
        readdress=modbus_rtu.readdressed,
        has_crc=True,
        frame_end=FrameEnd.SILENCE,
        refresh_s=0.5,
        averaging_s=0.5,
        least_reply_s=0.002,
        most_reply_s=0.006,
        worst_reply_s=0.1,
        timeout_s=0.12,
    ),
    "velocity-loop": Kind(
        senses=(
            Sense(
                "velocity",
                Decimal("0.01"),
                full_scale=30.0,
                percent=2.0,
                counts=1,
                noise_percent=0.5,
            ),
        ),
        voice=_loop_current,
        faults=FRAME_FAULTS,
        readdress=modbus_rtu.readdressed,
        has_crc=True,
        frame_end=FrameEnd.SILENCE,
        refresh_s=0.5,
        averaging_s=1.0,
        least_reply_s=0.003,
        most_reply_s=0.008,
        worst_reply_s=0.1,
        timeout_s=0.12,
    ),
    "ambient-ascii": Kind(
        senses=(
            Sense(
                "temperature",
                Decimal("0.1"),
                full_scale=60.0,
                absolute=0.3,
                noise_counts=0.3,
                is_signed=True,
            ),
            Sense("humidity", Decimal("0.1"), 100.0, absolute=2.0, noise_counts=0.5),
            Sense(
                "barometric pressure",
                Decimal("0.1"),
                full_scale=1200.0,
                absolute=1.0,
                noise_counts=0.3,
            ),
        ),
        voice=_ambient_registers,
        faults=FRAME_FAULTS,
        readdress=modbus_ascii.readdressed,
        frame_end=FrameEnd.LINE_FEED,
        refresh_s=1.0,
        averaging_s=2.0,
        least_reply_s=0.005,
        most_reply_s=0.015,
        worst_reply_s=0.2,
        timeout_s=0.25,
    ),
    "pressure-query": Kind(
        senses=(
            Sense(
                "pressure",
                Decimal("0.1"),
                full_scale=2500.0,
                percent=0.5,
                counts=2,
                noise_percent=0.2,
                is_signed=True,
            ),
        ),
        voice=_pressure_line,
        faults=FRAME_FAULTS,
        readdress=addressed_lines.readdressed,
        frame_end=FrameEnd.LINE_FEED,
        refresh_s=0.5,
        averaging_s=0.5,
        least_reply_s=0.004,
        most_reply_s=0.012,
        worst_reply_s=0.1,
        timeout_s=0.12,
    ),
    "ammeter-frames": Kind(
        senses=(
            Sense(
                "current",
                Decimal("0.01"),
                full_scale=60.0,
                percent=1.0,
                counts=2,
                noise_percent=0.1,
            ),
        ),
        voice=_current_frame,
        faults=TEXT_FAULTS,
        has_crc=True,
        frame_end=FrameEnd.LINE_FEED,
        refresh_s=0.5,
        averaging_s=0.5,
        least_reply_s=0.0,
        most_reply_s=0.0,
        worst_reply_s=0.1,
        timeout_s=0.12,
        interval_s=0.5,
    ),
}
