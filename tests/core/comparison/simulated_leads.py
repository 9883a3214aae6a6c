"""Sessions on leads of known resistance: a supply that wanders, meters with errors of their own, copper that warms.

Knows the truth and none of the program's formulas: the machine's voltage is solved from the phasors here.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from daq.comparison.lead_findings import find_leads
from daq.comparison.lead_readings import Stretch, TrialEdges
from daq.comparison.lead_report import LeadFinding, LeadReport
from daq.comparison.rules import Air, ConditionFacts, LeadFacts
from daq.records import Accuracy, Channel
from tests.core.comparison.observed import channel

ROOM = Air(temperature_c=21.0, temperature_u_k=1.0, altitude_m=0.0)
BASELINE = ConditionFacts("at the outlet", lead=LeadFacts(loop_ohm=0.02))
VOLTS = Accuracy(percent_of_reading=0.3, counts=1, resolution=0.1)
AMPERES = Accuracy(percent_of_reading=0.4, counts=1, resolution=0.01)
WATTS = Accuracy(percent_of_reading=0.5, counts=2, resolution=1.0)
# IEC 60228:2004, table 3, class 5, plain (public reprints): ohm/km at 20 °C; nominal copper is 17.241/area (IEC 60028).
MOST_OHM_PER_KM = {0.75: 26.0, 1.0: 19.5, 1.5: 13.3, 2.5: 7.98, 4.0: 4.95, 6.0: 3.30}
SMALLER = {1.0: 0.75, 1.5: 1.0, 2.5: 1.5, 4.0: 2.5, 6.0: 4.0}


class Circumstances(NamedTuple):
    """How one session is carried out."""

    nominal_v: float = 230.0
    current_a: float = 8.0
    power_factor: float = 0.95
    wander_percent: float = 0.04
    wiring_ohm: float = 0.4
    idle_s: float = 40.0
    room_c: float = 21.0
    warming_k: float = 10.0
    noise_v: float = 0.03
    has_supply_meter: bool = True
    repeats: int = 1


@dataclass(frozen=True, slots=True)
class Meter:
    """A meter whose error stays what it is for the session."""

    channel: Channel
    gain: float
    offset: float

    def reads(
        self, true: NDArray[np.float64], noise: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        step = self.channel.accuracy.resolution
        return np.round((true * self.gain + self.offset + noise) / step) * step


def meters(random: np.random.Generator) -> Mapping[str, Meter]:
    """Four meters, each with a gain and an offset within its maker's statement."""
    kinds = {
        "supply": (channel("supply_voltage", "V", "supply end"), VOLTS),
        "machine": (channel("machine_voltage", "V"), VOLTS),
        "current": (channel("current", "A"), AMPERES),
        "power": (channel("power", "W"), WATTS),
    }
    return {
        name: Meter(
            replace(each, accuracy=accuracy),
            1.0 + random.uniform(-1, 1) * accuracy.percent_of_reading / 100.0,
            random.uniform(-1, 1) * accuracy.counts * accuracy.resolution,
        )
        for name, (each, accuracy) in kinds.items()
    }


def trial(
    number: int,
    condition: str,
    loop_ohm: float,
    how: Circumstances,
    *,
    instruments: Mapping[str, Meter],
    random: np.random.Generator,
) -> TrialEdges:
    """One run on a lead whose loop has so much at its copper's temperature."""
    on_s, off_s = 1000.0 * number, 1000.0 * number + 240.0
    times = np.concatenate(
        [
            np.arange(on_s - how.idle_s, on_s + 30.0),
            np.arange(off_s - 62.0, off_s + 30.0),
        ]
    )
    is_on = (times >= on_s) & (times < off_s)
    source_v = _wandering(times, how, random)
    ripple = 1.0 + 0.002 * random.standard_normal(times.size)
    current_a = np.where(is_on, how.current_a * ripple, 0.0)
    outlet_v = _behind(source_v, current_a, how.wiring_ohm, how.power_factor)
    machine_v = _behind(outlet_v, current_a, loop_ohm, how.power_factor)
    true = {
        "supply": outlet_v,
        "machine": machine_v,
        "current": current_a,
        "power": machine_v * current_a * how.power_factor,
    }
    noise = {"supply": how.noise_v, "machine": how.noise_v, "current": 0.005}
    fitted = dict(instruments)
    if not how.has_supply_meter:
        del fitted["supply"]
    readings = {
        meter.channel.name: Stretch(
            tuple(times.tolist()),
            tuple(
                meter.reads(
                    true[name],
                    noise.get(name, 0.5) * random.standard_normal(times.size),
                ).tolist()
            ),
        )
        for name, meter in fitted.items()
    }
    channels = tuple(meter.channel for meter in fitted.values())
    return TrialEdges(number, condition, on_s, off_s, channels, readings)


def session(
    lead: LeadFacts,
    loop_20c_ohm: float,
    how: Circumstances,
    random: np.random.Generator,
) -> LeadReport:
    """A session of the baseline and one lead, whose loop has so much at 20 °C."""
    instruments = meters(random)
    condition = ConditionFacts("long lead", changes=("lead",), lead=lead)
    warm = how.room_c + how.warming_k
    loop_ohm = loop_20c_ohm * (1.0 + 0.00393 * (warm - 20.0))  # IEC 60028
    runs = [
        trial(2 * i + j, name, loop, how, instruments=instruments, random=random)
        for i in range(how.repeats)
        for j, (name, loop) in enumerate(
            [(BASELINE.name, 0.02), (condition.name, loop_ohm)], 1
        )
    ]
    return find_leads(runs, (BASELINE, condition), baseline=BASELINE.name, air=ROOM)


@dataclass(frozen=True, slots=True)
class Drawn:
    """A session that was drawn, and what is true of its lead.

    Attributes:
        is_thin: Its conductors are one size smaller than its jacket says.
        loop_ohm: Of the lead at 20 °C, contacts included.
        how: How it was carried out.
        found: What was found of it.
    """

    is_thin: bool
    loop_ohm: float
    how: Circumstances
    found: LeadFinding

    @property
    def relative_u(self) -> float:
        """Standard uncertainty over resistance, as found; infinite where that is nothing."""
        u, resistance = self.found.uncertainty, self.found.resistance_ohm
        if u is None or resistance is None or resistance <= 0.0:
            return math.inf
        return u.std_uncertainty / resistance


def drawn_session(random: np.random.Generator) -> Drawn:
    """Carry out a session of the kind that tests/benchmarks/leads.py describes; half of the leads are thin."""
    how = Circumstances(
        nominal_v=float(random.choice([120.0, 230.0])),
        current_a=random.uniform(3.0, 13.0),
        power_factor=random.uniform(0.85, 0.99),
        wander_percent=random.uniform(0.02, 0.15),
        wiring_ohm=random.uniform(0.1, 0.6),
        idle_s=random.uniform(15.0, 60.0),
        warming_k=random.uniform(0.0, 20.0),
        noise_v=random.uniform(0.01, 0.08),
        has_supply_meter=bool(random.integers(2)),
        repeats=int(random.integers(1, 4)),
    )
    jacket = float(random.choice(sorted(SMALLER)))
    length_m = random.uniform(5.0, 50.0)
    is_thin = bool(random.integers(2))
    real = SMALLER[jacket] if is_thin else jacket
    ohm_per_km = random.uniform(17.241 / real, MOST_OHM_PER_KM[real])
    loop_ohm = 2.0 * length_m * ohm_per_km / 1000.0 + random.uniform(0.0, 0.02)
    lead = LeadFacts(area_mm2=jacket, length_m=length_m)
    report = session(lead, loop_ohm, how, random)
    return Drawn(is_thin, loop_ohm, how, report.findings[1])


def _wandering(
    times: NDArray[np.float64], how: Circumstances, random: np.random.Generator
) -> NDArray[np.float64]:
    """Ornstein and Uhlenbeck's process with a memory of 15 s."""
    away = np.empty(times.size)
    away[0] = random.standard_normal()
    kept = np.exp(-np.diff(times) / 15.0)
    pushes = np.sqrt(1.0 - kept**2) * random.standard_normal(kept.size)
    for i in range(kept.size):
        away[i + 1] = kept[i] * away[i] + pushes[i]
    return how.nominal_v * (1.0 + how.wander_percent / 100.0 * away)


def _behind(
    source_v: NDArray[np.float64],
    current_a: NDArray[np.float64],
    loop_ohm: float,
    power_factor: float,
) -> NDArray[np.float64]:
    """Voltage behind a resistance: V_s² = (V cos + I R)² + (V sin)², solved for V."""
    sine = math.sqrt(1.0 - power_factor**2)
    drop = current_a * loop_ohm
    return np.sqrt(source_v**2 - (drop * sine) ** 2) - drop * power_factor
