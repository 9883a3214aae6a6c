"""A terminal shows what it is given and obeys none of it: names and notes may come from anybody's file.

Only a terminal is stood before; what goes into a file or a pipe stays as it is, to be read by a program.
"""

import contextlib
import dataclasses
import re
import sys
from collections.abc import Iterable, Iterator
from typing import Any, TextIO, TypeVar

from daq.printable import printable

_T = TypeVar("_T")
# By itself it lets a line write over its own beginning.
_LONE_RETURN = re.compile(r"\r(?!\n)")


class PlainTerminal:
    """Stands before a terminal's stream, and is in all but `write` that stream."""

    def __init__(self, stream: TextIO) -> None:
        self.stream = stream

    def write(self, text: str) -> int:
        """Write what is left of a text without control characters."""
        return self.stream.write(_LONE_RETURN.sub(" ", printable(text)))

    def writelines(self, lines: Iterable[str]) -> None:
        """Write one after the other."""
        for line in lines:
            self.write(line)

    def __getattr__(self, name: str) -> Any:  # noqa: ANN401 - whatever the stream has
        return getattr(self.stream, name)


@contextlib.contextmanager
def plain_terminals() -> Iterator[None]:
    """Stand before standard output and error while this lasts, where they are terminals."""
    before = sys.stdout, sys.stderr
    sys.stdout, sys.stderr = map(_plain, before)
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before


def _plain(stream: TextIO) -> TextIO:
    return PlainTerminal(stream) if stream.isatty() else stream  # type: ignore[return-value]  # by delegation


def drawn_on(stream: TextIO) -> TextIO:
    """The terminal itself, for those who draw: they move its cursor, and look after each text themselves."""
    return stream.stream if isinstance(stream, PlainTerminal) else stream


def made_printable(record: _T) -> _T:
    """A frozen record with all its texts printable, for those who draw."""
    return _printable(record)  # type: ignore[no-any-return]  # of the same kind


def _printable(value: Any) -> Any:  # noqa: ANN401 - whatever a record holds
    if isinstance(value, str):
        return " ".join(printable(value).splitlines()) if value else value
    if isinstance(value, tuple):
        return tuple(_printable(each) for each in value)
    if isinstance(value, dict):
        return {key: _printable(each) for key, each in value.items()}
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        texts = {
            f.name: _printable(getattr(value, f.name))
            for f in dataclasses.fields(value)
        }
        return dataclasses.replace(value, **texts)
    return value
