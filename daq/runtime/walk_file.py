"""The file with what was acknowledged before sessions, beside the store: read whole, written whole or not at all."""

import contextlib
import os
from collections.abc import Sequence
from pathlib import Path

from daq.checklist.kept import Entry, parse_entries, render_entries
from daq.errors import InputError


def checks_path(store: Path) -> Path:
    """Where it stands."""
    return store.with_suffix(".checks.toml")


def load_entries(path: Path) -> tuple[Entry, ...]:
    """What was kept; nothing where there is no file yet.

    Raises:
        InputError: If it cannot be read; it is never written over then.
    """
    try:
        return parse_entries(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return ()
    except (OSError, UnicodeDecodeError, ValueError) as exc:
        msg = f"{path}: cannot be read: {exc}; mend it, or move it away to be asked everything anew"
        raise InputError(msg) from exc


def save_entries(path: Path, entries: Sequence[Entry]) -> None:
    """Put them into the place of what is there.

    Raises:
        InputError: If they cannot be written.
    """
    unfinished = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        unfinished.write_text(render_entries(entries), encoding="utf-8")
        unfinished.replace(path)
    except OSError as exc:
        msg = f"{path}: cannot be written: {exc.strerror or exc}; the answers were not kept"
        raise InputError(msg) from exc
    finally:
        with contextlib.suppress(OSError):
            unfinished.unlink()
