"""Fields into numbers, and into seconds where they are times.

Every fault is a ValueError that says what was met and what to write instead; where it stands is known elsewhere.
"""

import math
import re
from datetime import datetime
from decimal import Decimal

from daq.delimited.place import quoted

_UNITS: dict[str, tuple[str, float]] = {
    **dict.fromkeys(("ms", "milliseconds"), ("milliseconds", 0.001)),
    **dict.fromkeys(("min", "minutes"), ("minutes", 60.0)),
    **dict.fromkeys(("h", "hours"), ("hours", 3600.0)),
}
_TIME_WORDS = frozenset(
    {"time", "times", "timestamp", "datetime", "utc", "clock", "elapsed", "at"}
    | {"sec", "secs", "second", "seconds", "ms", "milliseconds", "minutes", "hours"}
)
_SMALL_TIME_LETTERS = ("t", "s")
"""As capitals they are a temperature and an apparent power."""

_LARGEST = 1e30
"""No quantity of a bench is larger, and the squares of such numbers are still finite."""

_LARGEST_TIME_S = 1e12
"""Thirty thousand years: larger numbers count something other than seconds."""

_LEAST_SEEN = 4
_SURE_OF_TWO = 14
_CHANCE = 10_000
"""So many different numbers in a row are multiples of n by chance in one of n to their number: four tell a step of 10, fourteen one of 2."""

_MOST_DIGITS = 40
"""From the first to the last: more come from no display."""

ACCEPTED_TIMES = (
    "seconds as a number (from any beginning, also since 1970),"
    " or a time stamp of year, month, day like 2026-03-01T12:00:00Z or 2026-03-01 12:00:00.5"
)
"""How times may be written, in words."""

_DAY_FIRST = re.compile(r"\d{1,2}[./-]\s?\d{1,2}[./-]\s?(\d{4}|\d{2})\b")
"""A date that begins with the day or the month: 01.03.2026, 3/1/26, 01-03-2026."""

_LEAVE_OUT = "leave out the whole line where there is no reading"


def is_time_name(name: str) -> bool:
    """Whether a column of this name is likely to hold times."""
    words = _words(name)
    if not words:
        return False
    return (
        words[0] in _SMALL_TIME_LETTERS
        or words[0].lower() in _TIME_WORDS
        or words[-1].lower() in {"time", "timestamp"}
    )


def is_number(text: str, separator: str) -> bool:
    """Whether it can be read as a number, finite or not."""
    try:
        float(text if separator == "," else text.replace(",", "."))
    except ValueError:
        return False
    return True


def is_timestamp(text: str) -> bool:
    """Whether it is a date with or without a time, after ISO 8601 or RFC 3339."""
    try:
        datetime.fromisoformat(text.strip())
    except ValueError:
        return False
    return True


class _SharedStep:
    """The largest step of which all numbers are multiples: a display may go on by 20 at a time."""

    def __init__(self) -> None:
        self.exponent: int | None = None
        self._divisor = 0
        self._seen: set[Decimal] = set()

    def add(self, number: Decimal, exponent: int) -> None:
        """Take one number; its exponent is that of its last digit."""
        if self.exponent is None:
            self.exponent = exponent
        if exponent < self.exponent:
            finer = min(self.exponent - exponent, _MOST_DIGITS)
            self._divisor *= int(10**finer)
            self.exponent = exponent
        if self._divisor == 1 or number in self._seen or not number:
            return
        if number.adjusted() - self.exponent > _MOST_DIGITS:
            self._divisor = 1
            return
        self._divisor = math.gcd(self._divisor, int(number.scaleb(-self.exponent)))
        if len(self._seen) < _SURE_OF_TWO:
            self._seen.add(number)

    def multiple(self) -> int:
        """How many times the last digit's step; 1 where so many multiples of more may have come by chance."""
        seen = len(self._seen)
        is_sure = seen >= _LEAST_SEEN and self._divisor**seen >= _CHANCE
        return self._divisor if is_sure else 1


class Numbers:
    """The numbers of one column; the first decimal sign that it shows holds for all of it.

    Attributes:
        sign: Its decimal sign; None while no number has shown one.
    """

    def __init__(self, separator: str) -> None:
        self.sign: str | None = None
        self._may_have_comma = separator != ","
        self._step = _SharedStep()

    @property
    def smallest_step(self) -> float:
        """The smallest step that its digits can show, or the larger one by which all of its numbers go."""
        step = float(f"{self._step.multiple()}e{self._step.exponent or 0}")
        # Hundreds of decimals tell of a step that no float can hold; none at all it would not be.
        return step or math.ulp(0.0)

    def parse(self, text: str) -> float:
        """A finite number.

        Raises:
            ValueError: With what is wrong and what to write instead.
        """
        if not text:
            msg = f"nothing there, expected a number; {_LEAVE_OUT}"
            raise ValueError(msg)
        plain = self._with_point(text)
        try:
            number = float(plain)
            decimal = Decimal(plain)
            exponent = decimal.as_tuple().exponent
        except (ValueError, ArithmeticError):
            number, decimal, exponent = math.nan, Decimal(0), 0
            plain = "_"
        if "_" in plain:
            msg = f"got {quoted(text)}, expected a number alone, without a unit"
            raise ValueError(msg)
        if not math.isfinite(number) or not isinstance(exponent, int):
            msg = f"got {quoted(text)}, expected a finite number; {_LEAVE_OUT}"
            raise ValueError(msg)
        if abs(number) > _LARGEST:
            msg = f"got {quoted(text)}, expected a number of at most {_LARGEST:g} in size; {_LEAVE_OUT}"
            raise ValueError(msg)
        self._step.add(decimal, exponent)
        return number

    def _with_point(self, text: str) -> str:
        has_comma = "," in text
        sign = "," if has_comma else "." if "." in text else self.sign
        if has_comma and (not self._may_have_comma or "." in text):
            msg = f"got {quoted(text)}, expected a number with one decimal sign and no thousands separator"
            if not self._may_have_comma:
                msg += "; decimal commas need columns parted by semicolons or tabs"
            raise ValueError(msg)
        if self.sign is not None and sign != self.sign:
            msg = f"got {quoted(text)}, expected {self.sign!r} as decimal sign as in the lines above"
            raise ValueError(msg)
        self.sign = sign
        return text.replace(",", ".") if has_comma else text


class Times:
    """The times of one column: numbers, or time stamps turned into seconds since the first.

    Attributes:
        unit: What the numbers are by the column's name, where that is not seconds; None else.
        first_timestamp: As it stands there; None where times are numbers.
    """

    def __init__(self, name: str, separator: str) -> None:
        last_word = (_words(name) or [""])[-1].lower()
        self.unit: str | None = None
        self._factor = 1.0
        if last_word in _UNITS:
            self.unit, self._factor = _UNITS[last_word]
        self.first_timestamp: str | None = None
        self._first: datetime | None = None
        self._numbers = Numbers(separator)
        self._separator = separator
        self._is_begun = False

    def parse(self, text: str) -> float:
        """Time [s]; the first one decides whether there are numbers or time stamps.

        Raises:
            ValueError: With what is wrong and what to write instead.
        """
        if not self._is_begun:
            self._begin(text)
        if self._first is None:
            at_s = self._numbers.parse(text) * self._factor
            if abs(at_s) > _LARGEST_TIME_S:
                msg = (
                    f"got {quoted(text)}, expected a time of at most {_LARGEST_TIME_S:g} s in size;"
                    " let the column's name end in the unit, like time_ms"
                )
                raise ValueError(msg)
            return at_s
        try:
            return (datetime.fromisoformat(text) - self._first).total_seconds()
        except (ValueError, TypeError) as exc:
            # TypeError: only one of them says how far it is from UTC.
            msg = f"got {quoted(text)}, expected a time stamp like {quoted(self.first_timestamp or '')}"
            raise ValueError(msg) from exc

    def _begin(self, text: str) -> None:
        if not is_number(text, self._separator):
            if not is_timestamp(text):
                msg = f"got {quoted(text)}, expected {ACCEPTED_TIMES}{_day_first(text)}"
                raise ValueError(msg)
            self._first, self.first_timestamp = datetime.fromisoformat(text), text
            self.unit = None
        self._is_begun = True


def _day_first(text: str) -> str:
    """What is wrong with a date that does not begin with the year; empty for what is no date."""
    if _DAY_FIRST.match(text.strip()) is None:
        return ""
    return "; which of its numbers is the day and which the month is not guessed at"


def _words(name: str) -> list[str]:
    return re.findall(r"[^\W_]+", name)
