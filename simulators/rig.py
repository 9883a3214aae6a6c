"""The bench put together: physics, meters and their stations, moved on together.

The rig is all that commands and the simulated person act on. It keeps bench time, which
may run faster than real time, and lets every meter sample the physics at the same
instants, so what a meter shows depends on the seed and the commands, never on who asks.
"""

import math
from dataclasses import dataclass
from random import Random

from simulators.config import MeterSettings, Simulation
from simulators.faults import Patience, Spoiler
from simulators.instruments import SAMPLE_S, Meter
from simulators.kinds import Station
from simulators.models.bench import Bench
from simulators.models.operating import (
    MACHINE_END,
    SUPPLY_END,
    UNITS,
    Condition,
    quantities_at,
    settled_state,
)

TRUTH_FORMAT = 1


@dataclass(frozen=True)
class TruthEntry:
    """One settled value of the physics, free of any meter's error."""

    condition: str
    place: str
    quantity: str
    value: float
    unit: str


def seeded(seed: int, purpose: str) -> Random:
    """A source of chance of its own for each purpose, so that none disturbs another."""
    return Random(f"{seed}/{purpose}")  # noqa: S311 - repeatable noise, no secrets


class Rig:
    """One simulated bench; see the module's head."""

    def __init__(
        self, simulation: Simulation, *, seed: int, fault_share: float = 0.0
    ) -> None:
        self._simulation = simulation
        self._seed = seed
        self._conditions = {each.name: each for each in simulation.conditions}
        first = simulation.conditions[0]
        self._bench = Bench(simulation.parts, first, seeded(seed, "supply"))
        self._stations = {
            settings.name: _station(settings, seed=seed, fault_share=fault_share)
            for settings in simulation.meters
        }
        self._samples = 0
        self._sample()

    @property
    def conditions(self) -> tuple[str, ...]:
        """Names of the conditions that can be fitted."""
        return tuple(self._conditions)

    @property
    def stations(self) -> dict[str, Station]:
        """Every meter at its end of the wire, by name."""
        return self._stations

    @property
    def is_running(self) -> bool:
        """Whether the machine is switched on."""
        return self._bench.is_running

    @property
    def now_s(self) -> float:
        """Bench time."""
        return self._bench.now_s

    def fit(self, name: str) -> None:
        """Fit a condition.

        Raises:
            ValueError: If there is no such condition, or the machine is on.
        """
        self._bench.fit(self._condition(name))

    def clog(self, percent: float) -> None:
        """Give the filter so much of its resistance, until a condition is fitted."""
        self._bench.clog(percent / 100)

    def switch(self, *, on: bool) -> None:
        """Switch the machine on or off."""
        self._bench.switch(on=on)

    def advance(self, until_s: float) -> None:
        """Let bench time pass, with every meter sampling on its way."""
        while (self._samples + 1) * SAMPLE_S <= until_s:
            self._samples += 1
            self._bench.advance(self._samples * SAMPLE_S + 1e-9)
            self._sample()

    def state(self) -> dict[str, object]:
        """What is fitted, whether it runs, and what the physics is at now."""
        return {
            "bench_s": round(self.now_s, 2),
            "condition": self._bench.condition.name,
            "running": self.is_running,
            "faults": {
                name: str(station.spoiler.ordered(self.now_s))
                for name, station in self._stations.items()
            },
            "now": self._now(),
        }

    def truth(self) -> dict[str, object]:
        """Settled values of every condition: the figures that averages should meet."""
        return {
            "format": TRUTH_FORMAT,
            "scenario": self._simulation.scenario,
            "seed": self._seed,
            "entries": [
                vars(entry)
                for condition in self._conditions.values()
                for entry in settled_truth(self._simulation, condition)
            ],
        }

    def _condition(self, name: str) -> Condition:
        if name not in self._conditions:
            known = ", ".join(repr(each) for each in self._conditions)
            msg = f"condition {name!r} is not known, expected one of {known}"
            raise ValueError(msg)
        return self._conditions[name]

    def _sample(self) -> None:
        point = self._bench.point
        for station in self._stations.values():
            station.meter.observe(point, self._bench.now_s)

    def _now(self) -> list[dict[str, object]]:
        point = self._bench.point
        air_place = self._simulation.parts.air_place
        values = (
            (place, quantity, point.value(place, quantity))
            for place in (SUPPLY_END, MACHINE_END, air_place)
            for quantity in quantities_at(place, air_place=air_place)
        )
        return [
            {
                "place": place,
                "quantity": quantity,
                "value": None if math.isnan(value) else round(value, 5),
                "unit": UNITS[quantity],
            }
            for place, quantity, value in values
        ]


def settled_truth(simulation: Simulation, condition: Condition) -> list[TruthEntry]:
    """Settled values of one condition at every place."""
    air_place = simulation.parts.air_place
    point = settled_state(simulation.parts, condition)
    return [
        TruthEntry(
            condition.name,
            place,
            quantity,
            point.value(place, quantity),
            UNITS[quantity],
        )
        for place in (SUPPLY_END, MACHINE_END, air_place)
        for quantity in quantities_at(place, air_place=air_place)
    ]


def _station(settings: MeterSettings, *, seed: int, fault_share: float) -> Station:
    kind = settings.kind
    meter = Meter(
        place=settings.place,
        senses=kind.senses,
        refresh_s=kind.refresh_s,
        averaging_s=kind.averaging_s,
        random=seeded(seed, f"meter/{settings.name}"),
    )
    spoiler = Spoiler(
        kind.faults,
        patience=Patience(kind.worst_reply_s, kind.timeout_s),
        share=fault_share,
        random=seeded(seed, f"faults/{settings.name}"),
        has_crc=kind.has_crc,
    )
    delays = seeded(seed, f"delays/{settings.name}")
    return Station(kind, meter, unit=settings.unit, spoiler=spoiler, random=delays)
