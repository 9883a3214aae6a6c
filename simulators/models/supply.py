"""The mains supply: a nominal voltage behind an impedance, wandering slowly.

The wander is an Ornstein-Uhlenbeck process around the nominal voltage, so its mean is
exactly nominal, its spread is stated, and what happens now is forgotten after a few
correlation times. The model is our own; it refuses to know steps, dips and harmonics.
"""

import math
from dataclasses import dataclass
from random import Random


@dataclass(frozen=True)
class Supply:
    """What the socket on the wall offers."""

    nominal_v: float
    resistance_ohm: float
    reactance_ohm: float
    wander_percent: float
    wander_time_s: float


class WanderingVoltage:
    """The voltage behind the source impedance, as it wanders.

    Source:
        Uhlenbeck and Ornstein, Physical Review 36 (1930) 823; the exact update over a
        step d is x(t + d) = a x(t) + s sqrt(1 - a^2) n, a = exp(-d / tau), n standard
        normal, so the spread does not depend on the step.
    """

    def __init__(self, supply: Supply, random: Random) -> None:
        self._nominal_v = supply.nominal_v
        self._spread_v = supply.nominal_v * supply.wander_percent / 100
        self._time_s = supply.wander_time_s
        self._random = random
        self._away_v = random.gauss(0.0, self._spread_v)

    @property
    def voltage_v(self) -> float:
        """Voltage at this instant, before the source impedance."""
        return self._nominal_v + self._away_v

    def step(self, step_s: float) -> None:
        """Let the voltage wander for one step."""
        kept = math.exp(-step_s / self._time_s)
        push = self._spread_v * math.sqrt(1 - kept * kept)
        self._away_v = kept * self._away_v + push * self._random.gauss(0.0, 1.0)
