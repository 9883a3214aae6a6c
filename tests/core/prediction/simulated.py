"""Sessions of a blower on leads, with known truth: motor, supply, leads and meters of our own invention.

The motor is a series motor whose iron saturates, on a fan: neither a power law nor anything else that the fit assumes.
"""

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from daq.comparison.observations import Observation, Quantity
from daq.comparison.rules import (
    Circuit,
    ComparisonRules,
    ConditionFacts,
    LeadFacts,
    Nameplate,
    PlanFacts,
    Surroundings,
)
from daq.comparison.session import SessionFigures
from daq.comparison.systematic import error_parts
from daq.physics.conductors import jacket_of_area
from daq.prediction.lead import lead_of
from daq.records import Accuracy
from daq.uncertainty import contributions_of_accuracy

QUANTITIES = (
    Quantity("supply_voltage", "Supply voltage", "voltage", "V", "supply end"),
    Quantity("machine_voltage", "Machine voltage", "voltage", "V", "machine end"),
    Quantity("current", "Current", "current", "A", "machine end"),
    Quantity("power", "Power", "power", "W", "machine end"),
    Quantity("flow", "Airflow", "airflow", "m3/h", "outlet"),
)
VOLTMETER = Accuracy(percent_of_reading=0.2, counts=1, resolution=0.1)
AMMETER = Accuracy(percent_of_reading=0.4, counts=1, resolution=0.01)
WATTMETER = Accuracy(percent_of_reading=0.5, counts=1, resolution=1.0)
ANEMOMETER = Accuracy(percent_of_reading=1.5, counts=1, resolution=0.1)
EXACT: Mapping[str, Accuracy] = {q.name: Accuracy() for q in QUANTITIES}
USUAL: Mapping[str, Accuracy] = {
    "supply_voltage": VOLTMETER,
    "machine_voltage": VOLTMETER,
    "current": AMMETER,
    "power": WATTMETER,
    "flow": ANEMOMETER,
}
LEADS: Mapping[str, tuple[float, float]] = {
    "short": (2.5, 2.0),
    "2.5 mm2, 25 m": (2.5, 25.0),
    "1.5 mm2, 25 m": (1.5, 25.0),
    "1.5 mm2, 40 m": (1.5, 40.0),
    "1.0 mm2, 50 m": (1.0, 50.0),
}
"""Area [mm²] and length [m]; the first is the baseline's."""

_WITHIN_DEGREES = 40.0


@dataclass(frozen=True, slots=True)
class Motor:
    """A series motor on a fan, every figure invented.

    Attributes:
        winding_ohm, reactance_ohm: In series.
        saturation_a: Current at which the iron carries half of what it would.
        friction: Share of the rated torque.
        rated_v, rated_a: A point that it runs at.
        flow_m3_per_h: There.
    """

    winding_ohm: float = 1.9
    reactance_ohm: float = 7.0
    saturation_a: float = 12.0
    friction: float = 0.08
    rated_v: float = 230.0
    rated_a: float = 9.0
    flow_m3_per_h: float = 300.0

    def at(self, voltage_v: float) -> dict[str, float]:
        """Current, power and airflow at a voltage [V]."""
        return self.drawing(root(lambda a: self.voltage(a) - voltage_v, 100.0))

    def drawing(self, a: float) -> dict[str, float]:
        """Current, power and airflow at a current [A]."""
        power_w = a * (a * self.winding_ohm + self._emf(a))
        flow = self.flow_m3_per_h * self._speed(a)
        return {"current": a, "power": power_w, "flow": flow}

    def voltage(self, a: float) -> float:
        """What it needs for a current [V]."""
        return math.hypot(a * self.winding_ohm + self._emf(a), a * self.reactance_ohm)

    def _torque(self, a: float) -> float:
        return a * a / (1.0 + a / self.saturation_a)

    def _speed(self, a: float) -> float:
        """Of the rated one; the fan's torque goes with its square."""
        share = self._torque(a) / self._torque(self.rated_a)
        return math.sqrt(max(share - self.friction, 0.0) / (1.0 - self.friction))

    def _emf(self, a: float) -> float:
        rated_a = self.rated_a
        across = rated_a * self.reactance_ohm
        rated = math.sqrt(self.rated_v**2 - across**2) - rated_a * self.winding_ohm
        flux = self._torque(a) / a / (self._torque(rated_a) / rated_a)
        return rated * flux * self._speed(a)


@dataclass(frozen=True, slots=True)
class Scene:
    """How a simulated session is carried out.

    Attributes:
        motor: The machine.
        leads: Area [mm²] and length [m] by condition; the first is the baseline.
        supply_v: Without load [V].
        supply_ohm: Upstream of the outlet [ohm].
        wander_v: Standard deviation of the supply between trials [V].
        spread: Of the machine between trials, about its curve [%].
        within: Standard uncertainty within a trial [%].
        repeats: Of each condition [1].
        accuracies: Of the meters, by channel.
        stated: Names of conditions whose lead the plan states.
        changes: Of every condition but the baseline.
        without: Channels that nobody has.
    """

    motor: Motor = Motor()
    leads: Mapping[str, tuple[float, float]] = field(default_factory=lambda: LEADS)
    supply_v: float = 234.0
    supply_ohm: float = 0.4
    wander_v: float = 0.2
    spread: float = 0.2
    within: float = 0.03
    repeats: int = 3
    accuracies: Mapping[str, Accuracy] = field(default_factory=lambda: USUAL)
    stated: Sequence[str] = ("short",)
    changes: tuple[str, ...] = ("lead",)
    without: Sequence[str] = ()


def balanced(
    scene: Scene, resistance_ohm: float, *, open_v: float | None = None
) -> dict[str, float]:
    """True figures of the machine behind a lead; the lead's reactance is that left out."""
    feed_v = scene.supply_v if open_v is None else open_v

    def at_outlet(a: float) -> float:
        found, voltage_v = scene.motor.drawing(a), scene.motor.voltage(a)
        cosine = min(found["power"] / (voltage_v * a), 1.0)
        across = voltage_v * math.sqrt(1.0 - cosine**2)
        return math.hypot(voltage_v * cosine + a * resistance_ohm, across)

    current_a = root(lambda a: at_outlet(a) + a * scene.supply_ohm - feed_v, 100.0)
    voltages = {
        "machine_voltage": scene.motor.voltage(current_a),
        "supply_voltage": at_outlet(current_a),
    }
    return scene.motor.drawing(current_a) | voltages


def root(function: Callable[[float], float], high: float) -> float:
    """Where a rising function crosses zero, from almost 0 up."""
    low = 1e-3
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if function(middle) < 0.0 else (low, middle)
    return 0.5 * (low + high)


def true_leads(scene: Scene, random: np.random.Generator) -> dict[str, float]:
    """Loop resistance of each condition's lead, anywhere that its jacket allows [ohm]."""
    return {
        name: true_resistance(*size, random=random)
        for name, size in scene.leads.items()
    }


def true_resistance(
    area_mm2: float, length_m: float, *, random: np.random.Generator
) -> float:
    """Of one lead, every part anywhere in its range [ohm]."""
    lead = lead_of(jacket_of_area(area_mm2), length_m)
    return lead.resistance_ohm + sum(
        float(random.uniform(-1.0, 1.0)) * math.sqrt(3.0) * part.std_uncertainty
        for part in lead.contributions
    )


def session(
    scene: Scene, random: np.random.Generator, *, baseline_ohm: float | None = None
) -> SessionFigures:
    """Carry the conditions out, one after the other, as often as they are repeated."""
    resistances = true_leads(scene, random)
    if baseline_ohm is not None:
        resistances[next(iter(resistances))] = baseline_ohm
    channels = [q for q in QUANTITIES if q.name not in scene.without]
    drawn: dict[tuple[str, str], float] = {}
    observations: dict[str, list[Observation]] = {q.name: [] for q in channels}
    for number in range(scene.repeats * len(resistances)):
        condition = list(resistances)[number % len(resistances)]
        open_v = scene.supply_v + random.normal(0.0, scene.wander_v)
        true = balanced(scene, resistances[condition], open_v=open_v)
        for quantity in channels:
            observations[quantity.name].append(
                _observed(
                    scene,
                    quantity,
                    true[quantity.name],
                    (number, condition),
                    drawn=drawn,
                    random=random,
                )
            )
    return SessionFigures(
        number=1,
        bench="bench",
        plan="leads",
        machine="Blower",
        started_utc="2026-03-02T09:00:00Z",
        software="steadybench 0",
        analysis=0,
        baseline=next(iter(scene.leads)),
        facts=_facts(scene),
        surroundings=Surroundings(),
        quantities=tuple(channels),
        observations={name: tuple(found) for name, found in observations.items()},
    )


def _observed(
    scene: Scene,
    quantity: Quantity,
    true: float,
    trial: tuple[int, str],
    *,
    drawn: dict[tuple[str, str], float],
    random: np.random.Generator,
) -> Observation:
    number, condition = trial
    accuracy = scene.accuracies[quantity.name]
    varied = true
    if quantity.quantity != "voltage":
        varied *= 1.0 + random.normal(0.0, scene.spread / 100.0)
    within = scene.within / 100.0 * true
    varied += random.normal(0.0, within)
    errors = error_parts(
        quantity.name, true, contributions_of_accuracy(true, accuracy), accuracy
    )
    for part in errors:
        key = (part.source, "" if part.is_common else condition)
        if key not in drawn:
            drawn[key] = float(random.uniform(-1.0, 1.0)) * math.sqrt(3.0)
        varied += drawn[key] * part.std_uncertainty
    return Observation(
        trial=number + 1,
        condition=condition,
        at_s=300.0 * number,
        mean=varied,
        std_uncertainty_within=within
        * math.sqrt(random.chisquare(_WITHIN_DEGREES) / _WITHIN_DEGREES),
        degrees_of_freedom_within=_WITHIN_DEGREES,
        errors=errors,
    )


def _facts(scene: Scene) -> PlanFacts:
    conditions = tuple(
        ConditionFacts(
            name,
            changes=scene.changes if index else (),
            lead=(
                LeadFacts(area_mm2=area_mm2, length_m=length_m)
                if name in scene.stated
                else None
            ),
        )
        for index, (name, (area_mm2, length_m)) in enumerate(scene.leads.items())
    )
    return PlanFacts(Nameplate(), conditions, Circuit(), ComparisonRules())
