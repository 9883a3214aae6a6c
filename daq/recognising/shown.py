"""What an operator reads off a display: `voltage=230.4 V`.

The decimals that were typed are the display's step; that is how near a register must come.
"""

import re
from dataclasses import dataclass

from daq.framing import number_from_text
from daq.recognising.unit_words import typed_unit
from daq.units import UNITS

_SHOWN = re.compile(r"([A-Za-z][A-Za-z0-9_]*) *= *([+-]?[0-9.]+) *(\S*)")
_AGAIN = re.compile(r"([+-]?[0-9.]+) *(\S*)")


@dataclass(frozen=True, slots=True)
class Shown:
    """One value on the display.

    Attributes:
        name: Of the field to be.
        value: As shown [unit].
        digit: What the last digit is worth [unit].
        unit: This project's symbol.
    """

    name: str
    value: float
    digit: float
    unit: str

    @property
    def digits(self) -> int:
        """How many digits it has without leading zeros [1]."""
        return len(str(round(abs(self.value) / self.digit))) if self.value else 0

    @property
    def quantity(self) -> str:
        """What the unit measures."""
        return UNITS[self.unit].quantity

    def __str__(self) -> str:
        """Value and unit with the display's decimals."""
        decimals = decimals_of_step(self.digit)
        unit = "" if self.unit == "1" else f" {self.unit}"
        return f"{self.value:.{decimals}f}{unit}"


def decimals_of_step(step: float) -> int:
    """Decimals that show this step [1]."""
    return max(0, len(f"{step:.9f}".rstrip("0").partition(".")[2]))


def parse_shown(text: str) -> Shown:
    """A value as the operator types it.

    Raises:
        ValueError: With what to write instead.
    """
    match = _SHOWN.fullmatch(text.strip())
    number = number_from_text(match[2]) if match else None
    if match is None or number is None:
        point = ", with a point and no comma" if "," in text else ""
        msg = f"{text!r}: expected name, value and unit as the display has them{point}, like voltage=230.4 V"
        raise ValueError(msg)
    unit = typed_unit(match[3] or "1")
    if unit is None:
        msg = f"{text!r}: unknown unit {match[3]!r}, expected one of {', '.join(UNITS)}"
        raise ValueError(msg)
    return Shown(match[1].lower(), number, _digit(match[2]), unit)


def shown_again(before: Shown, text: str) -> Shown:
    """The same quantity at another load, from its number alone or with its unit.

    Raises:
        ValueError: If it is no number.
    """
    match = _AGAIN.fullmatch(text.strip())
    number = number_from_text(match[1]) if match else None
    is_same = match is not None and typed_unit(match[2] or before.unit) == before.unit
    if match is None or number is None or not is_same:
        point = ", with a point and no comma" if "," in text else ""
        msg = f"{before.name}: {text!r}, expected a number in {before.unit} as the display has it{point}"
        raise ValueError(msg)
    return Shown(before.name, number, _digit(match[1]), before.unit)


def _digit(number: str) -> float:
    return float(f"1e-{len(number.partition('.')[2])}")
