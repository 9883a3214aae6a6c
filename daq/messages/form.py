"""What every payload has in common: JSON without NaN, a number of its form, and how foreign JSON is taken apart.

Whoever may publish at a broker can send anything on any topic. So nothing that was received is believed: kinds are
checked, numbers are finite, texts are without control characters (a terminal would obey them), and what does not fit
is an InputError that names the key.
"""

import json
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import NoReturn

from daq.errors import InputError
from daq.printable import NOT_PRINTABLE

FORMAT = 1
LARGEST_BYTES = 1_048_576
"""Of a payload that is read."""

# A text of a message is one line: lines and columns go too, and what takes no width, so that two texts which look alike are.
_NOT_IN_A_LINE = re.compile(rf"(?:{NOT_PRINTABLE.pattern}|[\t\n\r\u200c\u200d])+")
_SHOWN = 40


def render_json(value: object) -> str:
    """Compact JSON.

    Raises:
        ValueError: If a number is not finite.
    """
    return json.dumps(value, allow_nan=False, ensure_ascii=False, separators=(",", ":"))


def printable(text: str) -> str:
    """A text that came from elsewhere, in one line, without what a terminal would obey or nobody could see."""
    return _NOT_IN_A_LINE.sub(" ", text)


@dataclass(frozen=True, slots=True)
class Fields:
    """A JSON object that was received, and its place in the message.

    Each method returns the value under a key; where it is absent or of another kind they raise InputError.
    """

    place: str
    values: Mapping[str, object]

    def text(self, key: str) -> str:
        """A text, control characters replaced by blanks."""
        value = self.values.get(key)
        if isinstance(value, str):
            return printable(value)
        raise self.refusal(key=key, expected="a text")

    def text_or_none(self, key: str) -> str | None:
        """A text, or None where it is null or absent."""
        return None if self.values.get(key) is None else self.text(key)

    def flag(self, key: str) -> bool:
        """True or false."""
        value = self.values.get(key)
        if isinstance(value, bool):
            return value
        raise self.refusal(key=key, expected="true or false")

    def number(self, key: str) -> float:
        """A finite number."""
        value = self.values.get(key)
        if isinstance(value, int | float) and not isinstance(value, bool):
            number = _as_float(value)
            if math.isfinite(number):
                return number
        raise self.refusal(key=key, expected="a number")

    def number_or_none(self, key: str) -> float | None:
        """A finite number, or None where it is null or absent."""
        return None if self.values.get(key) is None else self.number(key)

    def count(self, key: str) -> int:
        """A whole number, not negative."""
        value = self.values.get(key)
        if isinstance(value, int) and not isinstance(value, bool) and value >= 0:
            return value
        raise self.refusal(key=key, expected="a whole number from 0")

    def count_or_none(self, key: str) -> int | None:
        """A whole number, or None where it is null or absent."""
        return None if self.values.get(key) is None else self.count(key)

    def part(self, key: str) -> "Fields":
        """An object."""
        value = self.values.get(key)
        if isinstance(value, dict):
            return Fields(f"{self.place}.{key}", value)
        raise self.refusal(key=key, expected="an object")

    def parts(self, key: str) -> tuple["Fields", ...]:
        """A list of objects; empty where it is absent."""
        value = self.values.get(key, [])
        if isinstance(value, list) and all(isinstance(each, dict) for each in value):
            return tuple(Fields(f"{self.place}.{key}", each) for each in value)
        raise self.refusal(key=key, expected="a list of objects")

    def texts(self, key: str) -> tuple[str, ...]:
        """A list of texts; empty where it is absent."""
        value = self.values.get(key, [])
        if isinstance(value, list) and all(isinstance(each, str) for each in value):
            return tuple(printable(each) for each in value)
        raise self.refusal(key=key, expected="a list of texts")

    def refusal(self, *, key: str, expected: str) -> InputError:
        """Say what was there and what was expected."""
        if key not in self.values:
            msg = f"{self.place}: {key} is missing, expected {expected}"
        else:
            shown = printable(repr(self.values[key])[:_SHOWN])
            msg = f"{self.place}: {key} is {shown}, expected {expected}"
        return InputError(msg)


def parse_object(payload: bytes | str, *, place: str) -> Fields:
    """A payload that is one object of our format.

    Raises:
        InputError: If it is not, or is of another format.
    """
    value = parse_json(payload, place=place)
    if not isinstance(value, dict):
        msg = f"{place}: no JSON object, expected one"
        raise InputError(msg)
    fields = Fields(place, value)
    if fields.count("format") != FORMAT:
        raise fields.refusal(
            key="format", expected=f"{FORMAT}; the bench may be newer than this program"
        )
    return fields


def parse_json(payload: bytes | str, *, place: str) -> object:
    """A payload as JSON (RFC 8259); nothing beyond it is taken.

    Raises:
        InputError: If it is not JSON in UTF-8, or is too long.
    """
    if len(payload) > LARGEST_BYTES:
        msg = f"{place}: {len(payload)} bytes, expected at most {LARGEST_BYTES}"
        raise InputError(msg)
    try:
        return json.loads(payload, parse_constant=_refuse_constant)
    except (ValueError, RecursionError) as exc:
        msg = f"{place}: no JSON ({printable(str(exc))[:80]}), expected JSON in UTF-8"
        raise InputError(msg) from exc


def _refuse_constant(name: str) -> NoReturn:
    msg = f"{name} is no JSON"
    raise ValueError(msg)


def _as_float(value: float) -> float:
    try:
        return float(value)
    except OverflowError:
        return math.inf
