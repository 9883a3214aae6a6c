"""Bench and profiles into instruments and channels."""

import difflib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from daq.comparison.rules import Surroundings
from daq.config.accuracy import accuracy_of
from daq.config.faults import Source, too_many_faults, unprintable_faults
from daq.config.models import (
    BenchModel,
    BrokerModel,
    ChannelModel,
    FieldModel,
    InstrumentModel,
    Profile,
)
from daq.config.protocols import make_protocol
from daq.config.serving import IdleModel, PageModel
from daq.config.sound import judged, refusal
from daq.config.surroundings import surroundings_faults, surroundings_of
from daq.config.typed import TypedMeter, typed_meter, typed_name_faults
from daq.errors import ConfigurationError, Fault
from daq.framing import character_time_s, modbus_silence_s
from daq.protocols import WireProtocol
from daq.records import Channel

FindProfile = Callable[[str], tuple[str, str] | None]
"""Takes the name written in the bench; gives file name and text, or None."""

_ZERO_WHEN_OFF = ("airflow", "velocity", "pressure")
"""Quantities that are zero with the machine off; a current or a power may be a standby load, which is real."""

_SILENT_INTERVALS = 4.0
_LEAST_SILENCE_S = 0.5


@dataclass(frozen=True, slots=True)
class PortSettings:
    """One serial line, or a socket that stands for one.

    Attributes:
        url: Device path, `socket://host:port` or `rfc2217://host:port`.
        baud: [1/s].
        data_bits, parity, stop_bits: Of a character.
    """

    url: str
    baud: int
    data_bits: int
    parity: str
    stop_bits: int

    @property
    def char_bits(self) -> float:
        """Bits that one character takes on the line, start bit included [1]."""
        return 1 + self.data_bits + (self.parity != "none") + self.stop_bits

    @property
    def char_s(self) -> float:
        """Time of one character [s of real time]."""
        return character_time_s(
            self.baud, self.data_bits, self.parity[0].upper(), self.stop_bits
        )


@dataclass(frozen=True, slots=True)
class Instrument:
    """One instrument, ready to be polled.

    Attributes:
        name: On the bench.
        title: Of its profile.
        port: Where it is.
        unit: Address on a line that several share (the Modbus unit), or None.
        interval_s: Between polls, or between the lines that it sends [s].
        lag_s: How old a value is when it is sent [s].
        worst_reply_s: After a fault the line is drained for so long [s of real time].
        field_names: In the order of its readings' values.
        channels: Those of its fields that the bench wants.
    """

    name: str
    title: str
    port: PortSettings
    unit: int | None
    interval_s: float
    lag_s: float
    worst_reply_s: float
    field_names: tuple[str, ...]
    channels: tuple[Channel, ...]
    profile: Profile

    @property
    def is_streamed(self) -> bool:
        """Whether it talks by itself."""
        return self.profile.wire.is_streamed

    @property
    def silence_before_s(self) -> float:
        """Silence to keep on the line before each request [s of real time]."""
        if self.profile.wire.protocol != "modbus-rtu":
            return 0.0
        return modbus_silence_s(self.port.baud, self.port.char_bits)

    def make_protocol(self, *, speed: float) -> WireProtocol:
        """A fresh conversation with this instrument.

        Args:
            speed: Bench seconds a real second [1]; only what the instrument does by itself scales with it.
        """
        stated_s = getattr(self.profile.wire, "silence_s", None)
        silence_s = stated_s or _SILENT_INTERVALS * self.interval_s
        return make_protocol(
            self.profile,
            instrument=self.name,
            unit=self.unit or 1,
            char_s=self.port.char_s,
            silence_s=max(silence_s / speed, _LEAST_SILENCE_S),
        )


@dataclass(frozen=True, slots=True)
class Bench:
    """What a bench file says, resolved.

    Attributes:
        name: Of the bench.
        text: The file as it was.
        store: Results file as written.
        page: Ports, and the certificate of a shared page.
        idle: What is kept of readings between sessions.
        broker: As written, or None for the embedded one.
        instruments: In the file's order.
        surroundings: Air of the room, and how airflows are made from channels.
        typed: Meters without a port, in the file's order.
    """

    name: str
    text: str
    store: str
    page: PageModel
    idle: IdleModel
    broker: BrokerModel | None
    instruments: tuple[Instrument, ...]
    surroundings: Surroundings
    typed: tuple[TypedMeter, ...] = ()

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Of all instruments in the file's order, then those that are typed."""
        polled = (
            channel
            for instrument in self.instruments
            for channel in instrument.channels
        )
        return (*polled, *(meter.channel for meter in self.typed))

    def channels_by_instrument(self) -> Mapping[str, tuple[Channel, ...]]:
        """Channels under their instrument's name; one that is typed is an instrument of its own."""
        polled = {each.name: each.channels for each in self.instruments}
        typed = {each.channel.instrument: (each.channel,) for each in self.typed}
        return {**polled, **typed}


def parse_bench(
    text: str, *, file: str, find_profile: FindProfile, shipped: Sequence[str] = ()
) -> Bench:
    """A bench file and the profiles that it names.

    Args:
        text: TOML of the bench.
        file: Its name, for faults.
        find_profile: Gives a profile's text.
        shipped: Names of the profiles that come with the program.

    Raises:
        ConfigurationError: With every fault of the bench and of its profiles.
    """
    source = Source(file, text)
    written = judged(BenchModel, source, text)
    model = written.model
    if model is None:
        raise refusal(written.faults, is_all=False)
    faults = unprintable_faults(source, text)
    instruments = _instruments(source, model, find_profile, faults, shipped)
    polled = tuple(c for i in instruments for c in i.channels)
    typed = tuple(typed_meter(item) for item in model.typed)
    faults += typed_name_faults(source, typed, polled)
    # Where channels are missing, what is made from them cannot be judged.
    is_all = not (faults and (model.air or model.airflow))
    if not faults:
        channels = (*polled, *(meter.channel for meter in typed))
        faults = surroundings_faults(source, model.air, model.airflow, channels)
    if faults := [*written.faults, *written.elsewhere(faults)]:
        raise refusal(faults, is_all=is_all)
    return Bench(
        model.name,
        text,
        model.store,
        model.page,
        model.idle,
        model.broker,
        instruments,
        surroundings_of(model.air, model.airflow),
        typed,
    )


def named_channels(
    text: str, *, file: str, find_profile: FindProfile
) -> tuple[str, ...] | None:
    """Names of the channels of a bench that has faults, for what can be said of its plan.

    Args:
        text: TOML of the bench.
        file: Its name.
        find_profile: Gives a profile's text.

    Returns:
        None where a fault may hide a channel or its name.
    """
    source = Source(file, text)
    try:
        written = judged(BenchModel, source, text)
    except ConfigurationError:
        return None
    model = written.model
    if model is None or not written.names_all:
        return None
    instruments = _instruments(source, model, find_profile, [])
    if len(instruments) < len(model.instrument):
        return None
    polled = (c.name for i in instruments for c in i.channels)
    # A field that the profile has not makes no channel, and its name is told already.
    named = (c.name for item in model.instrument for c in item.channel)
    typed = (item.name for item in model.typed)
    return tuple(dict.fromkeys([*polled, *named, *typed]))


def _instruments(
    source: Source,
    model: BenchModel,
    find_profile: FindProfile,
    faults: list[Fault],
    shipped: Sequence[str] = (),
) -> tuple[Instrument, ...]:
    """Those whose profiles are in order; what is wrong goes to the faults."""
    profiles = _profiles(source, model, find_profile, faults, shipped)
    faults += _bench_faults(source, model, profiles)
    return tuple(
        _instrument(item, profiles[item.profile])
        for item in model.instrument
        if item.profile in profiles
    )


def parse_profile(text: str, *, file: str) -> Profile:
    """A profile by itself.

    Raises:
        ConfigurationError: With every fault.
    """
    source = Source(file, text)
    written = judged(Profile, source, text)
    profile = written.model
    if profile is None:
        raise refusal(written.faults, is_all=False)
    faults = unprintable_faults(source, text, unless_in=("wire",))
    faults += too_many_faults(source, len(profile.field))
    try:
        # The protocol knows best which fields and patterns it can use.
        _instrument(_lone_instrument(), profile).make_protocol(speed=1.0)
    except ValueError as exc:
        faults.append(source.fault(("wire",), str(exc)))
    if faults := [*written.faults, *written.elsewhere(faults)]:
        raise refusal(faults, is_all=True)
    return profile


def _lone_instrument() -> InstrumentModel:
    return InstrumentModel(name="instrument", profile="profile", port="port")


def _profiles(
    source: Source,
    model: BenchModel,
    find_profile: FindProfile,
    faults: list[Fault],
    shipped: Sequence[str],
) -> dict[str, Profile]:
    """The good ones by name; an absent one is told wherever it is named, the faults of a bad one once."""
    profiles: dict[str, Profile] = {}
    bad: set[str] = set()
    for index, item in enumerate(model.instrument):
        name = item.profile
        if name in profiles or name in bad:
            continue
        found = find_profile(name)
        if found is None:
            listed = f" ({', '.join(shipped)})" if shipped else ""
            close = difflib.get_close_matches(name, shipped, n=1)
            guess = f"; did you mean {close[0]!r}?" if close else ""
            problem = (
                f"no profile {name!r}, expected the name of a shipped profile{listed}"
                f" or a file beside the bench{guess}"
            )
            faults.append(source.fault(("instrument", index, "profile"), problem))
            continue
        try:
            profiles[name] = parse_profile(found[1], file=found[0])
        except ConfigurationError as exc:
            faults.extend(exc.faults)
            bad.add(name)
    return profiles


def _instrument(model: InstrumentModel, profile: Profile) -> Instrument:
    line = profile.line
    interval_s = model.interval_s or profile.refresh_s
    if profile.wire.is_streamed:
        interval_s = profile.refresh_s
    fields = {f.name: (index, f) for index, f in enumerate(profile.field)}
    return Instrument(
        name=model.name,
        title=profile.title,
        port=PortSettings(
            url=model.port,
            baud=model.baud or line.baud,
            data_bits=model.data_bits or line.data_bits,
            parity=model.parity or line.parity,
            stop_bits=model.stop_bits or line.stop_bits,
        ),
        unit=model.unit,
        interval_s=interval_s,
        lag_s=profile.lag_s,
        worst_reply_s=getattr(profile.wire, "worst_reply_s", 0.0),
        field_names=tuple(fields),
        channels=tuple(
            _channel(item, model, *fields[item.field], interval_s)
            for item in _wanted(model, profile)
            if item.field in fields
        ),
        profile=profile,
    )


def _wanted(model: InstrumentModel, profile: Profile) -> list[ChannelModel]:
    """The channels that the bench names, or one for every field."""
    return model.channel or [
        ChannelModel(field=f.name, name=f"{_as_channel_name(model.name)}_{f.name}")
        for f in profile.field
    ]


def _as_channel_name(name: str) -> str:
    return name.lower().replace("-", "_")


def _channel(
    item: ChannelModel,
    instrument: InstrumentModel,
    index: int,
    field: FieldModel,
    interval_s: float,
) -> Channel:
    return Channel(
        name=item.name,
        title=item.title or item.name.replace("_", " ").capitalize(),
        quantity=field.quantity,
        unit=field.unit,
        place=item.place if item.place is not None else instrument.place,
        instrument=instrument.name,
        field_index=index,
        accuracy=accuracy_of(
            field.accuracy,
            resolution=field.resolution,
            full_scale=field.full_scale or 0.0,
        ),
        interval_s=interval_s,
        subtract_idle=item.subtract_idle,
    )


def _bench_faults(
    source: Source, model: BenchModel, profiles: Mapping[str, Profile]
) -> list[Fault]:
    faults: list[Fault] = []
    seen_instruments: set[str] = set()
    seen_channels: dict[str, str] = {}
    lines: dict[str, tuple[InstrumentModel, PortSettings, str]] = {}
    units: dict[tuple[str, int], str] = {}
    for index, item in enumerate(model.instrument):
        path = ("instrument", index)
        if item.name in seen_instruments:
            faults.append(
                source.fault(
                    (*path, "name"), f"two instruments are named {item.name!r}"
                )
            )
        seen_instruments.add(item.name)
        profile = profiles.get(item.profile)
        if profile is None:
            continue
        faults += _channel_faults(source, index, item, profile, seen_channels)
        faults += _line_faults(source, index, item, profile, lines)
        faults += _unit_faults(source, index, item, units)
    return faults


def _channel_faults(
    source: Source,
    index: int,
    item: InstrumentModel,
    profile: Profile,
    seen: dict[str, str],
) -> list[Fault]:
    faults = []
    names = [field.name for field in profile.field]
    quantities = {field.name: field.quantity for field in profile.field}
    for number, channel in enumerate(_wanted(item, profile)):
        path = ("instrument", index, "channel", number)
        if channel.field not in names:
            known = ", ".join(names)
            problem = f"profile {item.profile!r} has no field {channel.field!r}, expected one of {known}, or drop this table"
            faults.append(source.fault((*path, "field"), problem))
        quantity = quantities.get(channel.field, "")
        if channel.subtract_idle and quantity and quantity not in _ZERO_WHEN_OFF:
            problem = (
                f"a {quantity} need not be zero with the machine off,"
                f" expected it for {', '.join(_ZERO_WHEN_OFF)} only"
            )
            faults.append(source.fault((*path, "subtract_idle"), problem))
        if channel.name in seen:
            problem = f"two channels are named {channel.name!r}, the other is of instrument {seen[channel.name]!r}"
            faults.append(source.fault((*path, "name"), problem))
        seen[channel.name] = item.name
    return faults


def _line_faults(
    source: Source,
    index: int,
    item: InstrumentModel,
    profile: Profile,
    lines: dict[str, tuple[InstrumentModel, PortSettings, str]],
) -> list[Fault]:
    path = ("instrument", index)
    wire = profile.wire
    if fault := _unit_key_fault(source, index, item, profile):
        return [fault]
    settings = _instrument(item, profile).port
    if item.port not in lines:
        lines[item.port] = (item, settings, wire.protocol)
        return []
    other, theirs, protocol = lines[item.port]
    used = f"port {item.port!r} is used by {other.name!r}"
    if item.unit is None or other.unit is None:
        problem = f"{used} too, only meters with units share a line"
    elif protocol != wire.protocol:
        problem = f"{used} with {protocol}, expected the same protocol"
    elif settings != theirs:
        problem = f"line settings differ from those of {other.name!r} on the same port"
    else:
        return []
    return [source.fault((*path, "port"), problem)]


def _unit_key_fault(
    source: Source, index: int, item: InstrumentModel, profile: Profile
) -> Fault | None:
    """An address is needed where several meters can share a line, and nowhere else."""
    path, wire = ("instrument", index), profile.wire
    if wire.needs_unit and item.unit is None:
        expected = "the Modbus unit" if "modbus" in wire.protocol else "the address"
        return source.fault(path, f"unit missing, expected {expected} 1 to 247")
    if wire.needs_unit or item.unit is None:
        return None
    problem = f"{wire.protocol} has no units, expected no such key"
    if wire.protocol == "query-lines":
        problem = "the profile's request has no {unit} in it, expected no such key"
    return source.fault((*path, "unit"), problem)


def _unit_faults(
    source: Source,
    index: int,
    item: InstrumentModel,
    units: dict[tuple[str, int], str],
) -> list[Fault]:
    """One meter under two names would pass for two that agree perfectly."""
    if item.unit is None:
        return []
    other = units.setdefault((item.port, item.unit), item.name)
    if other == item.name:
        return []
    problem = f"unit {item.unit} on port {item.port!r} is {other!r} already, expected another unit"
    return [source.fault(("instrument", index, "unit"), problem)]
