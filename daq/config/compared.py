"""The plan's tables on nameplate, leads, prices, circuit and comparison, and what they become."""

import difflib
from collections.abc import Iterator, Sequence
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from daq.comparison.rules import (
    ELECTRICAL_NAMES,
    Circuit,
    ComparisonRules,
    ConditionFacts,
    LeadFacts,
    Nameplate,
    PlanFacts,
    Surroundings,
)
from daq.comparison.spread import StatedSpread
from daq.comparison.systematic import COMMON_SHARE
from daq.config.checked import Model, NotNegative, Positive
from daq.config.faults import Source
from daq.config.toml_lines import Path
from daq.errors import Fault
from daq.records import Channel
from daq.units import UNITS

_FOOT_M = 0.3048
_AIRFLOW_UNITS = tuple(u.symbol for u in UNITS.values() if u.quantity == "airflow")


class NameplateModel(Model):
    """What the maker rates the machine at; the baseline is held against it."""

    voltage_v: Positive | None = Field(None, description="rated voltage [V]")
    current_a: Positive | None = Field(None, description="rated current [A]")
    power_w: Positive | None = Field(None, description="rated input power [W]")
    airflow: Positive | None = Field(None, description="rated airflow [airflow_unit]")
    airflow_unit: str | None = Field(
        None, json_schema_extra={"enum": [*_AIRFLOW_UNITS, None]}
    )
    tolerance_percent: NotNegative = Field(
        0.0, description="a rating counts as met within it [%]"
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.airflow is None) != (self.airflow_unit is None):
            msg = "airflow and airflow_unit belong together, expected both or none"
            raise ValueError(msg)
        if self.airflow_unit is not None and self.airflow_unit not in _AIRFLOW_UNITS:
            msg = f"airflow_unit {self.airflow_unit!r}, expected one of {', '.join(_AIRFLOW_UNITS)}"
            raise ValueError(msg)
        return self


class LeadModel(Model):
    """The supply lead of a condition, as its jacket has it."""

    area_mm2: Annotated[float, Field(gt=0, le=50)] | None = Field(
        None, description="conductor's nominal area [mm²]"
    )
    awg: Annotated[int, Field(ge=0, le=30)] | None = Field(
        None, description="conductor's size by AWG, instead of area_mm2"
    )
    length_m: Annotated[float, Field(gt=0, le=1000)] | None = Field(
        None, description="one way [m]"
    )
    length_ft: Annotated[float, Field(gt=0, le=3300)] | None = Field(
        None, description="one way [ft], instead of length_m"
    )
    conductor: Literal["flexible", "flexible tinned", "solid"] = "flexible"
    rated_current_a: Positive | None = Field(
        None, description="by its jacket or plug [A]"
    )
    loop_ohm: Positive | None = Field(
        None, description="there and back, where it was measured otherwise [ohm]"
    )
    loop_expanded_uncertainty_ohm: NotNegative = Field(
        0.0, description="of loop_ohm, k = 2 [ohm]"
    )
    coiled: bool = Field(
        default=False, description="it lies coiled or on a reel during the trials"
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        for one, other in (("area_mm2", "awg"), ("length_m", "length_ft")):
            if getattr(self, one) is not None and getattr(self, other) is not None:
                msg = f"{one} and {other} state the same, expected one of them"
                raise ValueError(msg)
        sized = self.area_mm2 is not None or self.awg is not None
        long = self.length_m is not None or self.length_ft is not None
        if sized != long:
            msg = "size and length belong together, expected area_mm2 or awg with length_m or length_ft"
            raise ValueError(msg)
        if self.loop_expanded_uncertainty_ohm and self.loop_ohm is None:
            msg = "loop_expanded_uncertainty_ohm without loop_ohm, expected both"
            raise ValueError(msg)
        return self


class PricesModel(Model):
    """What the conditions' prices are in."""

    currency: Annotated[str, Field(min_length=1, max_length=12)] = Field(
        description='as it is printed: "EUR"'
    )


class CircuitModel(Model):
    """What the machine is plugged into."""

    rating_a: Positive | None = Field(
        None, description="of the circuit's breaker or fuse [A]"
    )
    plug_rating_a: Positive | None = Field(
        None, description="of plug and socket, the lower of them [A]"
    )
    drop_percent: Annotated[float, Field(gt=0, le=20)] = Field(
        3.0, description="recommended limit of the drop in the lead [%]"
    )


class SpreadModel(Model):
    """Spread between trials of one condition, known from elsewhere."""

    percent: Positive = Field(
        description="standard deviation between trials [% of the baseline's mean]"
    )
    degrees_of_freedom: Annotated[float, Field(ge=1)] = Field(
        description="how well it is known: repeats less conditions"
    )
    source: str = Field(min_length=1, description="where it is from")


class ComparisonModel(Model):
    """How the session is compared; stated before it is carried out."""

    answer: str | None = Field(
        None,
        description="channel or derived quantity that the answer is about; the airflow if absent",
    )
    bracketing: bool = Field(
        default=False,
        description="take the drift between repeated baselines out of every difference, always",
    )
    common_share: Annotated[float, Field(ge=0, le=1)] = Field(
        COMMON_SHARE,
        description="share of a percent-of-reading error that two trials have in common",
    )
    earlier_sessions: bool = Field(
        default=True,
        description="the spread may come from earlier sessions of the same machine",
    )
    conveying_exponent: Annotated[float, Field(ge=1, le=7)] = 5.0
    detect_percent: Positive | None = Field(
        None, description="size of a difference that matters [% of the baseline]"
    )
    spread: dict[str, SpreadModel] = Field(
        {}, description="by channel or derived quantity"
    )


def plan_facts(
    *,
    nameplate: NameplateModel,
    conditions: tuple[ConditionFacts, ...],
    circuit: CircuitModel,
    comparison: ComparisonModel,
    prices: PricesModel | None,
) -> PlanFacts:
    """What the plan says beyond its trials."""
    return PlanFacts(
        nameplate=Nameplate(
            **nameplate.model_dump(exclude={"airflow_unit"}),
            airflow_unit=nameplate.airflow_unit or "",
        ),
        conditions=conditions,
        circuit=Circuit(**circuit.model_dump()),
        rules=ComparisonRules(
            **comparison.model_dump(exclude={"spread"}),
            spreads={
                name: StatedSpread(**stated.model_dump())
                for name, stated in comparison.spread.items()
            },
            currency=prices.currency if prices else "",
        ),
    )


def lead_facts(lead: LeadModel | None) -> LeadFacts | None:
    """What the plan says of a lead, lengths in metres."""
    if lead is None:
        return None
    length_m = lead.length_m
    if lead.length_ft is not None:
        length_m = lead.length_ft * _FOOT_M
    return LeadFacts(
        **lead.model_dump(exclude={"length_m", "length_ft", "coiled"}),
        length_m=length_m,
        is_coiled=lead.coiled,
    )


def comparison_faults(
    source: Source,
    model: ComparisonModel,
    channels: Sequence[Channel],
    surroundings: Surroundings,
) -> list[Fault]:
    """Names that neither a channel of the bench nor what can be derived from its channels has."""
    known = [c.name for c in channels]
    known += [name for name in _derived(surroundings) if name not in known]
    named: list[tuple[Path, str]] = [
        (("comparison", "spread", name), name) for name in model.spread
    ]
    if model.answer is not None:
        named.insert(0, (("comparison", "answer"), model.answer))
    return [
        source.fault(path, _unknown_quantity(name, known))
        for path, name in named
        if name not in known
    ]


def _derived(surroundings: Surroundings) -> Iterator[str]:
    """Names of all that may be derived; whether it can be, the averages tell."""
    is_first = True
    for airflow in surroundings.airflows:
        yield airflow.name
        if surroundings.air:
            yield f"{airflow.name}_standard"
        if airflow.pressure_channel:
            before = "" if is_first else f"{airflow.name}_"
            yield from (f"{before}air_power", f"{before}efficiency")
            is_first = False
    yield from ELECTRICAL_NAMES


def _unknown_quantity(name: str, known: list[str]) -> str:
    close = difflib.get_close_matches(name, known, n=1)
    hint = (
        f"did you mean {close[0]!r}?"
        if close
        else f"expected one of {', '.join(known)}"
    )
    return f"nothing of the name {name!r} is compared, {hint}"
