"""Reads a results file's log: which pages it has a newer state of, and whether it is whole.

SQLite takes of a log what it finds in order up to the first frame that is not, and is silent about the rest: after a
crash that is right, since nobody was promised what had not been finished. A frame that is spoilt later takes promised
readings with it, and the silence would be wrong. The two are told apart by what follows: every commit reaches the
disk before the next one begins, so that two commits behind a broken frame prove that it was whole once.

Source: SQLite, "Database File Format", https://www.sqlite.org/fileformat2.html, section 4.
"""

import struct
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import BinaryIO

_MAGICS = {0x377F0682: "<", 0x377F0683: ">"}
_HEADER_BYTES, _FRAME_BYTES = 32, 24
_PROVING_COMMITS = 2


@dataclass(frozen=True, slots=True)
class Log:
    """What a log holds.

    Attributes:
        pages: The newest state of each page of which it has one; of a damaged log without what is broken.
        page_count: How long the database is by it; None where it has nothing.
        is_damaged: Something that was committed cannot be read any more.
    """

    pages: Mapping[int, bytes]
    page_count: int | None
    is_damaged: bool


NO_LOG = Log({}, None, is_damaged=False)


@dataclass(frozen=True, slots=True)
class _Frame:
    number: int
    page_count: int
    salts: bytes
    checksum: tuple[int, int]
    checked: bytes
    page: bytes


def read_log(data: bytes, page_bytes: int) -> Log:
    """Read a log.

    Args:
        data: All of it.
        page_bytes: Length of a page of its database.
    """
    frames = list(_frames(data, page_bytes))
    if not frames:
        return NO_LOG  # nothing was committed to it
    order = _sound_order(data)
    if order is None:
        return _followed(frames, _likely_salts(frames), "<", None)
    return _followed(frames, data[16:24], order, struct.unpack_from(">II", data, 24))


@dataclass(frozen=True, slots=True)
class LogLook:
    """What a log that was looked through holds, without the pages themselves.

    Attributes:
        places: Where in it the newest state of each page begins that SQLite finds.
        page_count: How long the database is by it; None where it has nothing.
        head: Its first bytes: another program that begins to use the log anew changes them first.
        broken_frame: Which frame, from 0, cannot be read although something behind it was committed; None if none.
    """

    places: Mapping[int, int]
    page_count: int | None
    head: bytes
    broken_frame: int | None


def look_through_log(file: BinaryIO, size: int, page_bytes: int) -> LogLook:
    """Look through a log of any length, frame by frame.

    Args:
        file: The log.
        size: How much of it is looked at; a program may be writing on behind that.
        page_bytes: Length of a page of its database.
    """
    step = _FRAME_BYTES + page_bytes
    count = max(size - _HEADER_BYTES, 0) // step
    head = file.read(_HEADER_BYTES)
    if not count or len(head) < _HEADER_BYTES:
        return LogLook({}, None, head, None)
    order = _sound_order(head)
    newest: dict[int, int] = {}
    index, pages = 0, None
    if order is None:
        salts = _salts_behind(file, count, step)
    else:
        salts = head[16:24]
        index, newest, pages = _sound_frames(file, head, order, count, page_bytes)
    left = _heads(file, range(index, count), step)
    commits = sum(head[4:8] != bytes(4) and head[8:16] == salts for head in left)
    broken = index if commits >= _PROVING_COMMITS else None
    return LogLook(newest, pages, head, broken)


def _sound_order(head: bytes) -> str | None:
    """The order of bytes that sums are made in, None where the log's head is spoilt."""
    (magic,) = struct.unpack_from(">I", head)
    order = _MAGICS.get(magic)
    sums = struct.unpack_from(">II", head, 24)
    return order if order and _summed((0, 0), head[:24], order) == sums else None


def _sound_frames(
    file: BinaryIO, head: bytes, order: str, count: int, page_bytes: int
) -> tuple[int, dict[int, int], int | None]:
    """How many frames are in order, where the pages of those that were committed begin, and the length by them."""
    running = struct.unpack_from(">II", head, 24)
    newest: dict[int, int] = {}
    pending: dict[int, int] = {}
    pages = None
    for index in range(count):
        data = file.read(_FRAME_BYTES + page_bytes)
        frame = next(_frames(head + data, page_bytes), None)
        if frame is None or not _is_sound(frame, head[16:24], order, running):
            return index, newest, pages
        running = frame.checksum
        pending[frame.number] = file.tell() - page_bytes
        if frame.page_count:
            newest |= pending
            pending, pages = {}, frame.page_count
    return count, newest, pages


def _heads(file: BinaryIO, indices: Iterable[int], step: int) -> Iterator[bytes]:
    """The heads of frames."""
    for index in indices:
        file.seek(_HEADER_BYTES + index * step)
        yield file.read(_FRAME_BYTES)


def _salts_behind(file: BinaryIO, count: int, step: int) -> bytes:
    """What the lost head said, as _likely_salts()."""
    first = next(_heads(file, range(1), step))[8:16]
    pairs = pairwise(head[8:16] for head in _heads(file, range(count), step))
    return next((a for a, b in pairs if a == b), first)


def _frames(data: bytes, page_bytes: int) -> Iterator[_Frame]:
    step = _FRAME_BYTES + page_bytes
    for at in range(_HEADER_BYTES, len(data) - step + 1, step):
        number, page_count = struct.unpack_from(">II", data, at)
        first, second = struct.unpack_from(">II", data, at + 16)
        page = data[at + _FRAME_BYTES : at + step]
        yield _Frame(
            number,
            page_count,
            data[at + 8 : at + 16],
            (first, second),
            data[at : at + 8] + page,
            page,
        )


def _likely_salts(frames: list[_Frame]) -> bytes:
    """What the lost head said: frames of an earlier use of the file lie behind those of this one."""
    pairs = pairwise(frames)
    return next((a.salts for a, b in pairs if a.salts == b.salts), frames[0].salts)


def _followed(
    frames: list[_Frame], salts: bytes, order: str, running: tuple[int, int] | None
) -> Log:
    """Take what is in order, also behind a broken frame: each frame's sum starts from that of the one before."""
    pages: dict[int, bytes] = {}
    pending: dict[int, bytes] = {}
    page_count, is_damaged = None, False
    for index, frame in enumerate(frames):
        if running is not None and _is_sound(frame, salts, order, running):
            pending[frame.number] = frame.page
        elif is_damaged or _commits(frames[index:], salts) >= _PROVING_COMMITS:
            is_damaged = True
        else:
            break
        running = frame.checksum
        if frame.page_count and frame.salts == salts:
            pages |= pending
            pending, page_count = {}, max(frame.page_count, page_count or 0)
    return Log(pages, page_count, is_damaged=is_damaged)


def _is_sound(
    frame: _Frame, salts: bytes, order: str, running: tuple[int, int]
) -> bool:
    return (
        frame.salts == salts
        and _summed(running, frame.checked, order) == frame.checksum
    )


def _commits(frames: list[_Frame], salts: bytes) -> int:
    return sum(bool(f.page_count) and f.salts == salts for f in frames)


def _summed(start: tuple[int, int], data: bytes, order: str) -> tuple[int, int]:
    first, second = start
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for even, odd in zip(words[::2], words[1::2], strict=True):
        first = (first + even + second) & 0xFFFFFFFF
        second = (second + odd + first) & 0xFFFFFFFF
    return first, second
