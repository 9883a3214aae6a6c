"""New files for what a command hands on: whole, or not at all."""

import contextlib
import os
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import IO

from daq.errors import InputError
from daq.runtime.store.placing import expect_new, place


def save_text(path: Path, pieces: Iterable[str]) -> None:
    """Write a new text file, piece by piece.

    Raises:
        InputError: If it is there already or cannot be written.
    """
    save_bytes(path, lambda file: file.writelines(piece.encode() for piece in pieces))


def save_bytes(path: Path, write: Callable[[IO[bytes]], None]) -> None:
    """Write a new file; what is written may be read back and sought.

    Raises:
        InputError: If it is there by then, would be taken for a part of a results file, or cannot be written.
    """
    expect_new(path)
    unfinished = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        with unfinished.open("w+b") as file:
            write(file)
        place(unfinished, path)
    except OSError as exc:
        msg = f"{path}: cannot be written: {exc.strerror or exc}"
        raise InputError(msg) from exc
    finally:
        # Gone where all went well; where its folder is no good, that was said already.
        with contextlib.suppress(OSError):
            unfinished.unlink()
