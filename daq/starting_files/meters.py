"""Which meter stands where, on which line, and what its channels are called.

Of two electrical meters the first is taken to sit at the supply's end and the second at the machine's, for between them lies
what a lead costs. A channel is called as its field, with the place in front where two meters would give the same name.
"""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from daq.units import UNITS

_PLACEHOLDER = "/dev/serial/by-id/CHANGE-ME"
_ELECTRICAL = frozenset({"voltage", "current", "power"})
_AIR = frozenset({"velocity", "airflow"})
_OF_THE_ROOM = frozenset({"temperature", "humidity"})
_TAKEN = frozenset(
    {"airflow", "airflow_standard", "air_power", "efficiency"}
    | {"apparent_power", "power_factor", "voltage_drop", "lead_resistance"}
)
"""Names of what is derived from channels."""
_PLACES = {
    "inlet": "inlet",
    "suction": "inlet",
    "outlet": "outlet",
    "duct": "duct",
    "room": "room",
    "ambient": "room",
    "barometer": "room",
    "barometric": "room",
    "supply": "supply end",
    "mains": "supply end",
    "machine": "machine end",
}
"""Where a channel measures, by a word of its name."""


class Kind(StrEnum):
    """What changes from condition to condition."""

    LEADS = "leads"
    FILTERS = "filters"
    HOSES = "hoses"


@dataclass(frozen=True, slots=True)
class MeterField:
    """One quantity that a meter reports."""

    name: str
    quantity: str
    unit: str


@dataclass(frozen=True, slots=True)
class Meter:
    """A meter by its profile.

    Attributes:
        profile: Name of the shipped profile.
        title: Of the profile.
        fields: What it reports.
        is_addressed: Whether several share a line, told apart by a unit number.
    """

    profile: str
    title: str
    fields: tuple[MeterField, ...]
    is_addressed: bool

    @property
    def quantities(self) -> frozenset[str]:
        """What it measures."""
        return frozenset(field.quantity for field in self.fields)


@dataclass(frozen=True, slots=True)
class MeterByEye:
    """A meter without a port, whose readings the operator types.

    Attributes:
        name: Of its channel.
        unit: That it shows.
        resolution: The smallest step of its display [unit].
        place: Where it measures; empty for the usual one.
    """

    name: str
    unit: str
    resolution: float
    place: str = ""


@dataclass(frozen=True, slots=True)
class LoggedChannel:
    """A channel that a column of a meter's own log becomes; the place is empty where nobody said."""

    name: str
    unit: str
    place: str

    @property
    def quantity(self) -> str:
        """What it measures."""
        return UNITS[self.unit].quantity


@dataclass(frozen=True, slots=True)
class OfferedPort:
    """A port that is there; the caution tells what to know about its path, empty if nothing."""

    path: str
    caution: str = ""


@dataclass(frozen=True, slots=True)
class WantedChannel:
    """A channel of the bench."""

    name: str
    field: MeterField
    place: str


@dataclass(frozen=True, slots=True)
class PlacedMeter:
    """A meter with its place, its line and its channels; `unit` is None where the line is its own."""

    meter: Meter
    name: str
    place: str
    port: OfferedPort
    unit: int | None
    channels: tuple[WantedChannel, ...]


def is_placeholder(url: str) -> bool:
    """Whether a port is still what stood there for want of an adapter."""
    return url.startswith(_PLACEHOLDER)


def place_meters(
    meters: Sequence[Meter], kind: Kind, ports: Sequence[OfferedPort]
) -> tuple[PlacedMeter, ...]:
    """Give every meter a place, a line and names.

    Args:
        meters: At least one.
        kind: Of the comparison.
        ports: Those that are there, to be given out in this order.
    """
    places = _places(meters, kind)
    names = _once_each([_instrument_name(p) for p in places], joint="-")
    lines = _lines(meters, ports)
    channels = _channels(meters, places)
    return tuple(
        PlacedMeter(meter, name, place, port, unit, own)
        for meter, name, place, (port, unit), own in zip(
            meters, names, places, lines, channels, strict=True
        )
    )


def names_taken(placed: Sequence[PlacedMeter]) -> frozenset[str]:
    """Names that no further channel may have: of channels, of meters, and of what is derived."""
    channels = {channel.name for each in placed for channel in each.channels}
    return _TAKEN | channels | {each.name for each in placed}


def place_by_eye(meter: MeterByEye, kind: Kind) -> WantedChannel:
    """The channel of a meter without a port: where it is said to measure, else by its name, else where such a thing does."""
    quantity = UNITS[meter.unit].quantity
    place = meter.place or _named_place(meter.name) or _usual_place(quantity, kind)
    return WantedChannel(meter.name, MeterField(meter.name, quantity, meter.unit), place)  # fmt: skip


# ---- places


def is_place_guessed(meter: MeterByEye) -> bool:
    """Whether neither the operator nor the channel's name says where it measures."""
    return not (meter.place or _named_place(meter.name))


def _named_place(name: str) -> str:
    """Where a channel measures by its name; empty where that says nothing, or several things."""
    places = {_PLACES[word] for word in name.split("_") if word in _PLACES}
    return places.pop() if len(places) == 1 else ""


def _usual_place(quantity: str, kind: Kind) -> str:
    if quantity in _ELECTRICAL:
        return "machine end"
    if quantity in _OF_THE_ROOM:
        return "room"
    return "outlet" if kind is Kind.LEADS else "duct"


def _places(meters: Sequence[Meter], kind: Kind) -> list[str]:
    electrical = [i for i, m in enumerate(meters) if m.quantities & _ELECTRICAL]
    ends = ["machine end"]
    if len(electrical) > 1:
        ends = ["supply end", "machine end"]
    by_index = dict(zip(electrical, ends, strict=False))
    by_index |= dict.fromkeys(electrical[len(ends) :], "")
    return [by_index.get(i, _other_place(m, kind)) for i, m in enumerate(meters)]


def _other_place(meter: Meter, kind: Kind) -> str:
    quantities = meter.quantities
    is_room = "humidity" in quantities or quantities == {"temperature"}
    if is_room and not quantities & _AIR:
        return "room"
    return "outlet" if kind is Kind.LEADS else "duct"


def _instrument_name(place: str) -> str:
    return f"meter-{place.replace(' ', '-')}" if place else "meter"


def _once_each(names: Sequence[str], *, joint: str) -> list[str]:
    """The same names, numbered from the second of a kind on."""
    given: list[str] = []
    for name in names:
        number, tried = 2, name
        while tried in given:
            tried, number = f"{name}{joint}{number}", number + 1
        given.append(tried)
    return given


# ---- lines


def _lines(
    meters: Sequence[Meter], ports: Sequence[OfferedPort]
) -> list[tuple[OfferedPort, int | None]]:
    """A line for every meter; where there are too few, addressed ones of one profile share."""
    shares = len(ports) < len(meters)
    offered = _offered(ports)
    shared: dict[str, OfferedPort] = {}
    units: Counter[str] = Counter()
    lines: list[tuple[OfferedPort, int | None]] = []
    for meter in meters:
        if not meter.is_addressed:
            lines.append((next(offered), None))
            continue
        if not shares or meter.profile not in shared:
            shared[meter.profile] = next(offered)
        port = shared[meter.profile]
        units[port.path] += 1
        lines.append((port, units[port.path]))
    return lines


def _offered(ports: Sequence[OfferedPort]) -> Iterator[OfferedPort]:
    """Those that are there, then as many placeholders as it takes."""
    yield from ports
    number = 0
    while True:
        number += 1
        yield OfferedPort(f"{_PLACEHOLDER}-{number}")


# ---- channels


def _channels(
    meters: Sequence[Meter], places: Sequence[str]
) -> list[tuple[WantedChannel, ...]]:
    wanted = [
        _wanted(m, place, meters) for m, place in zip(meters, places, strict=True)
    ]
    counts = Counter(field.name for fields in wanted for field in fields)
    flat = [
        (field, place)
        for fields, place in zip(wanted, places, strict=True)
        for field in fields
    ]
    plain = [
        field.name
        if counts[field.name] == 1 and field.name not in _TAKEN
        else f"{_before(place)}_{field.name}"
        for field, place in flat
    ]
    names = iter(_once_each(plain, joint="_"))
    return [
        tuple(WantedChannel(next(names), field, place) for field in fields)
        for fields, place in zip(wanted, places, strict=True)
    ]


def _wanted(
    meter: Meter, place: str, meters: Sequence[Meter]
) -> tuple[MeterField, ...]:
    """At the supply's end the voltage alone: current and power are those at the machine's."""
    voltages = tuple(f for f in meter.fields if f.quantity == "voltage")
    machine = [m for m in meters if m.quantities & _ELECTRICAL][1:2]
    if place == "supply end" and voltages and machine[0].quantities >= {"current"}:
        return voltages
    return meter.fields


def _before(place: str) -> str:
    return place.split(" ")[0] if place else "meter"
