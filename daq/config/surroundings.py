"""The bench's tables on the room's air and on how airflow is measured, and what they become."""

import math
from collections.abc import Iterator, Mapping
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from daq.comparison.rules import (
    ELECTRICAL_NAMES,
    Air,
    Airflow,
    Orifice,
    Pitot,
    Surroundings,
)
from daq.config.checked import Model, NotNegative, Positive
from daq.config.faults import Source, validated
from daq.errors import Fault
from daq.physics.airflow import AirMeterKind
from daq.physics.atmosphere import PressureKind
from daq.records import Channel

_ChannelName = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=60)]


class AirModel(Model):
    """The air that the machine moves; figures, or the channels that measure them."""

    temperature_c: Annotated[float, Field(ge=-40, le=60)] | None = None
    temperature_u_k: NotNegative = Field(1.0, description="standard uncertainty [K]")
    humidity_percent: Annotated[float, Field(ge=0, le=100)] = 50.0
    humidity_u_percent: NotNegative = Field(
        15.0, description="standard uncertainty [% relative humidity]"
    )
    pressure_hpa: Annotated[float, Field(ge=500, le=1100)] | None = None
    pressure_u_hpa: NotNegative = Field(1.0, description="standard uncertainty [hPa]")
    pressure_kind: Literal["station", "sea level"] | None = Field(
        None,
        description="station: as a barometer at the bench shows it; sea level: reduced, as weather services give it",
    )
    altitude_m: Annotated[float, Field(ge=-500, le=6000)] | None = None
    temperature_channel: _ChannelName | None = None
    pressure_channel: _ChannelName | None = None
    humidity_channel: _ChannelName | None = None
    reference_density_kg_per_m3: Annotated[float, Field(ge=0.8, le=1.5)] = Field(
        1.2, description="of standard air, ISO 5801's if absent"
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.pressure_hpa is None) != (self.pressure_kind is None):
            msg = (
                "pressure_hpa and pressure_kind belong together: expected pressure_kind"
                ' = "station" for a barometer at the bench, or "sea level" for what a weather service gives'
            )
            raise ValueError(msg)
        if self.pressure_kind == "sea level" and self.altitude_m is None:
            msg = "a pressure reduced to sea level is not that of the bench, expected altitude_m with it"
            raise ValueError(msg)
        if (
            self.pressure_hpa is None
            and self.pressure_channel is None
            and self.altitude_m is None
        ):
            msg = "no pressure, expected pressure_channel, pressure_hpa with its kind, or altitude_m"
            raise ValueError(msg)
        if self.temperature_c is None and self.temperature_channel is None:
            msg = "no temperature, expected temperature_channel or temperature_c"
            raise ValueError(msg)
        return self


class PitotModel(Model):
    """The channel is a pitot tube's pressure difference."""

    factor: Annotated[float, Field(ge=0.5, le=1.5)] = 1.0


class OrificeModel(Model):
    """The channel is the pressure difference of an orifice plate."""

    bore_mm: Positive
    pipe_mm: Positive
    taps: Literal["corner", "flange", "D and D/2"] = "corner"

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.bore_mm >= self.pipe_mm:
            msg = f"bore_mm {self.bore_mm:g} is not below pipe_mm {self.pipe_mm:g}"
            raise ValueError(msg)
        return self


class AirflowModel(Model):
    """How an airflow is made from a channel of the bench."""

    name: _ChannelName
    title: str | None = None
    channel: _ChannelName = Field(
        description="velocity, airflow, or pressure difference"
    )
    meter: Literal[
        "vane", "thermal", "pitot or orifice", "pitot or orifice with density"
    ] = Field(
        description="vane: turns with the volume; thermal: follows the mass; pitot or orifice: the root of a pressure"
    )
    unit: Literal["m3/s", "m3/h", "L/s", "ft3/min"] = "m3/h"
    diameter_mm: Positive | None = Field(None, description="of a round duct [mm]")
    width_mm: Positive | None = Field(None, description="of a square duct [mm]")
    height_mm: Positive | None = Field(None, description="likewise [mm]")
    area_u_percent: NotNegative = Field(
        0.0, description="standard uncertainty of the duct's area [%]"
    )
    profile_factor: Annotated[float, Field(gt=0, le=1.5)] = Field(
        1.0, description="mean velocity over the duct by the one measured"
    )
    profile_factor_u: NotNegative = Field(0.0, description="standard uncertainty")
    calibrated_at_kg_per_m3: Annotated[float, Field(ge=0.8, le=1.5)] = Field(
        1.2, description="density that the meter takes the air to have"
    )
    pitot: PitotModel | None = None
    orifice: OrificeModel | None = None
    pressure_channel: _ChannelName | None = Field(
        None, description="static pressure at the same plane, for the air power"
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        sides = (self.width_mm, self.height_mm)
        if self.diameter_mm is not None and sides != (None, None):
            msg = "diameter_mm and width_mm, height_mm state the same, expected one of them"
            raise ValueError(msg)
        if sides.count(None) == 1:
            msg = "width_mm and height_mm belong together, expected both"
            raise ValueError(msg)
        if self.pitot is not None and self.orifice is not None:
            msg = "pitot and orifice, expected one of them"
            raise ValueError(msg)
        return self

    @property
    def area_m2(self) -> float | None:
        """Area of the duct [m²]; None where it is not stated."""
        if self.diameter_mm is not None:
            return math.pi / 4.0 * (self.diameter_mm / 1000.0) ** 2
        if self.width_mm is not None and self.height_mm is not None:
            return self.width_mm * self.height_mm / 1e6
        return None


class SurroundingsModel(BaseModel):
    """What a stored bench file says of its surroundings; the rest was checked when it was new."""

    model_config = ConfigDict(extra="ignore", strict=True)

    air: AirModel | None = None
    airflow: list[AirflowModel] = []


def surroundings_of(air: AirModel | None, airflow: list[AirflowModel]) -> Surroundings:
    """Air and airflows of a bench."""
    return Surroundings(
        air=_air(air) if air else None,
        airflows=tuple(_airflow(each) for each in airflow),
    )


def parse_stored_surroundings(text: str, *, session: int) -> Surroundings:
    """Surroundings by the bench file that a session was carried out with.

    Raises:
        ConfigurationError: If this version cannot read it.
    """
    source = Source(f"bench of session {session}", text)
    model = validated(SurroundingsModel, source, text)
    return surroundings_of(model.air, model.airflow)


def _air(model: AirModel) -> Air:
    kind = model.pressure_kind
    return Air(
        **model.model_dump(exclude={"pressure_kind", *_AIR_CHANNELS}),
        pressure_kind=PressureKind(kind) if kind else None,
        temperature_channel=model.temperature_channel or "",
        pressure_channel=model.pressure_channel or "",
        humidity_channel=model.humidity_channel or "",
    )


def surroundings_faults(
    source: Source,
    air: AirModel | None,
    airflow: list[AirflowModel],
    channels: tuple[Channel, ...],
) -> list[Fault]:
    """What only the bench's channels tell of these tables."""
    by_name = {c.name: c for c in channels}
    faults = [
        source.fault(("air", key), problem)
        for key, quantity in _AIR_CHANNELS.items()
        if air and (problem := _misfit(getattr(air, key), by_name, (quantity,)))
    ]
    names = [model.name for model in airflow]
    for index, model in enumerate(airflow):
        if names.index(model.name) != index:
            problem = f"two airflows of the name {model.name!r}, expected one of each"
            faults.append(source.fault(("airflow", index, "name"), problem))
        faults += [
            source.fault(("airflow", index, key), problem)
            for key, problem in _airflow_problems(model, by_name)
        ]
    return faults


_AIR_CHANNELS = {
    "temperature_channel": "temperature",
    "pressure_channel": "pressure",
    "humidity_channel": "humidity",
}


_DERIVED = frozenset({*ELECTRICAL_NAMES, "air_power", "efficiency"})
"""What is derived besides airflows, by the names it has."""


def _misfit(
    name: str | None, channels: Mapping[str, Channel], quantities: tuple[str, ...]
) -> str | None:
    if name is None:
        return None
    fitting = [c.name for c in channels.values() if c.quantity in quantities]
    wanted = " or ".join(quantities)
    expected = (
        f"expected one of {', '.join(fitting)}" if fitting else f"and none of {wanted}"
    )
    if name not in channels:
        return f"the bench has no channel {name!r}, {expected}"
    if name not in fitting:
        return f"{name!r} is a channel of {channels[name].quantity}, {expected}"
    return None


def _airflow_problems(
    model: AirflowModel, channels: Mapping[str, Channel]
) -> Iterator[tuple[str, str]]:
    if model.name in channels or model.name in _DERIVED:
        yield "name", f"{model.name!r} is taken already, expected another name"
    if problem := _misfit(model.channel, channels, ("velocity", "airflow", "pressure")):
        yield "channel", problem
        return
    if problem := _misfit(model.pressure_channel, channels, ("pressure",)):
        yield "pressure_channel", problem
    quantity = channels[model.channel].quantity
    if quantity == "pressure" and model.pitot is None and model.orifice is None:
        yield (
            "channel",
            "made from a pressure difference, expected a table pitot or orifice",
        )
    needs_area = quantity == "velocity" or model.pitot is not None
    if needs_area and model.area_m2 is None:
        yield (
            "channel",
            "made from a velocity, expected diameter_mm, or width_mm and height_mm, of the duct",
        )


def _airflow(model: AirflowModel) -> Airflow:
    return Airflow(
        name=model.name,
        title=model.title or model.name.replace("_", " ").capitalize(),
        channel=model.channel,
        meter=AirMeterKind(model.meter),
        unit=model.unit,
        area_m2=model.area_m2,
        area_u_percent=model.area_u_percent,
        profile_factor=model.profile_factor,
        profile_factor_u=model.profile_factor_u,
        calibrated_at_kg_per_m3=model.calibrated_at_kg_per_m3,
        pitot=Pitot(model.pitot.factor) if model.pitot else None,
        orifice=Orifice(**model.orifice.model_dump()) if model.orifice else None,
        pressure_channel=model.pressure_channel or "",
    )
