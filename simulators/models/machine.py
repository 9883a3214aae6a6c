"""A series-wound commutator motor on alternating current.

Field and armature carry the same current, so with unsaturated iron the flux, and with it
the voltage of rotation per unit of speed, is proportional to that current:

    U^2 = I^2 [(R + k w)^2 + X^2],        torque = k I^2

with R the winding's resistance, X its reactance, w the speed and k the constant of the
machine. Both lines are the textbook phasor picture of this motor (for example
Fitzgerald, Kingsley and Umans, Electric Machinery, the chapter on single-phase motors).
Three things that a bench sees follow from them: the inrush, for at standstill only R and
X hold the current back; the spin-up, for the torque surplus accelerates the rotor; and a
machine that slows down when its voltage drops. The winding is copper and warms with one
time constant. The model refuses to know saturation, iron loss and brush voltage.
"""

from dataclasses import dataclass

from simulators.models.lead import copper_factor


@dataclass(frozen=True)
class SeriesMotor:
    """Constants of one motor; the winding's resistance is stated at 20 degrees."""

    winding_ohm: float
    reactance_ohm: float
    torque_constant_nm_per_a2: float
    friction_nm: float
    inertia_kg_m2: float
    heating_k_per_w: float
    warming_s: float
    cooling_s: float

    def copper_ohm(self, winding_c: float) -> float:
        """Resistance of the winding at its temperature."""
        return self.winding_ohm * copper_factor(winding_c)

    def resistance_ohm(self, *, speed_rad_per_s: float, winding_c: float) -> float:
        """In-phase part of the impedance: copper and voltage of rotation."""
        rotation_ohm = self.torque_constant_nm_per_a2 * speed_rad_per_s
        return self.copper_ohm(winding_c) + rotation_ohm

    def torque_nm(self, current_a: float) -> float:
        """Torque made at this current."""
        return self.torque_constant_nm_per_a2 * current_a**2

    def warm_c(self, *, current_a: float, winding_c: float, room_c: float) -> float:
        """Temperature towards which the winding is heading at this current."""
        heat_w = current_a**2 * self.copper_ohm(winding_c)
        return room_c + self.heating_k_per_w * heat_w
