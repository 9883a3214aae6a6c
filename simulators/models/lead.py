"""A two-core copper lead that warms up under its own current.

The cores are copper of the standard conductivity, so their resistance follows from area,
length and temperature. The heat made in each metre raises the copper above the room by a
thermal resistance; the rise follows with one time constant. Contacts add a fixed
resistance. The model refuses to know skin effect, insulation and the difference between
a lead that is coiled and one that is laid out.
"""

from dataclasses import dataclass

COPPER_20C_OHM_MM2_PER_M = 1 / 58
"""Resistivity of the standard annealed copper at 20 degrees Celsius; IEC 60028."""

COPPER_PER_K = 0.00393
"""Temperature coefficient of its resistance at 20 degrees Celsius; IEC 60028."""


def copper_factor(temperature_c: float) -> float:
    """Resistance of copper relative to that at 20 degrees Celsius (IEC 60028)."""
    return 1 + COPPER_PER_K * (temperature_c - 20)


@dataclass(frozen=True)
class Lead:
    """One extension lead; lengths are one way, both cores are counted."""

    length_m: float
    area_mm2: float
    contact_ohm: float
    reactance_ohm_per_m: float
    heating_k_m_per_w: float
    time_constant_s: float

    def core_ohm(self, temperature_c: float) -> float:
        """Resistance of both cores, R = 2 L rho / A, at the copper's temperature."""
        cold_ohm = 2 * self.length_m * COPPER_20C_OHM_MM2_PER_M / self.area_mm2
        return cold_ohm * copper_factor(temperature_c)

    def resistance_ohm(self, temperature_c: float) -> float:
        """Resistance that the load sees: both cores and the contacts."""
        return self.core_ohm(temperature_c) + self.contact_ohm

    @property
    def reactance_ohm(self) -> float:
        """Reactance of both cores."""
        return 2 * self.length_m * self.reactance_ohm_per_m

    def warm_c(self, *, current_a: float, copper_c: float, room_c: float) -> float:
        """Temperature towards which the copper is heading at this current."""
        heat_w_per_m = current_a**2 * self.core_ohm(copper_c) / self.length_m
        return room_c + self.heating_k_m_per_w * heat_w_per_m
