"""Quantities as people type them: "2.5mm2", "2.5 mm²", "40m", "100ft", "9.5A", "230 V", "20C", "68F".

Gives figures in the units of the core and refuses what could be read in two ways: a length or a temperature without its
unit, an area that may be a gauge, a comma that may be a decimal point. Every function raises ValueError with a text
that says what it got and what it expected, fit for a command line as for a configuration file.
"""

import math
import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TypeVar

from daq.physics.conductors import (
    LARGEST_MM2,
    SMALLEST_MM2,
    THICKEST_AWG,
    THINNEST_AWG,
)

_T = TypeVar("_T")
_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)"
_ENTERED = re.compile(rf"({_NUMBER})\s*(.*)")
_FOOT_M = 0.3048
_MINUS_SIGN = "\N{MINUS SIGN}"


@dataclass(frozen=True, slots=True)
class _Kind:
    """How one kind of quantity is typed.

    A value becomes `value * factor + offset`. The unit "" stands for a bare number where that leaves no doubt.
    """

    expected: str
    least: float
    most: float
    unit: str
    factors: Mapping[str, tuple[float, float]]


def _factors(factor: float, *units: str) -> dict[str, tuple[float, float]]:
    return dict.fromkeys(units, (factor, 0.0))


_AREA = _Kind(
    "a conductor's area with its unit, like 2.5mm2",
    SMALLEST_MM2,
    LARGEST_MM2,
    "mm²",
    _factors(1.0, "mm2", "mm^2"),
)
_LENGTH = _Kind(
    "a length with its unit, like 25m or 100ft",
    0.1,
    1000.0,
    "m",
    _factors(1.0, "m", "metre", "metres", "meter", "meters")
    | _factors(_FOOT_M, "ft", "foot", "feet"),
)
_CURRENT = _Kind(
    "a current, like 9.5A",
    0.001,
    200.0,
    "A",
    _factors(1.0, "", "a", "amp", "amps") | _factors(1e-3, "ma"),
)
_VOLTAGE = _Kind(
    "a voltage, like 230V", 1.0, 1000.0, "V", _factors(1.0, "", "v", "volt", "volts")
)
_TEMPERATURE = _Kind(
    "a temperature with its unit, like 20C or 68F",
    -40.0,
    120.0,
    "°C",
    _factors(1.0, "c", "°c", "cel", "degc")
    | dict.fromkeys(("f", "°f", "degf"), (5.0 / 9.0, -160.0 / 9.0)),
)
_POWER_FACTOR = _Kind("a power factor, like 0.95", 0.01, 1.0, "", _factors(1.0, ""))


def parse_area_mm2(text: str) -> float:
    """A conductor's area [mm²]."""
    return _parse(text, _AREA)


def parse_length_m(text: str) -> float:
    """A length [m], typed in metres or feet."""
    return _parse(text, _LENGTH)


def parse_current_a(text: str) -> float:
    """A current [A]."""
    return _parse(text, _CURRENT)


def parse_voltage_v(text: str) -> float:
    """A voltage [V]."""
    return _parse(text, _VOLTAGE)


def parse_temperature_c(text: str) -> float:
    """A temperature [°C], typed in degrees Celsius or Fahrenheit."""
    return _parse(text, _TEMPERATURE)


def parse_power_factor(text: str) -> float:
    """A power factor [1]."""
    return _parse(text, _POWER_FACTOR)


def parse_gauge(text: str) -> int:
    """A wire gauge [AWG]: "12", "12AWG", "AWG 12"."""
    bare = _plain(text).removesuffix("awg").removeprefix("awg").strip()
    if re.fullmatch(r"\d{1,2}", bare):
        gauge = int(bare)
        if THICKEST_AWG <= gauge <= THINNEST_AWG:
            return gauge
    msg = f"got {text.strip()!r}, expected a whole wire gauge from {THICKEST_AWG} to {THINNEST_AWG}, like 12"
    raise ValueError(msg)


def parse_several(text: str, parse: Callable[[str], _T]) -> tuple[_T, ...]:
    """Several of a kind, parted by commas.

    A comma never is a decimal point here; "1,5mm2" fails because its 1 has no unit, and the text says so.
    """
    parts = [part.strip() for part in text.split(",")]
    try:
        return tuple(parse(part) for part in parts)
    except ValueError as exc:
        if len(parts) == 1:
            raise
        msg = f"{exc}; commas part the entries of a list, decimals take a point"
        raise ValueError(msg) from exc


def _parse(text: str, kind: _Kind) -> float:
    found = _ENTERED.fullmatch(_plain(text))
    if not found or found[2] not in kind.factors:
        point = "; decimals take a point" if "," in text else ""
        msg = f"got {text.strip()!r}, expected {kind.expected}{point}"
        raise ValueError(msg)
    factor, offset = kind.factors[found[2]]
    value = float(found[1]) * factor + offset
    # A hair wider: what was typed in feet or Fahrenheit may miss a bound by rounding alone.
    margin = 1e-9 * max(abs(kind.least), abs(kind.most))
    if not (
        math.isfinite(value) and kind.least - margin <= value <= kind.most + margin
    ):
        bounds = f"{kind.least:g} to {kind.most:g} {kind.unit}".rstrip()
        msg = f"got {text.strip()!r}, expected {bounds}"
        raise ValueError(msg)
    return value


def _plain(text: str) -> str:
    """One spelling of what looks alike: superscripts, degree signs, minus signs, capitals."""
    alike = unicodedata.normalize("NFKC", text).replace(_MINUS_SIGN, "-")
    return alike.casefold().strip()
