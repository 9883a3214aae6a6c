"""The bench file: which meters, where, on which lines, and what is made from their channels."""

from collections.abc import Iterator, Sequence

from daq.starting_files.meters import (
    Kind,
    MeterByEye,
    PlacedMeter,
    WantedChannel,
    is_place_guessed,
    is_placeholder,
    place_by_eye,
)
from daq.starting_files.strings import toml_string

_HEAD = """\
# Bench: which meters there are, how they are wired, where results are kept.
# Lines with CHANGE want your eye first; `daq check` tells what is still wrong, with its line.
format = 1
name = {name}
store = "bench.db"              # results, in a file beside this one

[page]
port = 8765                     # of the live page, on this computer only; 0 takes a free one
"""
_INSTRUMENT = """\

# {title}
[[instrument]]
name = {name}
profile = {profile}
{profile_comment}port = {port}
{port_comment}{unit}place = {place}
{more}"""
_PROFILE_COMMENT = """\
# How it talks and how accurate it is. CHANGE if this is not your meter: the name of another shipped profile, or a file of
# yours beside this one ("my-meter.toml").
"""
_UNIT = """\
unit = {unit}                        # CHANGE: its unit (address) by its menu; meters on one line need different ones
"""
_MORE = """\
# Where it measures: "supply end" or "machine end" of the lead, "outlet", "duct", "room".
# interval_s = 1.0              # time between two readings; the profile's pace if absent
# baud = 9600                   # and parity, data_bits, stop_bits: where its menu says other than its profile; the same at
#                               # every meter of one line

# Of what the meter reports, these are kept, each under a name that the plan uses. Drop a table that you do not need.
"""
_PLACEHOLDER_COMMENT = """\
# CHANGE: a placeholder, for no adapter was found for it. Plug it in; `daq ports` prints the line to write here.
"""
_PORT_COMMENT = """\
# CHANGE if it is the other adapter: they were given out in their order. `daq ports --which` tells which is which.
"""
_CHANNEL = """\

[[instrument.channel]]
field = {field}
name = {name}
"""
_COMMENT_COLUMN = 32
_AIRFLOW_COMMENT = """\

# From velocity to airflow: velocity times the area of the duct where the meter sits.
"""
_AIRFLOW = """\
[[airflow]]
name = "airflow"
channel = {channel}
{meter}# CHANGE if it is not so: "vane" turns with the volume, "thermal" (a heated sensor) follows the mass
unit = "m3/h"                   # or "m3/s", "L/s", "ft3/min"
{diameter}# {diameter_comment}
# profile_factor = 0.82         # mean velocity over the duct by the one measured, where the meter sits in its middle
"""
_TYPED = """\

# A meter without a port: take the marks away and CHANGE the lines; you are asked for its readings while a trial averages.
# [[typed]]
# name = "inlet_pressure"
# quantity = "pressure"
# unit = "Pa"
# resolution = 1.0              # the smallest step of its display
# place = "duct"
# accuracy = { percent_of_reading = 1.0, counts = 2 }
"""
_BY_EYE = """\

{comment}[[typed]]
name = {name}
quantity = {quantity}
unit = {unit}
{resolution}# the smallest step of its display
{place}
# accuracy = {{ percent_of_reading = 1.0, counts = 2 }}
"""
_GUESSED_PLACE = (
    '# CHANGE: where it measures: "inlet", "outlet", "duct", "room",'
    ' "supply end" or "machine end" of the lead'
)
_BY_EYE_COMMENT = """\
# A meter without a port: you are asked for its readings while a trial averages. CHANGE `accuracy` to what its data sheet says
# and take the mark away; without it the uncertainty holds the display and the spread only. `title = "…"` may name it.
"""
_AIR = """\

# The air that is moved: take the marks away and CHANGE the figures, then airflow is also told for standard air.
# [air]
# {temperature}
# {humidity}
{pressure}"""
_PRESSURE_CHANNEL = """\
# pressure_channel = {channel}
"""
_PRESSURE = """\
# pressure_hpa = 1006           # with its kind: "station" as a barometer at the bench shows it; "sea level" is what
# pressure_kind = "station"     # weather services and telephones give, and needs altitude_m beside it
# altitude_m = 240              # alone, instead of a barometer: good to about 1.5 %
"""
_BROKER = """\

# A broker of your own, for watching from another computer; without it one runs on this computer while a session does.
# [broker]
# host = "192.168.1.10"
"""


def bench_text(
    name: str,
    meters: Sequence[PlacedMeter],
    *,
    by_eye: Sequence[MeterByEye],
    kind: Kind,
    diameter_mm: float | None,
) -> str:
    """A bench file with comments.

    Args:
        name: Of the bench.
        meters: At least one, placed.
        by_eye: Meters without a port.
        kind: Of the comparison.
        diameter_mm: Inner diameter of a round duct where the air is measured [mm]; None where it is not known.
    """
    parts = [_HEAD.format(name=toml_string(name))]
    for index, placed in enumerate(meters):
        parts += _instrument(placed, is_first=index == 0)
    read = [place_by_eye(meter, kind) for meter in by_eye]
    for index, (meter, channel) in enumerate(zip(by_eye, read, strict=True)):
        parts.append(_by_eye(meter, channel, is_first=index == 0))
    if not read:
        parts.append(_TYPED)
    parts += _air(meters, read, diameter_mm)
    return "".join([*parts, _BROKER])


def _instrument(placed: PlacedMeter, *, is_first: bool) -> Iterator[str]:
    """What its keys are for is told once, at the first."""
    unit = "" if placed.unit is None else _UNIT.format(unit=placed.unit)
    yield _INSTRUMENT.format(
        title=" ".join(placed.meter.title.split()),
        name=toml_string(placed.name),
        profile=toml_string(placed.meter.profile),
        profile_comment=_PROFILE_COMMENT if is_first else "",
        port=toml_string(placed.port.path),
        port_comment=_port_comment(placed),
        unit=unit,
        place=toml_string(placed.place),
        more=_MORE if is_first else "",
    )
    for channel in placed.channels:
        yield _CHANNEL.format(
            field=toml_string(channel.field.name), name=toml_string(channel.name)
        )


def _port_comment(placed: PlacedMeter) -> str:
    if is_placeholder(placed.port.path):
        return _PLACEHOLDER_COMMENT
    caution = " ".join(placed.port.caution.split())
    return _PORT_COMMENT + (f"# Caution: {caution}.\n" if caution else "")


def _by_eye(meter: MeterByEye, channel: WantedChannel, *, is_first: bool) -> str:
    return _BY_EYE.format(
        comment=_BY_EYE_COMMENT if is_first else "",
        name=toml_string(channel.name),
        quantity=toml_string(channel.field.quantity),
        unit=toml_string(meter.unit),
        resolution=f"resolution = {meter.resolution!r}".ljust(_COMMENT_COLUMN),
        place=_by_eye_place(meter, channel),
    )


def _by_eye_place(meter: MeterByEye, channel: WantedChannel) -> str:
    place = f"place = {toml_string(channel.place)}"
    if not is_place_guessed(meter):
        return place
    return f"{place.ljust(_COMMENT_COLUMN)}{_GUESSED_PLACE}"


def _air(
    meters: Sequence[PlacedMeter],
    by_eye: Sequence[WantedChannel],
    diameter_mm: float | None,
) -> Iterator[str]:
    sources = [(placed.meter.title, placed.channels) for placed in meters]
    sources += [(channel.name, (channel,)) for channel in by_eye]
    velocity = next(
        (
            (title, own, channel)
            for title, own in sources
            for channel in own
            if channel.field.quantity == "velocity"
        ),
        None,
    )
    if velocity is None:
        return
    title, own, channel = velocity
    yield _AIRFLOW_COMMENT
    yield _airflow(title, channel, diameter_mm)
    # The air's own temperature goes before the room's.
    yield _air_table([*own, *(each for _, channels in sources for each in channels)])


def _air_table(channels: Sequence[WantedChannel]) -> str:
    temperature = _named(channels, "temperature")
    humidity = _named(channels, "humidity")
    pressure = _named([c for c in channels if c.place == "room"], "pressure")
    return _AIR.format(
        temperature=f"temperature_channel = {temperature}"
        if temperature
        else "temperature_c = 21          # or temperature_channel, where a meter measures it",
        humidity=f"humidity_channel = {humidity}"
        if humidity
        else "humidity_percent = 45",
        pressure=_PRESSURE_CHANNEL.format(channel=pressure) if pressure else _PRESSURE,
    )


def _named(channels: Sequence[WantedChannel], quantity: str) -> str:
    """Name of the first channel of a quantity, as TOML; empty where there is none."""
    return next(
        (toml_string(c.name) for c in channels if c.field.quantity == quantity), ""
    )


def _airflow(title: str, channel: WantedChannel, diameter_mm: float | None) -> str:
    meter = "vane" if "vane" in title.casefold() else "thermal"
    is_known = diameter_mm is not None
    text = _AIRFLOW.format(
        channel=toml_string(channel.name),
        meter=f"meter = {toml_string(meter)}".ljust(_COMMENT_COLUMN),
        diameter=f"diameter_mm = {diameter_mm or 100.0:g}".ljust(_COMMENT_COLUMN),
        diameter_comment="inner; width_mm and height_mm where it is square"
        if is_known
        else "CHANGE: measure it, and take the marks away; width_mm and height_mm where it is square",
    )
    return text if is_known else "".join(map(_marked, text.splitlines()))


def _marked(line: str) -> str:
    """A line as a comment; what follows the key stays in its column."""
    return f"{line}\n" if line.startswith("#") else f"# {line.replace('  #', '#', 1)}\n"
