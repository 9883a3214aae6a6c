"""One trial's airflow from what its meter shows, with what area, profile, plate and air add to its errors.

Actual flow is the volume at the air's own density, standard flow that of the same mass at a reference density. Formulas
are those of daq/physics, sensitivities the exponents in them.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from daq.comparison.air_states import AirState, AirStates
from daq.comparison.observations import ErrorPart, Observation, propagate
from daq.comparison.rules import Airflow
from daq.physics.airflow import DENSITY_EXPONENTS, AirMeterKind, correct_airflow
from daq.physics.ducts import flow_from_velocity
from daq.physics.moist_air import air_viscosity
from daq.physics.orifice import OrificeFlow, orifice_flow
from daq.physics.orifice_plate import OrificePlate, Taps
from daq.physics.pitot import pitot_velocity
from daq.records import Channel
from daq.units import unit_of

_M_PER_MM = 1e-3


@dataclass(frozen=True, slots=True)
class FlowMaker:
    """Makes one trial's flow from what the meter shows.

    Attributes:
        airflow: As the bench describes it.
        channel: What the meter shows.
        air: Of the session; None where the bench says nothing of it.
        reference_kg_per_m3: Density of standard air [kg/m³]; not looked at without air.
    """

    airflow: Airflow
    channel: Channel
    air: AirStates | None
    reference_kg_per_m3: float

    @property
    def kind(self) -> AirMeterKind:
        """What the flow follows; one made from a pressure here has this density already."""
        if self.is_from_pressure:
            return AirMeterKind.OWN_DENSITY
        return self.airflow.meter

    @property
    def is_from_pressure(self) -> bool:
        """Whether it is made from a pressure difference."""
        return self.channel.quantity == "pressure"

    @property
    def needs_air(self) -> bool:
        """Whether even the actual flow needs the density."""
        return self.is_from_pressure or bool(DENSITY_EXPONENTS[self.kind].actual)

    def actual(self, observed: Sequence[Observation]) -> Observation:
        """Volume at the air's own density."""
        return self._observation(observed[0], is_standard=False)

    def standard(self, observed: Sequence[Observation]) -> Observation:
        """Volume of the same mass at the reference density."""
        return self._observation(observed[0], is_standard=True)

    def plate_flow(self, reading_pa: float, air: AirState) -> OrificeFlow | None:
        """What an orifice plate lets through; None where there is none."""
        plate = self.airflow.orifice
        if plate is None:
            return None
        return orifice_flow(
            OrificePlate(
                _M_PER_MM * plate.bore_mm, _M_PER_MM * plate.pipe_mm, Taps(plate.taps)
            ),
            reading_pa,
            upstream_pressure_pa=air.pressure_pa,
            density_kg_per_m3=air.density_kg_per_m3,
            viscosity_pa_s=air_viscosity(air.temperature_c),
        )

    def air_of(self, trial: int) -> AirState:
        """The air of one trial.

        Raises:
            ValueError: If the bench says nothing of it.
        """
        if self.air is None:
            msg = "the air's density is not known, expected a table [air] in the bench file"
            raise ValueError(msg)
        return self.air.of(trial)

    def _observation(self, reading: Observation, *, is_standard: bool) -> Observation:
        air = self.air_of(reading.trial) if self.needs_air or is_standard else None
        per_unit = 1.0 / unit_of(self.airflow.unit).factor
        flow = per_unit * self._flow(reading.mean, air, is_standard=is_standard)
        slope = self._slope(reading.mean, flow, air, is_standard=is_standard)
        inputs = [(slope, reading)]
        errors = list(self._own_errors(reading.mean, air))
        if air:
            exponent = self._density_exponent(is_standard=is_standard)
            inputs += [(exponent * per_one * flow, o) for per_one, o in air.inputs]
            errors += [
                ErrorPart(e.source, exponent * e.std_uncertainty, e.is_common)
                for e in air.errors
            ]
        return propagate(
            flow,
            [(c, o) for c, o in inputs if c or o is reading],
            errors=[
                ErrorPart(e.source, flow * e.std_uncertainty, e.is_common)
                for e in errors
                if e.std_uncertainty
            ],
        )

    def _flow(
        self, reading: float, air: AirState | None, *, is_standard: bool
    ) -> float:
        """Flow in m³/s."""
        shown = self._shown(reading, air)
        if air is None:
            return shown
        corrected = correct_airflow(
            shown,
            self.kind,
            density_kg_per_m3=air.density_kg_per_m3,
            reference_density_kg_per_m3=self.reference_kg_per_m3,
            calibrated_at_kg_per_m3=self.airflow.calibrated_at_kg_per_m3,
        )
        return corrected.standard if is_standard else corrected.actual

    def _shown(self, reading: float, air: AirState | None) -> float:
        """Flow by the meter's own lights [m³/s]."""
        if self.channel.quantity == "airflow":
            return reading
        if air and (through := self.plate_flow(reading, air)):
            return through.volume_flow_m3_per_s
        velocity = reading
        if air and self.is_from_pressure:
            velocity = self._tube_velocity(reading, air)
        return flow_from_velocity(
            velocity,
            self.airflow.area_m2 or 0.0,
            profile_factor=self.airflow.profile_factor,
        )

    def _tube_velocity(self, reading_pa: float, air: AirState) -> float:
        if reading_pa == 0.0:
            msg = (
                "a pressure difference of 0 Pa: nothing flows, or check tube and hoses"
            )
            raise ValueError(msg)
        pitot = self.airflow.pitot
        return pitot_velocity(
            reading_pa,
            air.density_kg_per_m3,
            tube_factor=pitot.factor if pitot else 1.0,
            static_pressure_pa=air.pressure_pa,
        )

    def _slope(
        self,
        reading: float,
        flow: float,
        air: AirState | None,
        *,
        is_standard: bool,
    ) -> float:
        """Flow for one unit more of the reading: the root of a pressure, proportional otherwise."""
        if self.is_from_pressure:
            return 0.5 * flow / reading
        of_one = self._flow(1.0, air, is_standard=is_standard)
        return of_one / unit_of(self.airflow.unit).factor

    def _density_exponent(self, *, is_standard: bool) -> float:
        kind = AirMeterKind.FIXED_DENSITY if self.is_from_pressure else self.kind
        exponents = DENSITY_EXPONENTS[kind]
        return exponents.standard if is_standard else exponents.actual

    def _own_errors(self, reading: float, air: AirState | None) -> Iterator[ErrorPart]:
        """Relative errors of area, profile and plate."""
        name, airflow = self.airflow.name, self.airflow
        if self.channel.quantity != "airflow" and airflow.orifice is None:
            area = airflow.area_u_percent / 100.0
            profile = airflow.profile_factor_u / airflow.profile_factor
            yield ErrorPart(f"{name}: duct's area", area, is_common=True)
            yield ErrorPart(f"{name}: profile factor", profile, is_common=True)
        through = self.plate_flow(reading, air) if air else None
        if through:
            u = through.relative_std_uncertainty or 0.0
            yield ErrorPart(f"{name}: orifice's coefficient", u, is_common=True)
