"""Bytes into rows of fields, each with the number of its line. What the fields mean is decided elsewhere."""

import codecs
import csv
import io
import itertools
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from daq.delimited.place import Place, quoted

_SEPARATORS = {"\t": "tabs", ";": "semicolons", ",": "commas"}
"""In the order in which they are looked for: a decimal comma must not be taken for a separator."""

_JUDGED_LINES = 20
"""The separator is judged from this many lines."""

EMPTY = "empty, expected lines of times and values"
_ABOVE = ("#", "sep=")
"""Lines above the first row that are no row: comments, and the hint that spreadsheets write to themselves."""

_UTF_16_AND_32 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE, codecs.BOM_UTF32_BE)


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
    """

    separator: str
    rows: Iterator[Row]

    @property
    def separator_name(self) -> str:
        """In words."""
        return _SEPARATORS[self.separator]


def part(content: bytes, place: Place) -> Sheet:
    """Part a text into rows.

    Raises:
        InputError: It is empty, no UTF-8, or has one column only; from the rows also: it cannot be parted.
    """
    lines, first = _useful_lines(_decoded(content, place))
    judged = list(itertools.islice(lines, _JUDGED_LINES))
    if not judged:
        raise place.error(None, EMPTY)
    separator = _separator_of(judged)
    if separator is None:
        problem = f"got {quoted(judged[0])}, expected columns parted by commas, semicolons or tabs"
        raise place.error(first, problem)
    rows = _rows(itertools.chain(judged, lines), separator, first - 1, place)
    return Sheet(separator, rows)


def _decoded(content: bytes, place: Place) -> str:
    if content.startswith(_UTF_16_AND_32):
        problem = "UTF-16 or UTF-32 text, expected UTF-8; save it as CSV in UTF-8"
        raise place.error(None, problem)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as exc:
        line = content.count(b"\n", 0, exc.start) + 1
        got = content[exc.start : exc.start + 1]
        problem = f"got the byte {got!r}, expected UTF-8 text; save it in UTF-8"
        raise place.error(line, problem) from exc
    zero = text.find("\0")
    if zero >= 0:
        line = text.count("\n", 0, zero) + 1
        raise place.error(
            line, "got a zero byte, expected UTF-8 text; save it in UTF-8"
        )
    return text


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
