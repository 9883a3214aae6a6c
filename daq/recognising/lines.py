"""The shape that a meter's lines repeat: fixed text, columns of numbers, and a pattern for them.

Works on lines that are plain text already. A number is a column; everything between two numbers is text that must come
back in every line, only the blanks that pad a number may vary. What differs from line to line in any other way is
no shape, and no pattern is made of it.
"""

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daq.framing import number_from_text
from daq.recognising.unit_words import quantity_hinted_by, unit_symbol_of

OVERRANGE_WORDS = ("OL", "+OL", "-OL")

_FIGURE = r"[0-9]+(?:\.[0-9]+)?(?:[Ee][+-]?[0-9]+)?"
# A bare integer right after a letter belongs to a name (CH1, m3, H2O); with a sign or a point it is a value.
_NUMBER = re.compile(
    rf"(?<![A-Za-z0-9_.])[+-]?{_FIGURE}"
    r"|(?<=[A-Za-z_])[+-]?[0-9]+\.[0-9]+(?:[Ee][+-]?[0-9]+)?"
    r"|(?<=[A-Za-z_])[+-][0-9]+"
    r"|(?<![A-Za-z0-9_.])[+-]?OL(?![A-Za-z0-9])"
)
_UNIT_AFTER = re.compile(r" *[\[(]? *([A-Za-z%/\N{DEGREE SIGN}.][A-Za-z0-9%/.]*)(.?)")
_LABEL_BEFORE = re.compile(r"([A-Za-z][A-Za-z0-9_ ]*?)[\])]? *([:=]?) *$")
_CELL_ENDS = ",;\t|"
_BLANKS = re.compile(r" +")


@dataclass(frozen=True, slots=True)
class Column:
    """One number of the line.

    Attributes:
        number: Its place, counted from 1.
        shown: As the newest line has it.
        decimals: Most that were seen [1].
        has_point: Whether every line had a decimal point here.
        has_exponent: Whether any line had an exponent here.
        may_lack_exponent: Whether any line had none; meters write a nought without one.
        unit: This project's symbol of the unit written with it; None where none is, or where it is open to doubt.
        hint: What its label may mean; for the operator.
    """

    number: int
    shown: str
    decimals: int
    has_point: bool
    has_exponent: bool
    may_lack_exponent: bool
    unit: str | None
    hint: str | None


@dataclass(frozen=True, slots=True)
class LineShape:
    """What the lines have in common.

    Attributes:
        texts: What stands before, between and after the columns; one more than there are columns.
        columns: From left to right.
        example: The newest line of this shape.
        matching: [1] lines of this shape.
        count: [1] lines that were looked at.
    """

    texts: tuple[str, ...]
    columns: tuple[Column, ...]
    example: str
    matching: int
    count: int

    @property
    def share(self) -> float:
        """Of the lines that have this shape [1]."""
        return self.matching / self.count


def line_shape(lines: Sequence[str]) -> LineShape | None:
    """The shape that most lines have; None where none has a number."""
    split = [(line, *_split(line)) for line in lines]
    shapes = Counter(texts for _, texts, figures in split if figures)
    if not shapes:
        return None
    texts, matching = shapes.most_common(1)[0]
    alike = [(line, figures) for line, own, figures in split if own == texts]
    columns = [
        _column(index, [figures[index] for _, figures in alike], texts)
        for index in range(len(texts) - 1)
    ]
    if _labels_look_like_units(texts):
        columns = [_without_unit(column) for column in columns]
    return LineShape(texts, tuple(columns), alike[-1][0], matching, len(lines))


def pattern_for(shape: LineShape, names: Mapping[int, str]) -> str:
    """A regular expression of the whole line.

    Args:
        shape: Of the lines.
        names: Field's name by column's number; the other columns are passed over.
    """
    parts = []
    for index, text in enumerate(shape.texts):
        is_last = index == len(shape.columns)
        parts.append(_literal(text, is_before_number=not is_last, is_first=index == 0))
        if not is_last:
            column = shape.columns[index]
            name = names.get(column.number)
            opening = "(?:" if name is None else f"(?P<{name}>"
            parts.append(f"{opening}{_figure_pattern(column)})")
    return "".join(parts)


def decimals_of(figure: str) -> int:
    """Decimals of a number as it is written, its exponent counted in [1]."""
    mantissa, _, exponent = figure.upper().partition("E")
    return max(0, len(mantissa.partition(".")[2]) - int(exponent or 0))


def columns_of_numbers(parts: Sequence[str]) -> tuple[Column, ...]:
    """Bare numbers as columns; nothing tells what they are."""
    return tuple(
        Column(
            number,
            part.strip(),
            decimals_of(part.strip()),
            "." in part,
            "E" in part.upper(),
            "E" not in part.upper(),
            None,
            None,
        )
        for number, part in enumerate(parts, start=1)
    )


def numbers_by_separator(text: str) -> tuple[str, tuple[str, ...]] | None:
    """The one character that sets bare numbers apart, and the parts; None where text stands among them."""
    for separator in ",;\t ":
        parts = tuple(text.split(separator))
        if len(parts) > 1 and all(number_from_text(part) is not None for part in parts):
            return separator, parts
    return (",", (text,)) if number_from_text(text) is not None else None


def _split(line: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Texts around the numbers, blanks that only pad taken out, and the numbers."""
    texts: list[str] = []
    figures: list[str] = []
    end = 0
    for match in _NUMBER.finditer(line):
        texts.append(_plain(line[end : match.start()], is_first=not figures))
        figures.append(match[0])
        end = match.end()
    texts.append(_BLANKS.sub(" ", line[end:]))
    return tuple(texts), tuple(figures)


def _plain(text: str, *, is_first: bool) -> str:
    """Padding before a number is not part of the shape, but a blank that parts two numbers is."""
    bare = text.rstrip(" ")
    if not bare:
        return "" if is_first else " "
    return _BLANKS.sub(" ", bare) + (" " if bare != text and bare[-1].isalnum() else "")


def _column(index: int, figures: Sequence[str], texts: Sequence[str]) -> Column:
    numbers = [figure for figure in figures if "OL" not in figure]
    return Column(
        number=index + 1,
        shown=figures[-1],
        decimals=max((decimals_of(figure) for figure in numbers), default=0),
        has_point=bool(numbers) and all("." in figure for figure in numbers),
        has_exponent=any("E" in figure.upper() for figure in numbers),
        may_lack_exponent=not all("E" in figure.upper() for figure in numbers),
        unit=_unit_after(texts[index + 1]),
        hint=_hint_before(texts[index]),
    )


def _unit_after(text: str) -> str | None:
    match = _UNIT_AFTER.match(text)
    # "1.2 P=300": the word belongs to the number that follows.
    if match is None or match[2] in (":", "="):
        return None
    return unit_symbol_of(match[1]) or unit_symbol_of(match[1].rstrip("."))


def _hint_before(text: str) -> str | None:
    # What is the unit of the number before is no label of this one.
    own = text if _unit_after(text) is None else _UNIT_AFTER.sub(r"\2", text, count=1)
    cell = re.split(f"[{_CELL_ENDS}]", own)[-1]
    match = _LABEL_BEFORE.search(cell)
    return quantity_hinted_by(match[1].split(" ")[-1]) if match else None


def _labels_look_like_units(texts: Sequence[str]) -> bool:
    """Whether units may stand before their numbers ("V 230.1 A 1.2"), so that which belongs to which is open."""
    first = _LABEL_BEFORE.search(texts[0])
    return bool(first) and not first[2] and _unit_after(texts[-1]) is None  # type: ignore[index]


def _without_unit(column: Column) -> Column:
    return Column(
        column.number,
        column.shown,
        column.decimals,
        column.has_point,
        column.has_exponent,
        column.may_lack_exponent,
        None,
        column.hint,
    )


def _literal(text: str, *, is_before_number: bool, is_first: bool) -> str:
    """Fixed text of the pattern; blanks may be more, and a number may be padded."""
    words = re.split("( )", text)
    escaped = "".join(" +" if word == " " else _escaped(word) for word in words if word)
    if not is_before_number or (is_first and not text) or escaped.endswith(" +"):
        return escaped
    return escaped + " *"


def _escaped(text: str) -> str:
    """Only what a pattern would take for something else; `re.escape` spoils what people shall read."""
    return re.sub(r"([\\.^$*+?{}\[\]|()])", r"\\\1", text).replace("\t", r"\t")


def _figure_pattern(column: Column) -> str:
    point = r"\.[0-9]+" if column.has_point else r"(?:\.[0-9]+)?"
    exponent = "[Ee][+-]?[0-9]+" if column.has_exponent else ""
    if exponent and column.may_lack_exponent:
        exponent = f"(?:{exponent})?"
    return rf"[+-]?[0-9]+{point}{exponent}|[+-]?OL"
