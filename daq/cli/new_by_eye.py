"""Meters without a port as `daq new` is told of them: name of the channel, unit, smallest step of the display, place."""

import math
import re
from collections.abc import Collection, Iterator, Sequence

from daq.printable import is_shown_as_it_is
from daq.starting_files import MeterByEye
from daq.starting_files.strings import toml_string
from daq.units import unit_of

_NAME = re.compile(r"[a-z][a-z0-9_]*", re.ASCII)
_LONGEST = 60
_MOST = 8


def read_by_eye(texts: Sequence[str], taken: Collection[str]) -> tuple[MeterByEye, ...]:
    """Meters as they were typed, one a text.

    Args:
        texts: Like inlet_pressure:Pa:1 or inlet_pressure:Pa:1:duct.
        taken: Names that channels and meters have already.

    Raises:
        ValueError: With what was expected.
    """
    if len(texts) > _MOST:
        msg = f"got {len(texts)} meters without a port, expected at most {_MOST}: nobody can read more in time"
        raise ValueError(msg)
    return tuple(_each_once(texts, taken))


def _each_once(texts: Sequence[str], taken: Collection[str]) -> Iterator[MeterByEye]:
    names = set(taken)
    for text in texts:
        meter = _meter(text)
        if meter.name in names:
            msg = f"{meter.name!r} is there already, expected another name, like read_{meter.name}"
            raise ValueError(msg)
        names.add(meter.name)
        yield meter


def _meter(text: str) -> MeterByEye:
    parts = [part.strip() for part in text.split(":")]
    if len(parts) not in {3, 4}:
        msg = f"got {text!r}, expected name, unit and smallest step of the display with colons between, like inlet_pressure:Pa:1"
        raise ValueError(msg)
    name, unit, step, *place = parts
    if not _NAME.fullmatch(name) or len(name) > _LONGEST:
        msg = f"got the name {name[:_LONGEST]!r}, expected small letters, digits and _, a letter first, like inlet_pressure"
        raise ValueError(msg)
    return MeterByEye(name, unit_of(unit).symbol, _step(step), _place(place))


def _step(text: str) -> float:
    """The smallest step of a display [its unit]."""
    try:
        step = float(text.replace(",", "."))
    except ValueError:
        step = math.nan
    if not 1e-6 <= step <= 1e6:
        msg = f"got the step {text!r}, expected the smallest step of the display, like 1 or 0.1"
        raise ValueError(msg)
    return step


def _place(parts: Sequence[str]) -> str:
    place = parts[0] if parts else ""
    toml_string(place)
    if len(place) > _LONGEST or not is_shown_as_it_is(place):
        msg = f"got the place {place[:_LONGEST]!r}, expected a short one like duct, outlet or room"
        raise ValueError(msg)
    return place
