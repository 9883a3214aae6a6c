"""What plan and bench say beyond the trials: nameplate, leads, prices, circuit, air, how airflow is measured.

Frozen records that comparison, prediction and advice share; made by `daq.config`.
"""

from dataclasses import dataclass, field

from daq.comparison.spread import StatedSpread
from daq.comparison.systematic import COMMON_SHARE
from daq.physics.airflow import AirMeterKind
from daq.physics.atmosphere import PressureKind

ELECTRICAL_NAMES = (
    "apparent_power",
    "power_factor",
    "voltage_drop",
    "lead_resistance",
)
"""Names of what is derived from voltages, currents and powers."""


@dataclass(frozen=True, slots=True)
class Nameplate:
    """What the maker rates the machine at; None where the plan does not say.

    Attributes:
        voltage_v: [V].
        current_a: [A].
        power_w: [W].
        airflow: In `airflow_unit`.
        airflow_unit: One of units.UNITS; empty without an airflow.
        tolerance_percent: The rating counts as met within it [%].
    """

    voltage_v: float | None = None
    current_a: float | None = None
    power_w: float | None = None
    airflow: float | None = None
    airflow_unit: str = ""
    tolerance_percent: float = 0.0


@dataclass(frozen=True, slots=True)
class LeadFacts:
    """What the plan says of a condition's supply lead.

    Attributes:
        area_mm2: By its jacket [mm²]; None where that states an AWG size, or nothing.
        awg: By its jacket [1]; None likewise.
        length_m: One way [m]; None where it is not stated.
        conductor: "flexible" (IEC 60228 class 5 and 6), "flexible tinned", or "solid" (class 1 and 2).
        rated_current_a: By its jacket or plug [A]; None where it is not stated.
        loop_ohm: Known from elsewhere, there and back [ohm]; None where it is not.
        loop_expanded_uncertainty_ohm: Of that, k = 2 [ohm].
        is_coiled: Whether it lies coiled or on a reel during the trials.
    """

    area_mm2: float | None = None
    awg: int | None = None
    length_m: float | None = None
    conductor: str = "flexible"
    rated_current_a: float | None = None
    loop_ohm: float | None = None
    loop_expanded_uncertainty_ohm: float = 0.0
    is_coiled: bool = False

    @property
    def designation(self) -> str:
        """Size and length as people say them; empty where the plan states neither."""
        size = f"{self.area_mm2:g} mm²" if self.area_mm2 else ""
        size = f"{self.awg} AWG" if self.awg is not None else size
        length = f"{self.length_m:g} m" if self.length_m else ""
        return ", ".join(part for part in (size, length) if part)


@dataclass(frozen=True, slots=True)
class ConditionFacts:
    """One condition of the plan.

    Attributes:
        name: Of the condition.
        changes: In what it differs from the baseline: "lead", "hose", "filter", "supply voltage", "other".
        price: In the plan's currency; None where it is not stated.
        lead: None where the plan says nothing of one.
    """

    name: str
    changes: tuple[str, ...] = ()
    price: float | None = None
    lead: LeadFacts | None = None


@dataclass(frozen=True, slots=True)
class Circuit:
    """What the machine is plugged into.

    Attributes:
        rating_a: Of the circuit's breaker or fuse [A]; None where it is not stated.
        plug_rating_a: Of plug and socket [A]; None likewise.
        drop_percent: Recommended limit of the drop in the lead [% of the nominal voltage].
    """

    rating_a: float | None = None
    plug_rating_a: float | None = None
    drop_percent: float = 3.0


@dataclass(frozen=True, slots=True)
class ComparisonRules:
    """How a session is compared, as its plan says beforehand.

    Attributes:
        answer: Channel or derived quantity that the answer is about; None for the airflow, or what comes next to it.
        bracketing: Whether the baseline's drift is taken out.
        common_share: [1] of a percent-of-reading error that two trials share.
        earlier_sessions: Whether repeats of earlier sessions of the same machine may tell the spread.
        conveying_exponent: [1].
        detect_percent: Size of a difference that matters [% of the baseline]; None where the plan names none.
        spreads: Between trials, as the plan states them, by channel or derived quantity.
        currency: Of prices.
    """

    answer: str | None = None
    bracketing: bool = False
    common_share: float = COMMON_SHARE
    earlier_sessions: bool = True
    conveying_exponent: float = 5.0
    detect_percent: float | None = None
    spreads: dict[str, StatedSpread] = field(default_factory=dict)
    currency: str = ""


@dataclass(frozen=True, slots=True)
class PlanFacts:
    """All that a plan says beyond its trials."""

    nameplate: Nameplate
    conditions: tuple[ConditionFacts, ...]
    circuit: Circuit
    rules: ComparisonRules


@dataclass(frozen=True, slots=True)
class Air:
    """The air at the bench: figures that are stated, and channels that measure it instead.

    Standard uncertainties are those of the figures stated.

    Attributes:
        temperature_c: [°C]; None where neither it nor a channel is stated.
        temperature_u_k: [K].
        humidity_percent: Relative [%].
        humidity_u_percent: [%].
        pressure_hpa: [hPa]; None where only an altitude is stated.
        pressure_u_hpa: [hPa].
        pressure_kind: Station, or reduced to sea level (then the altitude is needed).
        altitude_m: [m].
        temperature_channel: Name; empty for none. Takes the place of the figure; likewise the next two.
        pressure_channel: Name of a barometer's channel (station pressure).
        humidity_channel: Name.
        reference_density_kg_per_m3: Of standard air [kg/m³].
    """

    temperature_c: float | None = None
    temperature_u_k: float = 1.0
    humidity_percent: float = 50.0
    humidity_u_percent: float = 15.0
    pressure_hpa: float | None = None
    pressure_u_hpa: float = 1.0
    pressure_kind: PressureKind | None = None
    altitude_m: float | None = None
    temperature_channel: str = ""
    pressure_channel: str = ""
    humidity_channel: str = ""
    reference_density_kg_per_m3: float = 1.2


@dataclass(frozen=True, slots=True)
class Pitot:
    """A pitot tube's pressure difference makes the velocity."""

    factor: float = 1.0


@dataclass(frozen=True, slots=True)
class Orifice:
    """An orifice plate's pressure difference makes the flow.

    Attributes:
        bore_mm: [mm].
        pipe_mm: Inner diameter of the pipe [mm].
        taps: "corner", "flange" or "D and D/2".
    """

    bore_mm: float
    pipe_mm: float
    taps: str = "corner"


@dataclass(frozen=True, slots=True)
class Airflow:
    """How an airflow is made from a channel.

    Attributes:
        name: Of what is derived.
        title: For people.
        channel: Velocity, airflow or pressure difference that it is made from.
        meter: What that reading follows.
        unit: Airflow's unit.
        area_m2: Of the duct where the velocity is measured [m²]; None for a flow meter and an orifice.
        area_u_percent: Standard uncertainty of that [%].
        profile_factor: Mean over measured velocity [1].
        profile_factor_u: Standard uncertainty of that [1].
        calibrated_at_kg_per_m3: Density that the meter takes the air to have [kg/m³].
        pitot, orifice: Where the channel is a pressure difference.
        pressure_channel: Static pressure at the same plane, for the air power; empty for none.
    """

    name: str
    title: str
    channel: str
    meter: AirMeterKind
    unit: str = "m3/h"
    area_m2: float | None = None
    area_u_percent: float = 0.0
    profile_factor: float = 1.0
    profile_factor_u: float = 0.0
    calibrated_at_kg_per_m3: float = 1.2
    pitot: Pitot | None = None
    orifice: Orifice | None = None
    pressure_channel: str = ""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a bench says of its air and of how airflow is measured; air is None where it says nothing."""

    air: Air | None = None
    airflows: tuple[Airflow, ...] = ()
