"""What the items of a bench's list are about: which meters, which channels, and the words that an answer holds for."""

from dataclasses import dataclass

from daq.checklist.kept import A_QUARTER_S, A_WORKING_DAY_S, FOR_EVER_S, Entry, Kept
from daq.comparison.rules import Air
from daq.config.bench import Bench, Instrument
from daq.records import Channel

_OF_A_LOAD = frozenset({"current", "power", "apparent power"})
_FLOWS = ("velocity", "airflow")
_KEYS = ("auto-power-off", "hold", "autorange", "units")
_CLOCK_ABOUT = "the clock of this computer"


@dataclass(frozen=True, slots=True)
class Subject:
    """What an item is about.

    Attributes:
        about: Word for word; an answer holds for nothing else.
        holds_s: For how long an answer holds [s].
    """

    about: str
    holds_s: float


def check_subjects(bench: Bench) -> dict[str, Subject]:
    """Every item of this bench that options can answer, by name, in the order of the list."""
    keys, day, quarter = about_every_meter(bench), A_WORKING_DAY_S, A_QUARTER_S
    meters = {i.name: about_instrument(i) for i in bench.instruments}
    refreshes = {
        f"refresh:{i.name}": f"{meters[i.name]}, refresh_s = {i.profile.refresh_s:g}"
        for i in bench.instruments
    }
    return {
        **{f"isolation:{n}": Subject(text, FOR_EVER_S) for n, text in meters.items()},
        **dict.fromkeys(_KEYS, Subject(keys, day)),
        **{
            f"pair:{pair[1].name}": Subject(_about_pair(bench, pair), quarter)
            for pair in voltmeter_pairs(bench)
        },
        **{
            f"zero:{c.name}": Subject(_about_zero(bench, c), day)
            for c in zero_channels(bench)
        },
        "air": Subject(_about_air(bench.surroundings.air), day),
        **{name: Subject(text, quarter) for name, text in refreshes.items()},
        "clock": Subject(_CLOCK_ABOUT, day),
    }


def holding_entries(bench: Bench, kept: Kept) -> list[Entry]:
    """What was acknowledged or measured of this bench as it is now, and is not too old."""
    found = (
        kept.find(name, subject.about, holds_s=subject.holds_s)
        for name, subject in check_subjects(bench).items()
    )
    return [entry for entry in found if entry is not None]


# ---- the words


def about_instrument(instrument: Instrument) -> str:
    """An instrument at its port; another profile or port is another subject."""
    unit = f", unit {instrument.unit}" if instrument.unit is not None else ""
    return f"{instrument.name} ({instrument.title}) on {instrument.port.url}{unit}"


def about_every_meter(bench: Bench) -> str:
    """All meters, those that are read by eye too."""
    typed = [_about_typed(meter.channel) for meter in bench.typed]
    return ", ".join([*map(about_instrument, bench.instruments), *typed])


def _about_typed(channel: Channel) -> str:
    return f"{channel.name} (typed)"


def _about_meter(bench: Bench, channel: Channel) -> str:
    if is_typed(bench, channel):
        return _about_typed(channel)
    return about_instrument(instrument_of(bench, channel))


def _about_pair(bench: Bench, pair: tuple[Channel, Channel]) -> str:
    return " and ".join(_about_meter(bench, channel) for channel in pair)


def _about_zero(bench: Bench, channel: Channel) -> str:
    return f"{channel.name} [{channel.unit}] of {_about_meter(bench, channel)}"


def _about_air(air: Air | None) -> str:
    """What the bench's file says of air pressure."""
    if air is None:
        return "a bench without [air]"
    kind = f" ({air.pressure_kind.value})" if air.pressure_kind else ""
    said = {"pressure_hpa": air.pressure_hpa, "altitude_m": air.altitude_m}
    stated = [f"{key} = {value:g}" for key, value in said.items() if value is not None]
    return f"{', '.join(stated) or 'a channel'}{kind}"


# ---- meters and channels


def is_typed(bench: Bench, channel: Channel) -> bool:
    """Whether the operator reads it by eye."""
    return any(meter.channel.name == channel.name for meter in bench.typed)


def instrument_of(bench: Bench, channel: Channel) -> Instrument:
    """The one that a channel is read from."""
    return next(i for i in bench.instruments if i.name == channel.instrument)


def _measured(bench: Bench) -> list[Channel]:
    """Every channel, those that the program itself can read first."""
    by_wire = [channel for i in bench.instruments for channel in i.channels]
    return [*by_wire, *(meter.channel for meter in bench.typed)]


def voltmeter_pairs(bench: Bench) -> list[tuple[Channel, Channel]]:
    """Every voltage at the machine's end, with the first at the supply's end."""
    voltages = [c for c in _measured(bench) if c.quantity == "voltage"]
    supply = next((c for c in voltages if c.place == "supply end"), None)
    if supply is None:
        return []
    return [(supply, c) for c in voltages if c.place == "machine end"]


def load_channels(bench: Bench) -> list[Channel]:
    """What the program itself reads of what runs: currents and powers."""
    return [
        c for i in bench.instruments for c in i.channels if c.quantity in _OF_A_LOAD
    ]


def zero_channels(bench: Bench) -> list[Channel]:
    """What must be zero without flow: velocities, airflows, and pressures that an airflow is made from."""
    made_from = {airflow.channel for airflow in bench.surroundings.airflows}
    return [
        c
        for c in _measured(bench)
        if c.quantity in _FLOWS or c.name in made_from or c.subtract_idle
    ]
