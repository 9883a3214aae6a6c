"""A published session in one file: page, tables, and a list of checksums by which anybody can tell that nothing was changed.

The same content gives the same bytes: every member carries the earliest date that the format knows.
"""

import hashlib
import zipfile
from collections.abc import Iterable, Iterator
from typing import IO

CHECKSUMS = "SHA256SUMS"
"""Name of the list; `sha256sum -c` reads it."""
_EARLIEST = (1980, 1, 1, 0, 0, 0)
_READABLE_BY_ALL = 0o100644 << 16
_UNIX = 3

Member = tuple[str, Iterable[str]]
"""A name and the pieces of its text."""


def write_pack(file: IO[bytes], members: Iterable[Member]) -> None:
    """Pack texts, each named once, with their checksums.

    Args:
        file: To write to; must be seekable.
        members: In the order in which they are packed.
    """
    sums = []
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as pack:
        for name, pieces in members:
            sums.append(f"{_add(pack, name, pieces)}  {name}\n")
        _add(pack, CHECKSUMS, sums)


def _add(pack: zipfile.ZipFile, name: str, pieces: Iterable[str]) -> str:
    """Add one member; returns its checksum."""
    info = zipfile.ZipInfo(name, _EARLIEST)
    info.compress_type = zipfile.ZIP_DEFLATED
    info.external_attr = _READABLE_BY_ALL
    info.create_system = _UNIX
    digest = hashlib.sha256()
    # A day of readings may be larger than the plain format allows.
    with pack.open(info, "w", force_zip64=True) as member:
        for block in _blocks(pieces):
            digest.update(block)
            member.write(block)
    return digest.hexdigest()


def _blocks(pieces: Iterable[str], *, characters: int = 1 << 16) -> Iterator[bytes]:
    """Many short lines as few long blocks."""
    held: list[str] = []
    size = 0
    for piece in pieces:
        held.append(piece)
        size += len(piece)
        if size >= characters:
            yield "".join(held).encode()
            held, size = [], 0
    if held:
        yield "".join(held).encode()
