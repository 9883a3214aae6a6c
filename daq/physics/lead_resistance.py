"""Resistance of a lead's loop from what was measured while it was loaded, with its uncertainty.

The drop between the lead's two ends is not I R on alternating current: a lagging load turns it, and the reactance adds its
share. Dividing volts by amperes makes a loop some percent too small. Where the drop is a difference of two voltmeters, its
value and uncertainty are the caller's: idle difference taken off, what both meters have in common counted once.
A loop contains contacts as well as copper, and a warm lead has more than a cold one.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from daq.physics.conductors import ZERO_RESISTANCE_K, copper_factor
from daq.physics.leads import lagging_sine
from daq.records import Contribution


@dataclass(frozen=True, slots=True)
class Measured:
    """A quantity with its standard uncertainty, in one unit.

    Attributes:
        value: Best estimate.
        std_uncertainty: Standard uncertainty, 0 where it is taken as exact.
        degrees_of_freedom: Of that uncertainty [1].
    """

    value: float
    std_uncertainty: float = 0.0
    degrees_of_freedom: float = math.inf


@dataclass(frozen=True, slots=True)
class LoopResistance:
    """A loop's resistance and what its uncertainty is made of.

    Attributes:
        resistance_ohm: Best estimate [ohm]; may be negative where the drop drowns in noise.
        contributions: Independent, sensitivity applied [ohm]; `daq.uncertainty.combine` expands them.
    """

    resistance_ohm: float
    contributions: tuple[Contribution, ...]

    @property
    def std_uncertainty_ohm(self) -> float:
        """Combined standard uncertainty [ohm]."""
        return math.hypot(*(part.std_uncertainty for part in self.contributions))


def resistance_from_drop(
    drop_v: float,
    *,
    machine_v: float,
    current_a: float,
    power_factor: float = 1.0,
    reactance_ohm: float = 0.0,
) -> float:
    r"""Loop resistance that makes a measured drop: the inverse of `loaded_lead`.

    .. math::
        R = \frac{\sqrt{(V + \Delta V)^2 - (V \sin\varphi + I X)^2} - V \cos\varphi}{I}

    Args:
        drop_v: Supply's rms voltage less the machine's [V].
        machine_v: At the machine V [V], above 0.
        current_a: rms current I [A], above 0.
        power_factor: Of the machine [1], 0 to 1, lagging.
        reactance_ohm: Of the loop X [ohm].

    Returns:
        R [ohm]; negative where the drop is too small for the reactance or below zero.

    Raises:
        ValueError: If there is no current or voltage, or no resistance can make such a drop.

    Validity:
        Sine waves, or a power factor that is nearly that of the fundamental: behind an electronic speed control it is
        not, and (P_supply - P_machine)/I² should be used.

    Source:
        Kirchhoff's voltage law for rms phasors, solved for R.

    Example:
        >>> round(resistance_from_drop(6.65, machine_v=223.35, current_a=10.0), 4)
        0.665
    """
    if not (machine_v > 0.0 and current_a > 0.0):
        msg = (
            f"{machine_v:g} V and {current_a:g} A at the machine, expected both above 0"
        )
        raise ValueError(msg)
    across_v = machine_v * lagging_sine(power_factor) + current_a * reactance_ohm
    squared = (machine_v + drop_v) ** 2 - across_v**2
    if not squared >= 0.0:
        msg = (
            f"a drop of {drop_v:g} V at {machine_v:g} V, {current_a:g} A and power factor {power_factor:g},"
            " expected more: no resistance makes it"
        )
        raise ValueError(msg)
    return (math.sqrt(squared) - machine_v * power_factor) / current_a


def loop_resistance(
    *,
    drop_v: Measured,
    machine_v: Measured,
    current_a: Measured,
    power_factor: Measured,
    reactance_ohm: Measured,
) -> LoopResistance:
    r"""Loop resistance with its uncertainty, from a measured drop.

    .. math:: u_i = \tfrac12 \left| R(x_i + u(x_i)) - R(x_i - u(x_i)) \right|

    Args:
        drop_v: Supply's voltage less the machine's [V].
        machine_v: At the machine [V].
        current_a: rms current [A].
        power_factor: Of the machine [1]; what would lie beyond 1 counts as 1.
        reactance_ohm: Of the loop [ohm]; `loop_ohm` of the lead's length, with a generous uncertainty.

    Returns:
        R and a contribution for each uncertain input [ohm].

    Raises:
        ValueError: As `resistance_from_drop`, also where an input's uncertainty reaches there.

    Validity:
        Independent inputs. A power factor reckoned with the same current is not: the current's uncertainty is then
        counted twice, and the result is too wide rather than too narrow. At a power factor of 1 the difference is
        one-sided.

    Source:
        JCGM 100:2008 (GUM), 5.1.3, note 2: the sensitivity taken numerically.

    Example:
        >>> loop = loop_resistance(drop_v=Measured(3.8, 0.1), machine_v=Measured(116.2), current_a=Measured(12.0),
        ...                        power_factor=Measured(1.0), reactance_ohm=Measured(0.0))
        >>> round(loop.resistance_ohm, 4), round(loop.std_uncertainty_ohm, 5)
        (0.3167, 0.00833)
    """
    inputs = {
        "voltage drop": drop_v,
        "machine's voltage": machine_v,
        "current": current_a,
        "power factor": power_factor,
        "reactance": reactance_ohm,
    }
    values = {name: each.value for name, each in inputs.items()}
    parts = [
        Contribution(
            _moved(_resistance, values, name, each),
            each.degrees_of_freedom,
            name=name,
        )
        for name, each in inputs.items()
        if each.std_uncertainty > 0.0
    ]
    return LoopResistance(_resistance(values), tuple(parts))


def at_20c(loop: LoopResistance, copper_c: Measured) -> LoopResistance:
    r"""A loop's resistance referred to 20 °C, as the standards state it.

    .. math:: R_{20} = R \, \frac{254.5}{234.5 + t}, \quad u_t = R_{20} \, \frac{u(t)}{234.5 + t}

    Args:
        loop: As it was measured [ohm].
        copper_c: The copper's temperature t [°C], not the room's: a loaded lead is warmer.

    Returns:
        R20 [ohm], the temperature's contribution last.

    Raises:
        ValueError: If no copper is that warm or cold.

    Validity:
        Copper all at one temperature; contacts follow it only roughly.

    Source:
        IEC 60228:2004, annex B; IEC 60028.

    Example:
        >>> round(at_20c(LoopResistance(1.0, ()), Measured(45.45)).resistance_ohm, 6)
        0.909091
    """
    factor = 1.0 / copper_factor(copper_c.value)
    resistance_ohm = loop.resistance_ohm * factor
    parts = tuple(
        replace(part, std_uncertainty=part.std_uncertainty * factor)
        for part in loop.contributions
    )
    if copper_c.std_uncertainty > 0.0:
        per_k = abs(resistance_ohm) / (ZERO_RESISTANCE_K + copper_c.value)
        warmth = Contribution(
            per_k * copper_c.std_uncertainty,
            copper_c.degrees_of_freedom,
            name="copper's temperature",
        )
        parts = (*parts, warmth)
    return LoopResistance(resistance_ohm, parts)


def _resistance(values: dict[str, float]) -> float:
    return resistance_from_drop(
        values["voltage drop"],
        machine_v=values["machine's voltage"],
        current_a=values["current"],
        power_factor=values["power factor"],
        reactance_ohm=values["reactance"],
    )


def _moved(
    function: Callable[[dict[str, float]], float],
    values: dict[str, float],
    name: str,
    measured: Measured,
) -> float:
    """Half of what the result does while one input goes from u below to u above."""
    low, high = (
        measured.value - measured.std_uncertainty,
        measured.value + measured.std_uncertainty,
    )
    if name == "power factor":
        low, high = max(low, 0.0), min(high, 1.0)
    if not high > low:
        # Too small for the digits of a float.
        return 0.0
    change = abs(function(values | {name: high}) - function(values | {name: low}))
    return change * measured.std_uncertainty / (high - low)
