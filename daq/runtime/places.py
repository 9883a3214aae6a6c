"""Where a service's own files stand: beside the store, and found again by whoever knows the store."""

import hashlib
import os
import tempfile
from pathlib import Path

_LONGEST_SOCKET = 100
"""Bytes; Linux takes 107 in the name of a Unix socket, other systems 103."""


def keys_path(store: Path) -> Path:
    """The file with the tokens of reader and operator."""
    return store.with_suffix(".keys")


def socket_path(store: Path) -> Path:
    """The socket that operators on this machine use; in a deep folder it has to stand elsewhere."""
    store = store.resolve()
    beside = store.with_suffix(".socket")
    if len(os.fsencode(beside)) <= _LONGEST_SOCKET:
        return beside
    folder = os.environ.get("XDG_RUNTIME_DIR") or tempfile.gettempdir()
    digest = hashlib.sha256(os.fsencode(store)).hexdigest()[:16]
    return Path(folder) / f"steadybench-{digest}.socket"
