"""What the bench is made of, and what it does at one instant and in the end.

One circuit: the supply behind its impedance, the lead, the motor, all in series. At any
instant speed and temperatures are given; the current follows from the impedance of the
whole, and the air from the speed.

The settled state is what the same equations arrive at with the supply at its nominal
voltage and everything warm: the balance of motor torque and load, found by halving an
interval, inside a repeated substitution for the temperatures. It is the known truth
against which averages can be held.
"""

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from simulators.models.air import Duct, Fan, Flutter, Resistance
from simulators.models.lead import Lead
from simulators.models.machine import SeriesMotor
from simulators.models.supply import Supply

SUPPLY_END = "supply end"
MACHINE_END = "machine end"
ROOM = "room"

UNITS = {
    "voltage": "V",
    "current": "A",
    "power": "W",
    "power factor": "1",
    "velocity": "m/s",
    "temperature": "degC",
    "pressure": "Pa",
    "humidity": "%RH",
    "barometric pressure": "hPa",
}


@dataclass(frozen=True)
class Condition:
    """What changes between trials: the lead in use and the filter in the duct.

    Settled values are those of a filter that keeps still.
    """

    name: str
    lead: Lead
    filter: Resistance
    flutter: Flutter | None = None


@dataclass(frozen=True)
class Parts:
    """Everything that stays in place whatever the condition."""

    supply: Supply
    motor: SeriesMotor
    fan: Fan
    duct: Duct
    air_place: str
    room_c: float
    room_percent_rh: float = 45.0
    room_hpa: float = 1000.0


@dataclass(frozen=True)
class Temperatures:
    """The three temperatures that move."""

    winding_c: float
    lead_c: float
    air_c: float


@dataclass(frozen=True)
class OperatingPoint:
    """Everything a meter could see at one instant; pressure is that of the duct over the room's."""

    current_a: float
    supply_end_v: float
    machine_end_v: float
    supply_end_w: float
    machine_end_w: float
    speed_rad_per_s: float
    velocity_m_per_s: float
    duct_pa: float
    temperatures: Temperatures
    room: Mapping[str, float]

    def value(self, place: str, quantity: str) -> float:
        """One quantity at one place; a power factor without current is not a number.

        Raises:
            KeyError: If nothing of the kind exists there.
        """
        if place in (SUPPLY_END, MACHINE_END):
            return self._electrical(place)[quantity]
        if place == ROOM:
            return self.room[quantity]
        return {
            "pressure": self.duct_pa,
            "velocity": self.velocity_m_per_s,
            "temperature": self.temperatures.air_c,
        }[quantity]

    def _electrical(self, place: str) -> dict[str, float]:
        at_supply = place == SUPPLY_END
        voltage_v = self.supply_end_v if at_supply else self.machine_end_v
        power_w = self.supply_end_w if at_supply else self.machine_end_w
        apparent_va = voltage_v * self.current_a
        return {
            "voltage": voltage_v,
            "current": self.current_a,
            "power": power_w,
            "power factor": power_w / apparent_va if apparent_va else math.nan,
        }


def quantities_at(place: str, *, air_place: str) -> tuple[str, ...]:
    """Quantities that exist at a place; none where the place is unknown."""
    if place in (SUPPLY_END, MACHINE_END):
        return ("voltage", "current", "power", "power factor")
    if place == ROOM:
        return ("temperature", "humidity", "barometric pressure")
    return ("velocity", "temperature", "pressure") if place == air_place else ()


def operating_point(
    parts: Parts,
    condition: Condition,
    *,
    supply_v: float,
    speed_rad_per_s: float,
    temperatures: Temperatures,
    running: bool,
) -> OperatingPoint:
    """Solve the circuit and the air at a given speed and given temperatures."""
    lead, motor, supply = condition.lead, parts.motor, parts.supply
    machine_ohm = motor.resistance_ohm(
        speed_rad_per_s=speed_rad_per_s, winding_c=temperatures.winding_c
    )
    beyond_ohm = machine_ohm + lead.resistance_ohm(temperatures.lead_c)
    beyond_x_ohm = motor.reactance_ohm + lead.reactance_ohm
    whole_ohm = math.hypot(
        beyond_ohm + supply.resistance_ohm, beyond_x_ohm + supply.reactance_ohm
    )
    current_a = supply_v / whole_ohm if running else 0.0
    machine_v = current_a * math.hypot(machine_ohm, motor.reactance_ohm)
    beyond_v = current_a * math.hypot(beyond_ohm, beyond_x_ohm)
    velocity_m_per_s = _velocity(parts, condition, speed_rad_per_s)
    return OperatingPoint(
        current_a=current_a,
        supply_end_v=beyond_v if running else supply_v,
        machine_end_v=machine_v if running else supply_v,
        supply_end_w=current_a**2 * beyond_ohm,
        machine_end_w=current_a**2 * machine_ohm,
        speed_rad_per_s=speed_rad_per_s,
        velocity_m_per_s=velocity_m_per_s,
        duct_pa=_system(parts, condition).pressure_pa(velocity_m_per_s),
        temperatures=temperatures,
        room={
            "temperature": parts.room_c,
            "humidity": parts.room_percent_rh,
            "barometric pressure": parts.room_hpa,
        },
    )


def settled_state(parts: Parts, condition: Condition) -> OperatingPoint:
    """State that a trial arrives at: supply at nominal, machine and lead warm."""
    temperatures = Temperatures(parts.room_c, parts.room_c, parts.room_c)
    point = _balanced(parts, condition, temperatures)
    # Each round shrinks what is left tenfold or more (copper changes 0.4 % per kelvin).
    for _ in range(40):
        temperatures = heading(parts, condition, point)
        point = _balanced(parts, condition, temperatures)
    return point


def _velocity(parts: Parts, condition: Condition, speed_rad_per_s: float) -> float:
    return parts.fan.velocity_m_per_s(speed_rad_per_s, _system(parts, condition))


def _system(parts: Parts, condition: Condition) -> Resistance:
    """What the air has to pass: duct and filter, one behind the other."""
    return parts.duct.resistance.plus(condition.filter)


def load_nm(parts: Parts, speed_rad_per_s: float, velocity_m_per_s: float) -> float:
    """Torque that fan and friction ask for."""
    fan_nm = parts.fan.torque_nm(
        speed_rad_per_s=speed_rad_per_s, velocity_m_per_s=velocity_m_per_s
    )
    return parts.motor.friction_nm + fan_nm


def heading(parts: Parts, condition: Condition, point: OperatingPoint) -> Temperatures:
    """Temperatures towards which all three are moving at an operating point."""
    return Temperatures(
        parts.motor.warm_c(
            current_a=point.current_a,
            winding_c=point.temperatures.winding_c,
            room_c=parts.room_c,
        ),
        condition.lead.warm_c(
            current_a=point.current_a,
            copper_c=point.temperatures.lead_c,
            room_c=parts.room_c,
        ),
        parts.duct.warm_c(
            power_w=point.machine_end_w,
            velocity_m_per_s=point.velocity_m_per_s,
            room_c=parts.room_c,
        ),
    )


def _balanced(
    parts: Parts, condition: Condition, temperatures: Temperatures
) -> OperatingPoint:
    """Operating point at which the motor's torque equals the load, at nominal supply."""

    def at(speed_rad_per_s: float) -> OperatingPoint:
        return operating_point(
            parts,
            condition,
            supply_v=parts.supply.nominal_v,
            speed_rad_per_s=speed_rad_per_s,
            temperatures=temperatures,
            running=True,
        )

    def surplus_nm(speed_rad_per_s: float) -> float:
        point = at(speed_rad_per_s)
        asked_nm = load_nm(parts, speed_rad_per_s, point.velocity_m_per_s)
        return parts.motor.torque_nm(point.current_a) - asked_nm

    return at(_falling_root(surplus_nm))


def _falling_root(function: Callable[[float], float]) -> float:
    """Where a falling function of a speed from 0 upwards crosses zero."""
    low, high = 0.0, 1.0
    while function(high) > 0:
        low, high = high, 2 * high
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if function(middle) > 0 else (low, middle)
    return (low + high) / 2
