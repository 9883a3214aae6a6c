"""The bench carried through time: conditions are fitted, the machine is switched.

The circuit answers at once; speed, winding, lead and air move on in fixed steps, so a
run depends on the seed and on what was done, never on how often somebody looked.
"""

import math
from dataclasses import replace
from random import Random

from simulators.models.operating import (
    Condition,
    OperatingPoint,
    Parts,
    Temperatures,
    heading,
    load_nm,
    operating_point,
)
from simulators.models.supply import WanderingVoltage

STEP_S = 0.02
"""Step of the integration; the fastest thing, the inrush, takes some 0.2 s."""


class Bench:
    """The bench as it lives: fit a condition, switch on and off, let time pass."""

    def __init__(self, parts: Parts, condition: Condition, random: Random) -> None:
        self._parts = parts
        self._condition = condition
        self._wander = WanderingVoltage(parts.supply, random)
        self._speed_rad_per_s = 0.0
        self._temperatures = Temperatures(parts.room_c, parts.room_c, parts.room_c)
        self._running = False
        self._steps = 0
        self._clogged = 1.0
        self._put_away: dict[str, tuple[float, float]] = {}

    @property
    def condition(self) -> Condition:
        """What is fitted."""
        return self._condition

    @property
    def is_running(self) -> bool:
        """Whether the machine is switched on."""
        return self._running

    @property
    def now_s(self) -> float:
        """Bench time that has passed."""
        return self._steps * STEP_S

    @property
    def point(self) -> OperatingPoint:
        """What meters could see now."""
        return operating_point(
            self._parts,
            self._as_it_is_now(),
            supply_v=self._wander.voltage_v,
            speed_rad_per_s=self._speed_rad_per_s,
            temperatures=self._temperatures,
            running=self._running,
        )

    def fit(self, condition: Condition) -> None:
        """Exchange lead and filter; a lead that was put away warm has cooled since.

        Raises:
            ValueError: If the machine is on; nobody pulls a lead under load.
        """
        if self._running:
            msg = "the machine is on, expected it to be switched off first"
            raise ValueError(msg)
        self._clogged = 1.0
        old = self._condition
        self._put_away[old.name] = (self._temperatures.lead_c, self.now_s)
        self._condition = condition
        self._temperatures = Temperatures(
            self._temperatures.winding_c,
            self._cooled_lead_c(condition),
            self._temperatures.air_c,
        )

    def clog(self, factor: float) -> None:
        """Something gets into the filter: so many times its resistance, until another is fitted."""
        self._clogged = factor

    def switch(self, *, on: bool) -> None:
        """Switch the machine on or off."""
        self._running = on

    def advance(self, until_s: float) -> None:
        """Let time pass, in whole steps, up to a bench time."""
        while (self._steps + 1) * STEP_S <= until_s:
            self._step()

    def _as_it_is_now(self) -> Condition:
        """What is fitted, with its filter as it stands at this instant."""
        fitted, factor = self._condition, self._clogged
        if fitted.flutter is not None:
            factor *= fitted.flutter.factor(self.now_s)
        if factor == 1.0:
            return fitted
        return replace(fitted, filter=fitted.filter.times(factor))

    def _step(self) -> None:
        self._wander.step(STEP_S)
        point = self.point
        self._temperatures = self._moved(point)
        self._speed_rad_per_s = self._accelerated(point)
        self._steps += 1

    def _accelerated(self, point: OperatingPoint) -> float:
        motor = self._parts.motor
        speed = self._speed_rad_per_s
        asked_nm = load_nm(self._parts, speed, point.velocity_m_per_s)
        surplus_nm = motor.torque_nm(point.current_a) - asked_nm
        return max(0.0, speed + STEP_S * surplus_nm / motor.inertia_kg_m2)

    def _moved(self, point: OperatingPoint) -> Temperatures:
        parts = self._parts
        now, goal = self._temperatures, heading(parts, self._condition, point)
        motor = parts.motor
        winding_s = motor.warming_s if self._running else motor.cooling_s
        lead_s = self._condition.lead.time_constant_s
        air_s = parts.duct.time_constant_s(point.velocity_m_per_s)
        return Temperatures(
            _relaxed(now.winding_c, goal.winding_c, winding_s),
            _relaxed(now.lead_c, goal.lead_c, lead_s),
            _relaxed(now.air_c, goal.air_c, air_s),
        )

    def _cooled_lead_c(self, condition: Condition) -> float:
        room_c = self._parts.room_c
        lead_c, since_s = self._put_away.get(condition.name, (room_c, self.now_s))
        away_s = self.now_s - since_s
        kept = math.exp(-away_s / condition.lead.time_constant_s)
        return room_c + (lead_c - room_c) * kept


def _relaxed(now: float, goal: float, time_constant_s: float) -> float:
    return goal + (now - goal) * math.exp(-STEP_S / time_constant_s)
