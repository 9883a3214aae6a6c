"""The air of each trial: its density, and what that is uncertain by, from channels where there are some, else from figures.

Errors of stated figures are the same in every trial; those of channels stay those of the meters.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from daq.comparison.observations import ErrorPart, Observation
from daq.comparison.rules import Air
from daq.comparison.trial_inputs import TrialInputs, trials_named
from daq.physics.atmosphere import (
    PressureKind,
    PressureStatement,
    StationPressure,
    station_pressure,
)
from daq.physics.moist_air import density_sensitivities, moist_air_density

_PA_PER_HPA = 100.0
_PER_PERCENT = 0.01


@dataclass(frozen=True, slots=True)
class AirState:
    """The air of one trial.

    Attributes:
        temperature_c: [°C].
        pressure_pa: Of the room [Pa].
        density_kg_per_m3: [kg/m³].
        inputs: Observations that the density was made from, with its relative change for one unit of each.
        errors: Relative errors of the density from what was stated [1].
    """

    temperature_c: float
    pressure_pa: float
    density_kg_per_m3: float
    inputs: tuple[tuple[float, Observation], ...]
    errors: tuple[ErrorPart, ...]


@dataclass(frozen=True, slots=True)
class AirStates:
    """The air of a session.

    Attributes:
        by_trial: By number of the trial; a sentence where it cannot be told.
        remarks: What is to be doubted.
    """

    by_trial: Mapping[int, AirState | str]
    remarks: tuple[str, ...] = ()

    def of(self, trial: int) -> AirState:
        """The air of one trial.

        Raises:
            ValueError: If it cannot be told.
        """
        found = self.by_trial[trial]
        if isinstance(found, AirState):
            return found
        raise ValueError(found)


def air_states(inputs: TrialInputs, air: Air) -> AirStates:
    """The air of every trial of a session.

    Args:
        inputs: Of the session.
        air: What the bench says of it.
    """
    measured = {
        kind: (name, inputs.of(channel))
        for kind, name in (
            (_TEMPERATURE, air.temperature_channel),
            (_PRESSURE, air.pressure_channel),
            (_HUMIDITY, air.humidity_channel),
        )
        if name and (channel := inputs.named(name))
    }
    stated = dict(_stated(air))
    found: dict[int, AirState | str] = {}
    remarks = list(_doubts(air, inputs))
    for trial in inputs.trials:
        try:
            found[trial.trial] = _state(trial.trial, measured, stated)
        except ValueError as exc:
            found[trial.trial] = str(exc)
    remarks += _replaced(inputs.trials, measured, stated)
    return AirStates(found, tuple(remarks))


_TEMPERATURE, _PRESSURE, _HUMIDITY = "temperature", "pressure", "humidity"


@dataclass(frozen=True, slots=True)
class _Figure:
    """One property of the air in SI units, as an observation or as stated."""

    value: float
    std_uncertainty: float = 0.0
    source: str = ""
    observation: Observation | None = None


_Measured = Mapping[str, tuple[str, Mapping[int, Observation]]]


def _state(trial: int, measured: _Measured, stated: Mapping[str, _Figure]) -> AirState:
    t, p, percent = (
        _figure(kind, trial, measured, stated)
        for kind in (_TEMPERATURE, _PRESSURE, _HUMIDITY)
    )
    h = replace(percent, value=_PER_PERCENT * percent.value)
    state = (t.value, p.value, h.value)
    density = moist_air_density(*state)
    slopes = density_sensitivities(*state)
    parts = (
        (slopes.per_k, t),
        (slopes.per_pa, p),
        (slopes.per_humidity * _PER_PERCENT, h),
    )
    formula = ErrorPart(
        "formula of the air's density", density.relative_std_uncertainty, is_common=True
    )
    return AirState(
        t.value,
        p.value,
        density.kg_per_m3,
        tuple((slope, f.observation) for slope, f in parts if f.observation),
        (
            *(
                ErrorPart(f.source, slope * f.std_uncertainty, is_common=True)
                for slope, f in parts
                if f.std_uncertainty
            ),
            formula,
        ),
    )


def _figure(
    kind: str, trial: int, measured: _Measured, stated: Mapping[str, _Figure]
) -> _Figure:
    name, by_trial = measured.get(kind, ("", {}))
    if observation := by_trial.get(trial):
        return _Figure(observation.mean, observation=observation)
    if kind in stated:
        return stated[kind]
    where = f"no average of {name}" if name else "no channel with averages"
    msg = f"the air's {kind} is not known: {where}, and no figure in [air] of the bench"
    raise ValueError(msg)


def _stated(air: Air) -> Iterator[tuple[str, _Figure]]:
    if air.temperature_c is not None:
        yield (
            _TEMPERATURE,
            _Figure(
                air.temperature_c, air.temperature_u_k, "air temperature as stated"
            ),
        )
    if pressure := _stated_pressure(air):
        alone = air.pressure_hpa is None
        source = "air pressure from the altitude" if alone else "air pressure as stated"
        yield (
            _PRESSURE,
            _Figure(pressure.pressure_pa, pressure.std_uncertainty_pa, source),
        )
    yield (
        _HUMIDITY,
        _Figure(air.humidity_percent, air.humidity_u_percent, "air humidity as stated"),
    )


def _stated_pressure(air: Air) -> StationPressure | None:
    if air.pressure_hpa is not None and air.pressure_kind is not None:
        return station_pressure(
            PressureStatement(
                air.pressure_kind,
                _PA_PER_HPA * air.pressure_hpa,
                air.altitude_m,
                _PA_PER_HPA * air.pressure_u_hpa,
            )
        )
    if air.altitude_m is None:
        return None
    return station_pressure(
        PressureStatement(PressureKind.ALTITUDE, altitude_m=air.altitude_m)
    )


def _doubts(air: Air, inputs: TrialInputs) -> Iterator[str]:
    pressure = _stated_pressure(air)
    if pressure and pressure.looks_reduced:
        yield (
            f"[air] pressure_hpa = {air.pressure_hpa:g} is stated as the bench's own, but at {air.altitude_m:g} m it looks"
            ' like one reduced to sea level: check pressure_kind, expected "sea level" for what a weather service gives'
        )
    for key, name in (
        ("temperature_channel", air.temperature_channel),
        ("pressure_channel", air.pressure_channel),
        ("humidity_channel", air.humidity_channel),
    ):
        if name and inputs.named(name) is None:
            yield f"[air] {key}: {name} has no average in this session"


def _replaced(
    trials: Sequence[Observation],
    measured: _Measured,
    stated: Mapping[str, _Figure],
) -> Iterator[str]:
    for kind, (name, by_trial) in measured.items():
        without = [o for o in trials if o.trial not in by_trial]
        if without and kind in stated:
            yield (
                f"the air's {kind} in {trials_named(without)} is the figure of [air]: no average of {name} there"
            )
