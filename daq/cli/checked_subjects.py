"""What the items of a bench's list are about: which meters, which channels, and the words that an answer holds for."""

from daq.comparison.rules import Air
from daq.config.bench import Bench, Instrument
from daq.records import Channel

_FLOWS = ("velocity", "airflow")
_KEYS = ("auto-power-off", "hold", "autorange", "units")


def about_instrument(instrument: Instrument) -> str:
    """An instrument at its port; another profile or port is another subject."""
    unit = f", unit {instrument.unit}" if instrument.unit is not None else ""
    return f"{instrument.name} ({instrument.title}) on {instrument.port.url}{unit}"


def about_zero(bench: Bench, channel: Channel) -> str:
    """A channel in its unit, of its meter."""
    meter = about_instrument(instrument_of(bench, channel))
    return f"{channel.name} [{channel.unit}] of {meter}"


def about_air(air: Air | None) -> str:
    """What the bench's file says of air pressure."""
    if air is None:
        return "a bench without [air]"
    kind = f" ({air.pressure_kind.value})" if air.pressure_kind else ""
    return f"pressure_hpa = {air.pressure_hpa}{kind}, altitude_m = {air.altitude_m}"


def instrument_of(bench: Bench, channel: Channel) -> Instrument:
    """The one that a channel is read from."""
    return next(i for i in bench.instruments if i.name == channel.instrument)


def about_every_meter(bench: Bench) -> str:
    """All meters, those that are read by eye too."""
    typed = [f"{meter.channel.name} (typed)" for meter in bench.typed]
    return ", ".join([*map(about_instrument, bench.instruments), *typed])


def _read_by_wire(bench: Bench) -> list[Channel]:
    """Channels that the program itself can read."""
    return [channel for i in bench.instruments for channel in i.channels]


def voltmeter_pairs(bench: Bench) -> list[tuple[Channel, Channel]]:
    """Every voltage at the machine's end, with the first at the supply's end."""
    voltages = [c for c in _read_by_wire(bench) if c.quantity == "voltage"]
    supply = next((c for c in voltages if c.place == "supply end"), None)
    if supply is None:
        return []
    return [(supply, c) for c in voltages if c.place == "machine end"]


def zero_channels(bench: Bench) -> list[Channel]:
    """What must be zero without flow: velocities, airflows, and pressures that an airflow is made from."""
    made_from = {airflow.channel for airflow in bench.surroundings.airflows}
    return [
        c
        for c in _read_by_wire(bench)
        if c.quantity in _FLOWS or c.name in made_from or c.subtract_idle
    ]


def answerable(bench: Bench) -> list[str]:
    """Names of all items of this bench that options can answer."""
    meters = [i.name for i in bench.instruments]
    return [
        *(f"isolation:{name}" for name in meters),
        *_KEYS,
        *(f"pair:{machine.name}" for _, machine in voltmeter_pairs(bench)),
        *(f"zero:{channel.name}" for channel in zero_channels(bench)),
        "air",
        *(f"refresh:{name}" for name in meters),
        "clock",
    ]
