"""Bytes into rows of fields, each with the number of its line. What the fields mean is decided elsewhere."""

import csv
import io
import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from daq.delimited.decoded import decode
from daq.delimited.place import Place, quoted

_SEPARATORS = {"\t": "tabs", ";": "semicolons", ",": "commas"}
"""In the order in which they are looked for: a decimal comma must not be taken for a separator."""

_BLANK = "".join(_SEPARATORS) + " \r\n"
"""A line of nothing else is no row."""

_JUDGED_LINES = 60
"""The separator is judged from this many lines: a meter may write some tens of its own above the header."""

EMPTY = "empty, expected lines of times and values"
_ABOVE = ("#", "sep=")
"""Lines above the first row that are no row: comments, and the hint that spreadsheets write to themselves."""


@dataclass(frozen=True, slots=True)
class Row:
    """One row that holds anything.

    Attributes:
        line: Number of its line in the file, its last one where a quoted field spans several.
        fields: As they stand there.
    """

    line: int
    fields: list[str]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A text parted into rows.

    Attributes:
        separator: The character that parts its columns.
        rows: From the header, or the first reading, on.
        text: All of it.
    """

    separator: str
    rows: Iterator[Row]
    text: str

    @property
    def separator_name(self) -> str:
        """In words."""
        return _SEPARATORS[self.separator]

    def lines_above(self, line: int) -> tuple[str, ...]:
        """The lines above one of this number, stripped, without blank ones."""
        lines = itertools.islice(io.StringIO(self.text, newline=""), line - 1)
        return tuple(text for text in map(str.strip, lines) if text)


def part(
    content: bytes,
    place: Place,
    *,
    encoding: str | None = None,
    encoding_option: str | None = None,
    begin: int | None = None,
) -> Sheet:
    """Part a text into rows.

    Args:
        content: Of the file.
        place: What to call it in an error.
        encoding: Of the text, where no mark at its beginning tells; UTF-8 if None.
        encoding_option: By which the user can name it; None where there is none.
        begin: Number of the line of the first row; the first that is neither blank nor a comment if None.

    Raises:
        InputError: It is empty, no such text, has no such line or one column only; from the rows also: it cannot be
            parted.
    """
    text = decode(content, place, encoding=encoding, option=encoding_option)
    lines, first = _useful_lines(text) if begin is None else _lines_from(text, begin)
    judged = list(itertools.islice(lines, _JUDGED_LINES))
    if begin is not None and not (judged and judged[0].strip(_BLANK)):
        raise place.error(begin, "nothing there, expected the names of columns")
    if not judged:
        raise place.error(None, EMPTY)
    separator = _separator_of(judged)
    if separator is None:
        problem = f"got {quoted(judged[0])}, expected columns parted by commas, semicolons or tabs"
        raise place.error(first, problem)
    rows = _rows(itertools.chain(judged, lines), separator, first - 1, place)
    return Sheet(separator, rows, text)


def _lines_from(text: str, number: int) -> tuple[Iterator[str], int]:
    return itertools.islice(io.StringIO(text, newline=""), number - 1, None), number


def _useful_lines(text: str) -> tuple[Iterator[str], int]:
    """From the first line that is neither blank nor a comment on, and the number of that line."""
    lines = io.StringIO(text, newline="")
    for number, line in enumerate(lines, start=1):
        if line.strip() and not line.startswith(_ABOVE):
            return itertools.chain([line], lines), number
    return iter(()), 1


def _separator_of(lines: Sequence[str]) -> str | None:
    # What stands between quotation marks parts nothing.
    bare = [re.sub(r'"[^"]*"', "", line) for line in lines if line.strip()]
    for separator in _SEPARATORS:
        if 2 * sum(separator in line for line in bare) >= len(bare):
            return separator
    return None


def _rows(
    lines: Iterator[str], separator: str, lines_above: int, place: Place
) -> Iterator[Row]:
    reader = csv.reader(
        lines, delimiter=separator, skipinitialspace=separator != "\t", strict=True
    )
    try:
        for fields in reader:
            if "".join(fields).strip():
                yield Row(lines_above + reader.line_num, fields)
    except csv.Error as exc:
        problem = f"cannot be parted into columns ({exc}); look at its quotation marks"
        raise place.error(lines_above + reader.line_num, problem) from exc
