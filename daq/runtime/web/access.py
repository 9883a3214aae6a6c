"""Who may read and who may operate: two tokens in a file, and cookies made from them.

A cookie carries its role, a nonce and the HMAC of both under the role's token: nothing has to be kept about it, and it
is void as soon as the token is renewed. Tokens and cookies are never logged and never part of an error's text.
"""

import contextlib
import hashlib
import hmac
import json
import os
import secrets
import stat
import tempfile
from collections import deque
from collections.abc import Callable
from enum import StrEnum
from pathlib import Path

from daq.errors import InputError

_TOKEN_BYTES = 32
_TOKEN_LENGTH = 43  # of 32 bytes in base64url
_NONCE_BYTES = 16


class Role(StrEnum):
    """What somebody may do."""

    NONE = "none"
    READER = "reader"
    OPERATOR = "operator"


_KEPT = (Role.READER, Role.OPERATOR)


class AccessKeys:
    """The tokens of reader and operator, kept in a file of mode 0600."""

    def __init__(self, path: Path) -> None:
        """Read the tokens, or make them.

        Raises:
            InputError: If others may read the file, or it holds no tokens.
        """
        self._path = path
        self._tokens = _read(path)
        if not self._tokens:
            self._tokens = {role: _new_token() for role in _KEPT}
            _write(path, self._tokens)

    def token(self, role: Role) -> str:
        """For a link; not to be logged."""
        return self._tokens[role]

    def role_of_token(self, token: str) -> Role:
        """Whose token this is."""
        return self._first(lambda role: _is_same(token, self._tokens[role]))

    def cookie(self, role: Role) -> str:
        """A new cookie of a role."""
        signed = f"{role}.{secrets.token_urlsafe(_NONCE_BYTES)}"
        return f"{signed}.{self._signature(role, signed)}"

    def role_of_cookie(self, cookie: str) -> Role:
        """What a cookie allows."""
        signed, _, signature = cookie.rpartition(".")
        named, _, _ = signed.partition(".")
        return self._first(
            lambda role: (
                named == role and _is_same(signature, self._signature(role, signed))
            )
        )

    def renew(self, role: Role) -> None:
        """Make a new token; every link and cookie of the role is void from now on."""
        tokens = {**self._tokens, role: _new_token()}
        _write(self._path, tokens)
        self._tokens = tokens

    def _signature(self, role: Role, signed: str) -> str:
        key = self._tokens[role].encode()
        return hmac.new(
            key, signed.encode(errors="replace"), hashlib.sha256
        ).hexdigest()

    @staticmethod
    def _first(is_of: Callable[[Role], bool]) -> Role:
        # Both are tried always: time tells nothing.
        found = [role for role in _KEPT if is_of(role)]
        return found[0] if found else Role.NONE


class EntryLimit:
    """How often somebody may try a token: so many in a minute from one address, so many from all together."""

    def __init__(
        self,
        *,
        now_s: Callable[[], float],
        each: int = 10,
        altogether: int = 60,
        within_s: float = 60.0,
    ) -> None:
        self._now_s = now_s
        self._each = each
        self._altogether = altogether
        self._within_s = within_s
        self._attempts: deque[tuple[float, str]] = deque()

    def wait_s(self, address: str) -> float:
        """Note an attempt; returns how long to wait first, 0 where it may be made [s]."""
        now_s = self._now_s()
        while self._attempts and self._attempts[0][0] <= now_s - self._within_s:
            self._attempts.popleft()
        own = [at_s for at_s, whose in self._attempts if whose == address]
        full = [own] if len(own) >= self._each else []
        if len(self._attempts) >= self._altogether:
            full.append([at_s for at_s, _ in self._attempts])
        if full:
            return max(at_s[0] for at_s in full) + self._within_s - now_s
        self._attempts.append((now_s, address))
        return 0.0


def _new_token() -> str:
    return secrets.token_urlsafe(_TOKEN_BYTES)


def _is_same(given: str, kept: str) -> bool:
    return hmac.compare_digest(given.encode(errors="replace"), kept.encode())


def _read(path: Path) -> dict[Role, str]:
    """The tokens of a file; none where there is no file."""
    try:
        with path.open("rb") as file:
            status = os.fstat(file.fileno())
            text = file.read(4096)
    except FileNotFoundError:
        return {}
    except OSError as exc:
        msg = f"access keys {path}: cannot be read ({exc.strerror}), expected a file of your own"
        raise InputError(msg) from exc
    mode = stat.S_IMODE(status.st_mode)
    if mode & 0o077:
        msg = f"access keys {path}: others may open it (mode {mode:04o}), expected 0600; delete it, new keys are made then"
        raise InputError(msg)
    return _parsed(text, path)


def _parsed(text: bytes, path: Path) -> dict[Role, str]:
    try:
        kept = json.loads(text)
        tokens = {role: str(kept[role]) for role in _KEPT}
    except (ValueError, LookupError, TypeError):
        tokens = {}
    lengths = [len(token) for token in tokens.values()]
    if lengths != [_TOKEN_LENGTH] * len(_KEPT) or len({*tokens.values()}) == 1:
        # The fault is told without its cause, which would show what stands in the file.
        msg = f"access keys {path}: does not hold two keys; delete it, new ones are made then"
        raise InputError(msg)
    return tokens


def _write(path: Path, tokens: dict[Role, str]) -> None:
    """Whole or not at all, and open to its owner only from the first moment on (mkstemp makes mode 0600)."""
    made = None
    try:
        handle, made = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with os.fdopen(handle, "w", encoding="ascii") as file:
            json.dump(tokens, file)
            file.flush()
            os.fsync(file.fileno())
        Path(made).replace(path)
    except OSError as exc:
        if made is not None:
            with contextlib.suppress(OSError):
                Path(made).unlink()
        msg = f"access keys {path}: cannot be written ({exc.strerror}), expected room in a folder of your own"
        raise InputError(msg) from exc
