"""The air side: a fan, the duct it blows into, a filter, and the warmth it picks up.

Fan curve and system curve, with v the air's velocity in the duct and w the fan's speed:

    fan:    dp = a w^2 - b v^2            (pressure scales with speed squared, fan laws)
    system: dp = k1 v + k2 v^2            (k1: creeping flow through fibres, k2: bends)

Where they meet gives v in closed form. The torque that the fan asks for is
c0 w^2 + c1 w v: churning, and the turning of the air that really passes. The air leaves
warmer than it came, for all the power that goes into the machine ends up in it. Our own
simplified model; the coefficients of `Fan` are measured nowhere, they are chosen.
"""

import math
from dataclasses import dataclass

AIR_KG_PER_M3 = 1.2
"""Reference density of air; ISO 5801."""

AIR_J_PER_KG_K = 1005.0
"""Specific heat of dry air at constant pressure, near room temperature."""


@dataclass(frozen=True)
class Resistance:
    """What a duct or a filter asks for: dp = linear v + quadratic v^2."""

    linear_pa_s_per_m: float
    quadratic_pa_s2_per_m2: float

    def plus(self, other: "Resistance") -> "Resistance":
        """Both, one behind the other."""
        return Resistance(
            self.linear_pa_s_per_m + other.linear_pa_s_per_m,
            self.quadratic_pa_s2_per_m2 + other.quadratic_pa_s2_per_m2,
        )

    def times(self, factor: float) -> "Resistance":
        """So many times as much."""
        return Resistance(
            factor * self.linear_pa_s_per_m, factor * self.quadratic_pa_s2_per_m2
        )

    def pressure_pa(self, velocity_m_per_s: float) -> float:
        """Pressure lost at this velocity."""
        return (
            self.linear_pa_s_per_m * velocity_m_per_s
            + self.quadratic_pa_s2_per_m2 * velocity_m_per_s**2
        )


@dataclass(frozen=True)
class Flutter:
    """A flap or a limp hose that moves to and fro: the resistance swings as a sine.

    Its mean is the resistance that is stated, so the settled truth stays the same.
    """

    share: float
    period_s: float

    def factor(self, now_s: float) -> float:
        """How many times the stated resistance there is at this instant."""
        return 1.0 + self.share * math.sin(2 * math.pi * now_s / self.period_s)


@dataclass(frozen=True)
class Fan:
    """Coefficients a, b, c0, c1 of the module's formulas, in that order."""

    pressure_pa_s2: float
    droop_pa_s2_per_m2: float
    churning_nm_s2: float
    turning_nm_s2_per_m: float

    def pressure_pa(self, *, speed_rad_per_s: float, velocity_m_per_s: float) -> float:
        """Pressure that the fan makes."""
        return (
            self.pressure_pa_s2 * speed_rad_per_s**2
            - self.droop_pa_s2_per_m2 * velocity_m_per_s**2
        )

    def velocity_m_per_s(self, speed_rad_per_s: float, system: Resistance) -> float:
        """Velocity at which fan curve and system curve meet."""
        square = self.droop_pa_s2_per_m2 + system.quadratic_pa_s2_per_m2
        linear = system.linear_pa_s_per_m
        shut_off_pa = self.pressure_pa_s2 * speed_rad_per_s**2
        root = math.sqrt(linear**2 + 4 * square * shut_off_pa)
        return (root - linear) / (2 * square)

    def torque_nm(self, *, speed_rad_per_s: float, velocity_m_per_s: float) -> float:
        """Torque that turning the fan takes."""
        return speed_rad_per_s * (
            self.churning_nm_s2 * speed_rad_per_s
            + self.turning_nm_s2_per_m * velocity_m_per_s
        )


@dataclass(frozen=True)
class Duct:
    """The duct behind the fan and the warmth its walls hold."""

    area_m2: float
    resistance: Resistance
    heat_capacity_j_per_k: float
    wall_loss_w_per_k: float

    def carried_w_per_k(self, velocity_m_per_s: float) -> float:
        """Heat carried away for each kelvin that the air is warmer than the room."""
        flow_kg_per_s = AIR_KG_PER_M3 * self.area_m2 * velocity_m_per_s
        return AIR_J_PER_KG_K * flow_kg_per_s + self.wall_loss_w_per_k

    def warm_c(
        self, *, power_w: float, velocity_m_per_s: float, room_c: float
    ) -> float:
        """Temperature towards which the air is heading (heat in = heat out)."""
        return room_c + power_w / self.carried_w_per_k(velocity_m_per_s)

    def time_constant_s(self, velocity_m_per_s: float) -> float:
        """Time constant with which the air's temperature follows."""
        return self.heat_capacity_j_per_k / self.carried_w_per_k(velocity_m_per_s)
