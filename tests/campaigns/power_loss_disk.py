"""What a disk may hold after the power failed, by what was asked of it before.

What was written before a file's last fsync is there. Of what came after it any sectors may be there and any not, in any combination: the newer write of
a sector without the older, a deletion without the write before it. Where a file has grown and a sector did not reach the disk, zeros stand there or
whatever was there before (sectors of files deleted long ago).
"""

from collections.abc import Iterable
from random import Random

from tests.campaigns.power_loss_recording import Asked, Kind

SECTOR = 512
"""What a disk writes as a whole or not at all [bytes]."""

Image = dict[str, bytes]
"""Contents of each file that is there, by name."""


class _File:
    """One name in the folder: what is safe of it, and what came since."""

    def __init__(self, safe: bytes | None) -> None:
        self._safe = None if safe is None else bytearray(safe)
        self._since: list[Asked] = []

    def ask(self, asked: Asked) -> None:
        self._since.append(asked)

    def sync(self) -> None:
        for asked in self._since:
            self._safe = _carried_out(self._safe, asked)
        self._since.clear()

    def sync_name(self) -> None:
        """A deletion cannot come undone any more."""
        kinds = [asked.kind for asked in self._since]
        if Kind.DELETE in kinds:
            newest = len(kinds) - kinds[::-1].index(Kind.DELETE)
            self._safe = None
            del self._since[:newest]

    def after_failure(self, random: Random, share: float) -> bytes | None:
        """What may be left: each sector of what came since is there with this probability [1]."""
        content = None if self._safe is None else bytearray(self._safe)
        for asked in self._since:
            if asked.kind is Kind.WRITE and share < 1.0:
                content = _torn(content, asked, random, share)
            elif random.random() < share:
                content = _carried_out(content, asked)
        return None if content is None else bytes(content)


def _carried_out(content: bytearray | None, asked: Asked) -> bytearray | None:
    """What is in the file then; the content given is altered."""
    if asked.kind is Kind.DELETE:
        return None
    content = bytearray() if content is None else content
    if asked.kind is Kind.TRUNCATE:
        _resize(content, asked.offset)
    else:
        _put(content, asked.offset, asked.data)
    return content


def _resize(content: bytearray, size: int) -> None:
    del content[size:]
    content.extend(bytes(size - len(content)))


def _put(content: bytearray, start: int, data: bytes) -> None:
    if start > len(content):
        _resize(content, start)
    content[start : start + len(data)] = data


def _torn(
    content: bytearray | None, asked: Asked, random: Random, share: float
) -> bytearray | None:
    """A write of which some sectors reached the disk."""
    for start, part in _sectors(asked):
        if random.random() < share:
            content = bytearray() if content is None else content
            _put(content, start, part)
        elif content is not None and start >= len(content) and random.random() < share:
            # The file's size was written, what stands there was not.
            _put(content, start, _left_over(random, len(part)))
    return content


def _left_over(random: Random, size: int) -> bytes:
    return random.randbytes(size) if random.random() < 0.5 else bytes(size)


def _sectors(asked: Asked) -> Iterable[tuple[int, bytes]]:
    """Pieces of a write, none of which crosses the border of two sectors."""
    start, data = asked.offset, asked.data
    while data:
        size = min(SECTOR - start % SECTOR, len(data))
        yield start, data[:size]
        start, data = start + size, data[size:]


class Disk:
    """A folder on a disk, written to until the power fails."""

    def __init__(self, before: Image) -> None:
        self._files = {name: _File(content) for name, content in before.items()}

    def take(self, asked: Asked) -> None:
        """Carry out what is asked for; what was not synced yet is not safe."""
        if asked.kind is Kind.SYNC_FOLDER:
            for each in self._files.values():
                each.sync_name()
            return
        file = self._files.setdefault(asked.name, _File(None))
        if asked.kind is Kind.SYNC:
            file.sync()
        else:
            file.ask(asked)

    def image(self, random: Random, share: float) -> Image:
        """What the disk may hold if the power fails now: each sector not safe is there with this probability [1]."""
        left = {n: f.after_failure(random, share) for n, f in self._files.items()}
        return {name: content for name, content in left.items() if content is not None}
