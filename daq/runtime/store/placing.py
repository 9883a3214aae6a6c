"""Gives a file that was written under another name its own, unless something lies there already.

A question beforehand is not enough: what appears after it would be written over. A link is refused where the name is
taken; on file systems without links the name is taken first by an empty file that only one program can make.
"""

import os
from itertools import count
from pathlib import Path

from daq.errors import InputError

SIDE_FILES = ("-wal", "-shm", "-journal")
"""What SQLite puts behind the name of a file for what belongs to it."""


def expect_new(target: Path) -> None:
    """Expect a name that nothing has, and that SQLite does not take for a part of a file that is there.

    Raises:
        InputError: If it is taken, or would be taken for such a part.
    """
    if os.path.lexists(target):
        raise _taken(target)
    for suffix in SIDE_FILES:
        name = target.name.removesuffix(suffix)
        if name not in {"", target.name} and target.with_name(name).exists():
            msg = f"{target}: it would be taken for a part of {name}, name another file"
            raise InputError(msg)


def expect_new_store(target: Path) -> None:
    """Expect a new name beside which nothing lies that SQLite would take for a part of the new file.

    Raises:
        InputError: If it is taken, or something lies there.
    """
    expect_new(target)
    for suffix in SIDE_FILES:
        beside = target.with_name(f"{target.name}{suffix}")
        if os.path.lexists(beside):
            msg = f"{target}: {beside.name} lies there and would be taken for a part of it, name another file"
            raise InputError(msg)


def place(finished: Path, target: Path) -> None:
    """Give a finished file its name.

    Args:
        finished: The file, in the same folder; it has only the new name afterwards.
        target: Its name.

    Raises:
        InputError: If something has that name by now; it is left as it is.
        OSError: If the folder cannot be written.
    """
    try:
        _move(finished, target)
    except FileExistsError as exc:
        raise _taken(target) from exc


def put_aside(path: Path) -> Path:
    """Give a file that is in the way a name that is free; returns it."""
    for number in count(1):
        more = "" if number == 1 else f"-{number}"
        aside = path.with_name(f"{path.name}.replaced{more}")
        try:
            _move(path, aside)
        except FileExistsError:
            continue
        return aside
    raise AssertionError


def _move(source: Path, target: Path) -> None:
    try:
        os.link(source, target, follow_symlinks=False)
    except FileExistsError:
        raise
    except OSError:  # there may be no links here; what else is wrong comes up again
        _claim(target)
        try:
            source.replace(target)
        except OSError:
            target.unlink()
            raise
    else:
        source.unlink()


def _claim(target: Path) -> None:
    os.close(os.open(target, os.O_CREAT | os.O_EXCL | os.O_WRONLY | os.O_CLOEXEC))


def _taken(target: Path) -> InputError:
    return InputError(f"{target}: it is there already, name another file")
