"""Secrets from where the configuration says they are. What is read here is never logged, shown or kept."""

import logging
import os
import stat
from collections.abc import Iterator
from pathlib import Path

from daq.config.secrets import SecretModel
from daq.errors import InputError

_LOG = logging.getLogger(__name__)


def read_secret(secret: SecretModel, *, key: str, base: Path) -> str:
    """A secret; warns of a file that others may read.

    Args:
        secret: Where it is.
        key: In the configuration, for errors.
        base: Folder that its file is relative to.

    Raises:
        InputError: If there is none.
    """
    if secret.file is not None:
        return read_secret_file(base / secret.file)
    value = _in_environment(secret)
    if not value:
        msg = f"{key}.env: the environment has no variable {secret.env}, expected the secret in it, or {key} = {{ file = … }}"
        raise InputError(msg)
    return value


def _in_environment(secret: SecretModel) -> str:
    """Without the line end that a variable has when it was filled from a file."""
    return os.environ.get(secret.env or "", "").rstrip("\r\n")


def read_secret_file(path: Path) -> str:
    """The first line of a file, without a byte-order mark; warns where others may read it.

    Raises:
        InputError: If there is none.
    """
    caution = exposure(path)
    if caution:
        _LOG.warning("%s", caution)
    return _first_line(path)


def _first_line(path: Path) -> str:
    try:
        # Some editors put such a mark before every text, where nobody sees it.
        line = path.read_text(encoding="utf-8-sig").partition("\n")[0].rstrip("\r")
    except OSError as exc:
        msg = f"{path}: no password can be read from it ({exc.strerror}), expected it on the first line"
        raise InputError(msg) from exc
    except UnicodeDecodeError:
        # Its cause would show the bytes that stand there.
        msg = f"{path}: no password can be read from it (no UTF-8), expected it on the first line"
        raise InputError(msg) from None
    if not line:
        msg = f"{path}: no password can be read from it (its first line is empty), expected it on the first line"
        raise InputError(msg)
    return line


def secret_cautions(secret: SecretModel, *, key: str, base: Path) -> Iterator[str]:
    """What to see to before the secret is needed."""
    if secret.file is not None:
        path = base / secret.file
        if caution := exposure(path):
            yield caution
        if not path.exists():
            yield f"{path}: no such file, expected the {key} on its first line"
            return
        try:
            _first_line(path)
        except InputError as exc:
            yield str(exc)
    elif not _in_environment(secret):
        yield f"{key}.env: the environment here has no variable {secret.env}; the service needs it in its own"


def exposure(path: Path) -> str | None:
    """Who else may read a file, in words; None where nobody may, or where nothing is known of it."""
    try:
        status = path.stat()
    except OSError:
        return None
    mode = stat.S_IMODE(status.st_mode)
    if not stat.S_ISREG(status.st_mode) or not mode & 0o077:
        return None
    return f"{path}: others on this computer may read this secret (mode {mode:04o}), expected 0600: chmod 600 {path}"
