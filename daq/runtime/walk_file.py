"""The file with what was acknowledged before sessions, beside the store: read whole, written whole or not at all."""

import contextlib
import os
from collections.abc import Sequence
from pathlib import Path

from daq.checklist.kept import (
    Entry,
    Kept,
    entry_text,
    parse_entries,
    render_entries,
)
from daq.config.bench import Bench
from daq.config.checked_subjects import holding_entries
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


def check_lines(store: Path, bench: Bench, now_utc: str) -> list[str]:
    """What holds of this bench now, in lines for the record of a session that begins.

    A file that cannot be read keeps no session from beginning: the only line says so then.

    Args:
        store: Results file.
        bench: Its meters as they are now.
        now_utc: RFC 3339.
    """
    try:
        kept = Kept(load_entries(checks_path(store)), now_utc)
    except InputError as exc:
        return [str(exc)]
    return [entry_text(entry) for entry in holding_entries(bench, kept)]


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
