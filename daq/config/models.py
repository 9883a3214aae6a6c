"""What a profile, a bench and a plan may hold.

The models check one file by itself; what needs two files (a plan's channels on its bench) is checked in bench.py and
plan.py. Descriptions go into the JSON Schemas that editors use.
"""

from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from daq.config.accuracy import AccuracyModel
from daq.config.checked import Model, NotNegative, Positive
from daq.config.compared import (
    CircuitModel,
    ComparisonModel,
    LeadModel,
    NameplateModel,
    PricesModel,
)
from daq.config.secrets import PasswordModel
from daq.config.serving import IdleModel, PageModel
from daq.config.surroundings import AirflowModel, AirModel
from daq.config.wires import (
    PLACING_KEYS,
    BitsModel,
    FrameByte,
    HexBytes,
    LineSettings,
    PointModel,
    WireModel,
)
from daq.records import MOST_VALUES
from daq.settling.options import parameter_kinds
from daq.units import QUANTITIES, UNITS, unit_of

Name = Annotated[
    str,
    Field(
        pattern=r"^[A-Za-z][A-Za-z0-9_-]*$",
        max_length=60,
        description="letters, digits, - and _, a letter first",
    ),
]
ChannelName = Annotated[
    str,
    Field(
        pattern=r"^[a-z][a-z0-9_]*$",
        max_length=60,
        description="small letters, digits and _, a letter first",
    ),
]


def _known_quantity(name: str) -> str:
    if name not in QUANTITIES:
        msg = f"unknown quantity {name!r}, expected one of {', '.join(QUANTITIES)}"
        raise ValueError(msg)
    return name


def _known_unit(symbol: str) -> str:
    unit_of(symbol)
    return symbol


def _named_once(names: list[str]) -> list[str]:
    if twice := sorted({name for name in names if names.count(name) > 1}):
        msg = f"named more than once: {', '.join(twice)}"
        raise ValueError(msg)
    return names


Quantity = Annotated[
    str,
    AfterValidator(_known_quantity),
    Field(json_schema_extra={"enum": list(QUANTITIES)}),
]
UnitSymbol = Annotated[
    str, AfterValidator(_known_unit), Field(json_schema_extra={"enum": list(UNITS)})
]


class ShownModel(Model):
    """One quantity as a meter shows it."""

    name: ChannelName
    quantity: Quantity
    unit: UnitSymbol
    resolution: Positive = Field(description="smallest step shown [unit of the field]")
    full_scale: Positive | None = Field(
        None, description="end of the range [unit of the field]"
    )
    low: float | None = Field(None, description="readings below it cannot be true")
    high: float | None = Field(None, description="readings above it cannot be true")
    accuracy: AccuracyModel = Field(default_factory=AccuracyModel)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if UNITS[self.unit].quantity != self.quantity:
            msg = f"unit {self.unit!r} measures {UNITS[self.unit].quantity}, expected a unit of {self.quantity}"
            raise ValueError(msg)
        for share in ("percent_of_range", "linearity_percent"):
            if getattr(self.accuracy, share) and self.full_scale is None:
                msg = f"accuracy.{share} needs full_scale, expected full_scale = end of the range"
                raise ValueError(msg)
        if self.low is not None and self.high is not None and self.low >= self.high:
            msg = f"low {self.low} is not below high {self.high}"
            raise ValueError(msg)
        return self


# ---- profile


class FieldModel(ShownModel):
    """One quantity that the instrument reports."""

    scale: float = Field(1.0, description="value = raw * scale + offset")
    offset: float = 0.0
    address: Annotated[int, Field(ge=0, le=65535)] | None = Field(
        None, description="Modbus: zero-based address"
    )
    function: Literal[3, 4] = 4
    type: Literal[
        "u8", "s8", "u16", "s16", "u24", "s24", "u32", "s32", "f32", "bcd"
    ] = "u16"
    byte_order: Literal["ABCD", "CDAB", "BADC", "DCBA"] = "ABCD"
    position: Annotated[int, Field(ge=0)] | None = Field(
        None, description="query-lines: place in the reply, counted from 0"
    )
    byte: FrameByte | None = Field(
        None, description="fixed-frames: place of its first byte, counted from 0"
    )
    bytes: Annotated[int, Field(ge=1, le=8)] | None = Field(
        None, description="fixed-frames: how many bytes a bcd value has"
    )
    sign: BitsModel | None = Field(
        None, description="fixed-frames: bits that say that it is below zero"
    )
    point: PointModel | None = Field(
        None, description="fixed-frames: where the digits behind the point are told"
    )
    overrange: list[HexBytes] = Field(
        [], description="fixed-frames: bytes that stand for overrange"
    )
    overrange_bits: BitsModel | None = Field(
        None, description="fixed-frames: bits that say that it is out of range"
    )


class Profile(Model):
    """How a kind of instrument talks and what it reports."""

    format: Literal[1]
    title: str = Field(min_length=1)
    refresh_s: Positive = Field(
        description="how often the instrument makes a new value [s]"
    )
    lag_s: NotNegative = Field(
        0.0, description="a value is this old when it is sent [s]"
    )
    line: LineSettings = Field(default_factory=LineSettings)
    wire: WireModel
    field: Annotated[
        list[FieldModel],
        Field(min_length=1, json_schema_extra={"maxItems": MOST_VALUES}),
    ]

    @model_validator(mode="after")
    def _check(self) -> Self:
        names = [f.name for f in self.field]
        if twice := sorted({name for name in names if names.count(name) > 1}):
            msg = f"two fields of one name: {', '.join(twice)}"
            raise ValueError(msg)
        for field in self.field:
            _check_keys(field, self.wire)
        return self


def _check_keys(field: FieldModel, wire: WireModel) -> None:
    """Where a value is to be found, in this protocol's keys and in no other's."""
    protocol, needed = wire.protocol, wire.needed_key
    if needed and getattr(field, needed) is None:
        msg = f"{needed} missing in field {field.name}, expected one for {protocol}"
        raise ValueError(msg)
    foreign = sorted(field.model_fields_set & PLACING_KEYS - set(wire.field_keys))
    if foreign:
        expected = ", ".join(wire.field_keys) or "none of its kind"
        msg = f"{foreign[0]} in field {field.name}, expected {expected} for {protocol}"
        raise ValueError(msg)


# ---- bench


class ChannelModel(Model):
    """One field of the instrument that is wanted, and what it is here."""

    field: ChannelName
    name: ChannelName
    title: str | None = None
    place: str | None = Field(
        None, description="supply end, machine end, duct, outlet, room …"
    )
    subtract_idle: bool = Field(
        default=False,
        description="what it reads with the machine off is its zero: subtract it from each trial's average",
    )


class TypedModel(ShownModel):
    """One quantity on the display of a meter without a port: the operator is asked for its readings, and types them."""

    title: str | None = None
    place: str = Field("", description="supply end, machine end, duct, outlet, room …")

    @model_validator(mode="before")
    @classmethod
    def _refuse_ports(cls, table: object) -> object:
        for key in ("port", "profile", "interval_s", "baud", "channel"):
            if isinstance(table, dict) and key in table:
                msg = f"{key} in a meter that is typed: nothing is read from it by wire, expected no such key, or an [[instrument]]"
                raise ValueError(msg)
        return table


class InstrumentModel(Model):
    """One instrument on one port."""

    name: Name
    profile: str = Field(
        min_length=1, description="name of a shipped profile, or a file ending in .toml"
    )
    port: str = Field(
        min_length=1,
        description="/dev/serial/by-id/…, a path beside this file, socket://host:port or rfc2217://host:port",
    )
    unit: Annotated[int, Field(ge=1, le=247)] | None = Field(
        None, description="address on a line that several share, the Modbus unit"
    )
    interval_s: Positive | None = Field(
        None, description="time between polls [s]; the profile's refresh if absent"
    )
    place: str = ""
    baud: Annotated[int, Field(ge=50, le=4_000_000)] | None = None
    data_bits: Literal[5, 6, 7, 8] | None = None
    parity: Literal["none", "even", "odd", "mark", "space"] | None = None
    stop_bits: Literal[1, 2] | None = None
    channel: list[ChannelModel] = Field([], description="all fields, if absent")

    @model_validator(mode="before")
    @classmethod
    def _refuse_typed(cls, table: object) -> object:
        if isinstance(table, dict) and "typed" in table:
            msg = "typed in an instrument with a port, expected a table [[typed]] of its own for a meter that is read by eye"
            raise ValueError(msg)
        return table


class BrokerModel(PasswordModel):
    """A broker of your own; without this table an embedded one runs on loopback."""

    host: str = Field(min_length=1)
    port: Annotated[int, Field(ge=1, le=65535)] = 1883
    user: str | None = None
    tls: bool = False
    required: bool = Field(
        default=False, description="do not begin a session without it"
    )
    ca_file: str | None = Field(
        None, description="certificates to trust, PEM; the system's if absent"
    )
    operations: Annotated[
        list[Literal["start", "skip", "note"]], AfterValidator(_named_once)
    ] = Field(
        [],
        description="what may be asked for over MQTT by whoever may publish there; nothing if absent",
    )


def _one_by_wire(instruments: list[InstrumentModel]) -> list[InstrumentModel]:
    if not instruments:
        msg = (
            "missing, expected at least one [[instrument]]: a session finds when the machine is on and settled by a meter that is"
            " read over a line, readings that are typed come beside it; where the meters keep logs, use daq import --plan"
        )
        raise ValueError(msg)
    return instruments


class BenchModel(Model):
    """The instruments, how they are wired, where results are kept."""

    format: Literal[1]
    name: Name
    store: str = Field(
        "bench.db", description="results file, beside this file unless absolute"
    )
    page: PageModel = PageModel()
    idle: IdleModel = IdleModel()
    broker: BrokerModel | None = None
    air: AirModel | None = Field(
        None, description="of the room; without it nothing is taken to standard air"
    )
    airflow: list[AirflowModel] = Field(
        [], description="how airflows are made from channels"
    )
    instrument: Annotated[
        list[InstrumentModel],
        AfterValidator(_one_by_wire),
        Field(json_schema_extra={"minItems": 1}),
    ]
    typed: list[TypedModel] = Field(
        [], description="meters without a port, whose readings the operator types"
    )

    @model_validator(mode="before")
    @classmethod
    def _with_instruments(cls, table: object) -> object:
        # None at all is told like an empty list: what a session needs one for.
        return {"instrument": [], **table} if isinstance(table, dict) else table


# ---- plan


class MachineModel(Model):
    """The machine under test."""

    title: str = Field(min_length=1)
    nameplate: NameplateModel = NameplateModel()


class ConditionModel(Model):
    """What is changed for a trial."""

    name: str = Field(min_length=1, max_length=80)
    instruction: str | None = Field(
        None,
        description='what to do, "Fit the fine filter"; made from the name if absent',
    )
    changes: list[Literal["lead", "hose", "filter", "supply voltage", "other"]] = Field(
        [], description="in what it differs from the baseline"
    )
    price: NotNegative | None = Field(
        None, description="what it costs, in [prices] currency"
    )
    lead: LeadModel | None = Field(None, description="its supply lead")


class OrderModel(Model):
    """In which order, how often."""

    kind: Literal["as written", "randomised", "baseline first and last"] = "as written"
    repeats: Annotated[int, Field(ge=1, le=100)] = 1
    seed: int | None = Field(
        None, description="of the shuffle; drawn and stored if absent"
    )


class StartModel(Model):
    """When the machine counts as on; without a channel the operator's key alone tells."""

    channel: ChannelName | None = None
    on_above: float | None = None
    off_below: float | None = None
    least_off_s: NotNegative = 2.0

    @model_validator(mode="after")
    def _check(self) -> Self:
        given = [
            self.channel is not None,
            self.on_above is not None,
            self.off_below is not None,
        ]
        if any(given) and not all(given):
            msg = "channel, on_above and off_below belong together, expected all three or none"
            raise ValueError(msg)
        if (
            self.on_above is not None
            and self.off_below is not None
            and self.off_below > self.on_above
        ):
            msg = f"off_below {self.off_below} is above on_above {self.on_above}, expected it at or below"
            raise ValueError(msg)
        return self


def _without_name_of_old(value: object) -> object:
    """Before there were presets, plans said `rule = "standard"`; it was the only one."""
    return {} if value == "standard" else value


class NormaliseModel(Model):
    """Readings taken to one reference voltage, by a voltage that nothing of what is compared can reach."""

    reference: ChannelName = Field(
        description="voltage channel with place = 'supply end'"
    )
    channels: Annotated[
        list[ChannelName], Field(min_length=1), AfterValidator(_named_once)
    ]
    voltage: Positive = Field(description="the same for the whole session [V]")


class SettlingModel(Model):
    """What a trial waits for."""

    preset: str = Field(
        "standard", description="of the settling rule: how long for how sure an average"
    )
    rule: Annotated[dict[str, Any], BeforeValidator(_without_name_of_old)] = Field(
        {},
        description="single parameters of the rule, by name",
        json_schema_extra={"propertyNames": {"enum": list(parameter_kinds())}},
    )
    required: Annotated[
        list[ChannelName], Field(min_length=1), AfterValidator(_named_once)
    ]
    tolerance: Annotated[float, Field(gt=0, le=0.1)] = Field(
        0.005, description="relative drift that is settled"
    )
    tolerances: dict[ChannelName, Annotated[float, Field(gt=0, le=0.1)]] = Field(
        {}, description="by channel"
    )
    normalise: NormaliseModel | None = Field(
        None, description="nothing is normalised if absent"
    )


class AveragingModel(Model):
    """How long is averaged."""

    least_s: Annotated[float, Field(ge=30)] | None = Field(
        None,
        description="after the provisional declaration [s]; the preset's if absent",
    )
    longest_s: Annotated[float, Field(ge=30)] | None = Field(
        None, description="at most [s]; the preset's if absent"
    )
    target_percent: Positive | None = Field(
        None,
        description="stop at this expanded uncertainty without the instruments' accuracy [% of the mean]",
    )


class LimitModel(Model):
    """A limit that is watched all the time."""

    channel: ChannelName
    above: float | None = None
    below: float | None = None
    for_s: NotNegative = 3.0
    reason: str = Field(
        min_length=1, description='what it protects: "rating of the plug"'
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.above is None and self.below is None:
            msg = "neither above nor below, expected at least one"
            raise ValueError(msg)
        return self


class PlanModel(Model):
    """What is to be compared."""

    format: Literal[1]
    name: Name
    machine: MachineModel
    baseline: str
    condition: Annotated[list[ConditionModel], Field(min_length=1)]
    order: OrderModel = OrderModel()
    start: StartModel = Field(default_factory=StartModel)
    settling: SettlingModel
    averaging: AveragingModel = AveragingModel()
    trial_longest_s: Positive = Field(
        900.0, description="a trial that has not settled by then is given up [s]"
    )
    limit: list[LimitModel] = Field([], description="watched all the time")
    prices: PricesModel | None = None
    circuit: CircuitModel = CircuitModel()
    comparison: ComparisonModel = ComparisonModel()

    @model_validator(mode="after")
    def _check(self) -> Self:
        priced = [c.name for c in self.condition if c.price is not None]
        if priced and self.prices is None:
            msg = f"a price of {priced[0]!r} without a currency, expected a table [prices] with currency"
            raise ValueError(msg)
        return self
