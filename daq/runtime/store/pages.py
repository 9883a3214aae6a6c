"""Reads the rows of a SQLite file from its pages, where SQLite itself gives up.

SQLite ends a question at the first page that is broken; here every page and every row stands for itself. Refused is
what contradicts itself: a row whose lengths do not add up, whose number is out of order, that overlaps another or does
not fit its table; and a row that lies beside a refused one, since what spoilt that one may have reached into it. A value
that was changed inside a row that is otherwise whole cannot be told: SQLite keeps no checksum of a page.

Source: SQLite, "Database File Format", https://www.sqlite.org/fileformat2.html, sections 1.3 to 1.6 and 2.1.
"""

import math
import struct
from bisect import bisect_left
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

Value = int | float | str | bytes | None
Fits = Callable[[Sequence[Value]], bool]
"""Whether values can be a row of a table."""

GREATEST = 2**63 - 1
"""Number that no row's exceeds."""

LEAST = -1
"""Number that every row's exceeds: they are counted from 1, that of the live analysis is 0."""

HEADER_BYTES = 100
_LEAF, _INTERIOR = 0x0D, 0x05
_INTEGER_BYTES = (0, 1, 2, 3, 4, 6, 8)
_FLOAT, _ZERO, _ONE = 7, 8, 9
_LONGEST_ROW = 50_000_000


class DamagedPageError(Exception):
    """The page is not what it is taken for."""


@dataclass(frozen=True, slots=True)
class Image:
    """A database as numbered pages.

    Attributes:
        file: All bytes of the file.
        newer: Pages that the log has a newer state of, by number.
        page_bytes: Length of a page.
        usable_bytes: Of these, without what is set apart at its end.
        page_count: How many there are.
    """

    file: bytes
    newer: Mapping[int, bytes]
    page_bytes: int
    usable_bytes: int
    page_count: int

    def page(self, number: int) -> bytes:
        """One page; DamagedPageError if there is none of that number."""
        if not 1 <= number <= self.page_count:
            raise DamagedPageError
        if number in self.newer:
            return self.newer[number]
        start = (number - 1) * self.page_bytes
        page = bytes(self.file[start : start + self.page_bytes])
        if len(page) < self.page_bytes:
            raise DamagedPageError
        return page


@dataclass(frozen=True, slots=True)
class Row:
    """One row: its number in the table, and its values as they are kept."""

    number: int
    values: tuple[Value, ...]


@dataclass(frozen=True, slots=True)
class Leaf:
    """The rows of a page in their order, and behind which of them others were refused.

    Attributes:
        rows: Those that can be read.
        lost: Numbers between which rows are missing, neither included.
    """

    rows: tuple[Row, ...]
    lost: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True)
class Interior:
    """Pages below a page.

    Attributes:
        children: Each with the numbers between which its rows lie: above the first, up to the second.
        lost: Numbers between which rows are missing, neither included, because a page is not named any more.
    """

    children: tuple[tuple[int, int, int], ...]
    lost: tuple[tuple[int, int], ...]


def read_page(
    image: Image, number: int, fits: Fits, low: int = LEAST, high: int = GREATEST
) -> Leaf | Interior:
    """Read a page of a table.

    Args:
        image: The database.
        number: Of the page.
        fits: Whether values can be a row of that table.
        low: Its rows are numbered above that.
        high: And up to that.

    Raises:
        DamagedPageError: If it is none, or no row of it can be read.
    """
    page = image.page(number)
    start = HEADER_BYTES if number == 1 else 0
    kind = page[start]
    if kind == _INTERIOR:
        return _interior(image, page, start, low, high)
    if kind != _LEAF:
        raise DamagedPageError
    pointers = _pointers(image, page, start, 8)
    area = start + 8 + 2 * len(pointers)
    cells = [_cell(image, page, at, fits) if at >= area else None for at in pointers]
    return _leaf(cells, pointers, low, high)


def _pointers(image: Image, page: bytes, start: int, head_bytes: int) -> list[int]:
    """Where the cells begin, in the order of their numbers."""
    (count,) = struct.unpack_from(">H", page, start + 3)
    first = start + head_bytes
    if first + 2 * count > image.usable_bytes:
        raise DamagedPageError
    return list(struct.unpack_from(f">{count}H", page, first))


def _interior(image: Image, page: bytes, start: int, low: int, high: int) -> Interior:
    keys: list[int | None] = []
    pages: list[int] = []
    for at in _pointers(image, page, start, 12):
        greatest, child = _child(page, at) if at >= start + 12 else (low, 0)
        keys.append(greatest if low < greatest <= high else None)
        pages.append(child)
    kept = _ascending(keys)
    keys = [key if index in kept else None for index, key in enumerate(keys)]
    if pages and not kept:
        raise DamagedPageError
    (rightmost,) = struct.unpack_from(">I", page, start + 8)
    children, last = [], low
    for child, key in zip((*pages, rightmost), (*keys, high), strict=True):
        if key is not None:
            children.append((child, last, key))
            last = key
    return Interior(tuple(children), tuple(_holes((*keys, high), low, high)))


def _child(page: bytes, at: int) -> tuple[int, int]:
    """The greatest number below a page, and that page; LEAST where it ends too early."""
    try:
        (child,) = struct.unpack_from(">I", page, at)
        return _varint(page, at + 4)[0], child
    except (IndexError, struct.error):
        return LEAST, 0


def _leaf(
    cells: Sequence["_Cell | None"], pointers: Sequence[int], low: int, high: int
) -> Leaf:
    """What can be trusted of the cells of a page, given in the order of their numbers."""
    cells = [c if c and low < c[0].number <= high else None for c in cells]
    kept = _ascending([cell[0].number if cell else None for cell in cells])
    cells = [cell if index in kept else None for index, cell in enumerate(cells)]
    _refuse_beside_refused(cells, pointers)
    rows = tuple(cell[0] for cell in cells if cell)
    if cells and not rows:
        raise DamagedPageError
    numbers = [cell[0].number if cell else None for cell in cells]
    return Leaf(rows, tuple(_holes(numbers, low, high)))


_Cell = tuple[Row, int]
"""A row and where it ends on its page."""


def _ascending(numbers: Sequence[int | None]) -> set[int]:
    """Places of the longest ascending run: a single wrong number must not take the others with it."""
    tails: list[int] = []
    tail_at: list[int] = []
    before: dict[int, int | None] = {}
    for index, number in enumerate(numbers):
        if number is None:
            continue
        place = bisect_left(tails, number)
        before[index] = tail_at[place - 1] if place else None
        tails[place : place + 1] = [number]
        tail_at[place : place + 1] = [index]
    kept: set[int] = set()
    last = tail_at[-1] if tail_at else None
    while last is not None:
        kept.add(last)
        last = before[last]
    return kept


def _refuse_beside_refused(cells: list[_Cell | None], pointers: Sequence[int]) -> None:
    order = sorted(range(len(cells)), key=pointers.__getitem__)
    refused = {index for index in order if cells[index] is None}
    for one, next_one in pairwise(order):
        cell = cells[one]
        if cell is not None and cell[1] > pointers[next_one]:
            refused |= {one, next_one}
    for one, next_one in pairwise(order):
        if one in refused or next_one in refused:
            cells[one if next_one in refused else next_one] = None
    for index in refused:
        cells[index] = None


def _holes(numbers: Sequence[int | None], low: int, high: int) -> list[tuple[int, int]]:
    """Numbers between which one or more were refused."""
    holes, last, is_open = [], low, False
    for number in numbers:
        if number is None:
            is_open = True
            continue
        if is_open and number > last + 1:
            holes.append((last, number))
        last, is_open = number, False
    if is_open:
        holes.append((last, high + 1 if high < GREATEST else GREATEST))
    return holes


def _cell(image: Image, page: bytes, at: int, fits: Fits) -> _Cell | None:
    """The row that begins there, with its end; None if there is none that makes sense."""
    try:
        size, at = _varint(page, at)
        number, at = _varint(page, at)
        if not 0 < size <= _LONGEST_ROW:
            return None
        local = _local_bytes(size, image.usable_bytes)
        end = at + local + (4 if local < size else 0)
        if end > image.usable_bytes:
            return None
        payload = page[at : at + local]
        if local < size:
            (further,) = struct.unpack_from(">I", page, at + local)
            payload += _overflow(image, further, size - local)
        values = read_record(payload)
    except (DamagedPageError, IndexError, UnicodeDecodeError, struct.error):
        return None
    return (Row(number, values), end) if fits(values) else None


def _local_bytes(size: int, usable: int) -> int:
    """How much of a row lies on its own page: section 1.6, "Let U be the usable size of a database page …"."""
    most, least = usable - 35, (usable - 12) * 32 // 255 - 23
    if size <= most:
        return size
    local = least + (size - least) % (usable - 4)
    return local if local <= most else least


def _overflow(image: Image, number: int, size: int) -> bytes:
    parts = []
    while size > 0:
        page = image.page(number)
        (number,) = struct.unpack_from(">I", page, 0)
        parts.append(page[4 : min(image.usable_bytes, 4 + size)])
        size -= len(parts[-1])
    if number:
        raise DamagedPageError
    return b"".join(parts)


def read_record(payload: bytes) -> tuple[Value, ...]:
    """The values of a row.

    Raises:
        DamagedPageError: If its lengths do not add up, or a number is none.
        UnicodeDecodeError: If a text is none.
        IndexError: If it ends too early.
    """
    head_bytes, at = _varint(payload, 0)
    place, values = head_bytes, []
    while at < head_bytes:
        kind, at = _varint(payload, at)
        value, place = _value(payload, kind, place)
        values.append(value)
    if at != head_bytes or place != len(payload):
        raise DamagedPageError
    return tuple(values)


def _value(payload: bytes, kind: int, place: int) -> tuple[Value, int]:
    if kind < len(_INTEGER_BYTES):
        end = place + _INTEGER_BYTES[kind]
        whole = int.from_bytes(payload[place:end], signed=True)
        value: Value = whole if kind else None
    elif kind == _FLOAT:
        end = place + 8
        (real,) = struct.unpack_from(">d", payload, place)
        if math.isnan(real):
            raise DamagedPageError
        value = float(real)
    elif kind in {_ZERO, _ONE}:
        return kind - _ZERO, place
    elif kind >= 12:
        end = place + (kind - 12) // 2
        raw = payload[place:end]
        value = raw.decode() if kind % 2 else raw
    else:
        raise DamagedPageError
    if end > len(payload):
        raise DamagedPageError
    return value, end


def _varint(data: bytes, at: int) -> tuple[int, int]:
    """A number of one to nine bytes, and where what follows it begins."""
    number = data[at]
    if number < 0x80:
        return number, at + 1
    number &= 0x7F
    for place in range(at + 1, at + 8):
        byte = data[place]
        number = number << 7 | byte & 0x7F
        if byte < 0x80:
            return number, place + 1
    number = number << 8 | data[at + 8]
    return number - 2**64 if number >= 2**63 else number, at + 9
