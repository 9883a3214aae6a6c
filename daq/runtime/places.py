"""Where a service's own files stand: beside the store, and found again by whoever knows the store."""

import os
from pathlib import Path

_LONGEST_SOCKET = 100
"""Bytes; Linux takes 107 in the name of a Unix socket, other systems 103."""


def keys_path(store: Path) -> Path:
    """The file with the tokens of reader and operator."""
    return store.with_suffix(".keys")


def socket_path(store: Path) -> Path | None:
    """The socket that operators on this machine use; None where the folder is too deep for one."""
    beside = store.resolve().with_suffix(".socket")
    return beside if len(os.fsencode(beside)) <= _LONGEST_SOCKET else None
