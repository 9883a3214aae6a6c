"""What an operator reads off a display: `voltage=230.4 V`.

The decimals that were typed are the display's step; that is how near a register must come. Decimals may follow a
comma, as they do on many displays; a number with a comma and a point is not guessed at. A unit is never made up: only
what can have none, a power factor, may do without.
"""

import re
from dataclasses import dataclass

from daq.framing import number_from_text
from daq.recognising.unit_words import quantity_hinted_by, typed_unit
from daq.units import UNITS

_SHOWN = re.compile(r"([A-Za-z][A-Za-z0-9_]*) *= *([+-]?[0-9.,]+) *(\S*)")
_AGAIN = re.compile(r"([+-]?[0-9.,]+) *(\S*)")


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
    figure = _with_point(match[2]) if match else ""
    number = number_from_text(figure)
    if match is None or number is None:
        msg = f"{text!r}: expected name, value and unit as the display has them{_one_mark(text)}, like voltage=230.4 V"
        raise ValueError(msg)
    name = match[1].lower()
    unit = typed_unit(match[3]) if match[3] else _unit_of_none(name, match[2])
    if unit is None:
        msg = f"{text!r}: unknown unit {match[3]!r}, expected one of {', '.join(UNITS)}"
        raise ValueError(msg)
    return Shown(name, number, _digit(figure), unit)


def _unit_of_none(name: str, figure: str) -> str:
    """The unit of a value that was typed without one, where that can only be a power factor.

    Raises:
        ValueError: With what to write instead.
    """
    quantity = quantity_hinted_by(name) or name.replace("_", " ")
    if quantity == UNITS["1"].quantity:
        return "1"
    usual = next((s for s, each in UNITS.items() if each.quantity == quantity), "V")
    msg = (
        f"{name}: no unit, write it behind the value as the display has it, like {name}={figure} {usual};"
        " a bare 1 for what has none: power_factor=0.95 1"
    )
    raise ValueError(msg)


def shown_again(before: Shown, text: str) -> Shown:
    """The same quantity at another load, from its number alone or with its unit.

    Raises:
        ValueError: If it is no number.
    """
    match = _AGAIN.fullmatch(text.strip())
    figure = _with_point(match[1]) if match else ""
    number = number_from_text(figure)
    is_same = match is not None and typed_unit(match[2] or before.unit) == before.unit
    if match is None or number is None or not is_same:
        msg = f"{before.name}: {text!r}, expected a number in {before.unit} as the display has it{_one_mark(text)}"
        raise ValueError(msg)
    return Shown(before.name, number, _digit(figure), before.unit)


def _with_point(figure: str) -> str:
    """A figure with its decimal comma as a point; unchanged where the comma could be anything else."""
    is_decimal = figure.count(",") == 1 and "." not in figure
    return figure.replace(",", ".") if is_decimal else figure


def _one_mark(text: str) -> str:
    """What to say of a figure in which a comma may part thousands."""
    return ", with one point or one comma before its decimals" if "," in text else ""


def _digit(number: str) -> float:
    return float(f"1e-{len(number.partition('.')[2])}")
