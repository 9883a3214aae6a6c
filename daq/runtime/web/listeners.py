"""Where the page listens: on loopback always; on a Unix socket and on the network where told to.

Sockets are bound and listening when they are made, so that a port that is taken is known before anything starts.
"""

import contextlib
import ipaddress
import os
import socket
import ssl
import stat
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from daq.errors import InputError, NetworkError

LOOPBACK = "127.0.0.1"
_BACKLOG = 128
_WILDCARDS = ("", "0.0.0.0", "::")  # noqa: S104 - to be refused
_EVERYWHERE = (
    "stands for every address, expected the one that others know this machine by"
)
_SEND_BUFFER_BYTES = 64 * 1024
_UNACKNOWLEDGED_MS = 30_000
MOST_HELD = 400
"""Connections of loopback, and of the network, that are open at once, those that have not said a word among them [1].

200 viewers with some requests each; both together are far from the usual limit of 1024 open files.
"""
MOST_HELD_OF_COMMANDS = 64
"""Of the Unix socket, where nobody but this user comes [1]."""
_TAKEN_IN_A_TURN = 16
"""Connections that one turn of the event loop takes, so that a thousand at once hold up no reading [1]."""
# Linux takes 107; some systems take less.
_LONGEST_PATH_BYTES = 103
_Address = tuple[str, int] | tuple[str, int, int, int] | tuple[int, bytes]


class ListenerKind(StrEnum):
    """Who can reach it."""

    LOOPBACK = "loopback"
    NETWORK = "network"
    SOCKET = "socket"


@dataclass(frozen=True, slots=True)
class Share:
    """The page on the network.

    Attributes:
        address: One address or name of this machine; it stands in the links, and no other is answered.
        port: 0 takes a free one.
        certificate: In PEM form, for TLS; plain HTTP without.
        key: Of the certificate; None where it is in the same file.
    """

    address: str
    port: int
    certificate: Path | None = None
    key: Path | None = None


@dataclass(frozen=True, slots=True)
class Listener:
    """One listening socket.

    Attributes:
        port: Of loopback or network; 0 for a Unix socket.
        hosts: What a request may call it; empty where names mean nothing.
        tls: Certificate and its key; None without TLS.
        path: Of a Unix socket.
    """

    kind: ListenerKind
    socket: socket.socket
    port: int = 0
    hosts: tuple[str, ...] = ()
    tls: ssl.SSLContext | None = None
    path: Path | None = None
    _inode: int = field(default=0, repr=False)

    @property
    def is_secure(self) -> bool:
        """Whether nobody on the way can read along."""
        return self.tls is not None or self.kind is not ListenerKind.NETWORK

    @property
    def origins(self) -> tuple[str, ...]:
        """What a browser calls this place, the form that links have first."""
        scheme = "https" if self.tls else "http"
        return tuple(f"{scheme}://{host}" for host in self.hosts)

    def close(self) -> None:
        """Give port or path back; a second time does nothing."""
        self.socket.close()
        # Whoever has replaced the path since keeps it.
        if self.path is not None:
            with contextlib.suppress(FileNotFoundError):
                if self.path.lstat().st_ino == self._inode:
                    self.path.unlink()


class _BoundedSocket(socket.socket):
    """Listens, and holds at most so many connections at once; one too many is closed as soon as it is there.

    The server's own count begins where the handshake of TLS ends, for which it waits a minute: until then whoever says
    nothing would take up as many open files as he likes, and ports and store need some too.
    """

    def __init__(self, family: int, protocol: int = 0, *, most: int) -> None:
        super().__init__(family, socket.SOCK_STREAM, protocol)
        self._most = most
        self._held: list[socket.socket] = []
        self._taken = 0

    def accept(self) -> tuple[socket.socket, Any]:
        """The next connection.

        Raises:
            BlockingIOError: If there is none, or it is the turn of something else.
            ConnectionAbortedError: If there are too many.
        """
        if self._taken == _TAKEN_IN_A_TURN:
            self._taken = 0
            raise BlockingIOError
        try:
            accepted, address = super().accept()
        except BlockingIOError:
            self._taken = 0
            raise
        self._taken += 1
        if len(self._held) >= self._most:
            self._held = [each for each in self._held if each.fileno() != -1]
        if len(self._held) >= self._most:
            accepted.close()
            msg = f"{self._most} connections are open already"
            raise ConnectionAbortedError(msg)
        self._held.append(accepted)
        return accepted, address


def listen_on_loopback(port: int) -> Listener:
    """Listen on this machine only; 0 takes a free port.

    Raises:
        NetworkError: If another program has the port.
    """
    try:
        bound = _bound(socket.AF_INET, (LOOPBACK, port))
    except OSError as exc:
        msg = f"page port {port}: another program has it, set [page] port to another one or to 0 for a free one"
        raise NetworkError(msg) from exc
    taken: int = bound.getsockname()[1]
    hosts = _hosts((LOOPBACK, "localhost"), taken, default=80)
    return Listener(ListenerKind.LOOPBACK, bound, taken, hosts)


def listen_on_network(share: Share) -> Listener:
    """Listen on one address of this machine.

    Raises:
        InputError: If the certificate is no good.
        NetworkError: If the address is not this machine's, or its port is taken.
    """
    where = f"share {share.address} port {share.port}"
    if share.address in _WILDCARDS:
        msg = f"share address {share.address!r}: {_EVERYWHERE}"
        raise NetworkError(msg)
    tls = None if share.certificate is None else _tls(share.certificate, share.key)
    try:
        bound = _bound_first(_found(share))
    except (OSError, UnicodeError) as exc:
        msg = f"{where}: cannot listen there ({exc}), expected a free port of an address of this machine"
        raise NetworkError(msg) from exc
    name = share.address.lower()
    shown = f"[{name}]" if ":" in name else name
    taken: int = bound.getsockname()[1]
    hosts = _hosts((shown,), taken, default=443 if tls else 80)
    return Listener(ListenerKind.NETWORK, bound, taken, hosts, tls)


def listen_on_socket(path: Path) -> Listener:
    """Listen on a Unix socket that nobody but this user can open.

    Raises:
        NetworkError: If a living program has the path, or something else is there.
    """
    if len(os.fsencode(path)) > _LONGEST_PATH_BYTES:
        msg = f"page socket {path}: cannot be made, expected a path of at most {_LONGEST_PATH_BYTES} bytes"
        raise NetworkError(msg)
    try:
        _refuse_if_in_use(path)
        bound, inode = _bound_in_private(path)
    except OSError as exc:
        msg = f"page socket {path}: cannot be made ({exc.strerror or exc}), expected a path in a folder of your own"
        raise NetworkError(msg) from exc
    return Listener(ListenerKind.SOCKET, bound, path=path, _inode=inode)


def is_free(port: int) -> bool:
    """Whether the page could have this port."""
    try:
        listen_on_loopback(port).close()
    except NetworkError:
        return False
    return True


def _found(share: Share) -> Sequence[tuple[int, _Address]]:
    """Where a share's address or name leads, and what others can reach of it.

    Raises:
        OSError: If it leads nowhere.
        NetworkError: If nobody could reach it from elsewhere, or it stands for every address.
    """
    found = [
        (family, address)
        for family, *_, address in socket.getaddrinfo(
            share.address, share.port, type=socket.SOCK_STREAM
        )
    ]
    numbers = [ipaddress.ip_address(str(address[0])) for _, address in found]
    if any(number.is_unspecified for number in numbers):
        msg = f"share address {share.address!r}: {_EVERYWHERE}"
        raise NetworkError(msg)
    if _is_number(share.address):
        return found
    # Many systems know themselves by a name that leads to themselves alone: its link would lead each other one to itself.
    reachable = [
        each
        for each, number in zip(found, numbers, strict=True)
        if not number.is_loopback
    ]
    if not reachable:
        msg = f"share address {share.address!r}: leads to this machine's own {numbers[0]}, where nobody else comes; give its address on the network in numbers"
        raise NetworkError(msg)
    return reachable


def _is_number(address: str) -> bool:
    try:
        ipaddress.ip_address(address)
    except ValueError:
        return False
    return True


def _bound_first(found: Sequence[tuple[int, _Address]]) -> socket.socket:
    """Bound to the first that can be had."""
    *others, last = found
    for family, address in others:
        with contextlib.suppress(OSError):
            return _bound(family, address)
    return _bound(*last)


def _bound(family: int, address: _Address) -> socket.socket:
    # Only with the protocol named does the event loop send small frames at once (TCP_NODELAY): 40 ms a piece.
    bound = _BoundedSocket(family, socket.IPPROTO_TCP, most=MOST_HELD)
    try:
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # Both pass on to the connections: little waits in the system for a viewer that takes nothing, and a peer that
        # is gone without a word is noticed, even where what waits for it is less than the event loop minds.
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER_BYTES)
        if hasattr(socket, "TCP_USER_TIMEOUT"):
            bound.setsockopt(
                socket.IPPROTO_TCP, socket.TCP_USER_TIMEOUT, _UNACKNOWLEDGED_MS
            )
        bound.bind(address)
        # Two sockets that may be reused can be bound to one port: only listening makes it ours.
        bound.listen(_BACKLOG)
    except OSError:
        bound.close()
        raise
    return bound


def _hosts(names: tuple[str, ...], port: int, *, default: int) -> tuple[str, ...]:
    with_port = tuple(f"{name}:{port}" for name in names)
    # A browser leaves out the port that its scheme stands for.
    return (*names, *with_port) if port == default else with_port


def _tls(certificate: Path, key: Path | None) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        # Without a password given here, a locked key would be asked for in the terminal.
        context.load_cert_chain(certificate, key, password=lambda: b"")
    except (OSError, ValueError) as exc:
        named = certificate if key is None else f"{certificate} with key {key}"
        msg = f"certificate {named}: cannot be used ({exc}), expected PEM files that belong together, the key without a password"
        raise InputError(msg) from exc
    return context


def _refuse_if_in_use(path: Path) -> None:
    """A socket that nobody answers on is left of a program that has died, and may be replaced."""
    try:
        mode = path.lstat().st_mode
    except FileNotFoundError:
        return
    if not stat.S_ISSOCK(mode):
        msg = f"page socket {path}: a file of another kind is there, expected nothing or a socket"
        raise NetworkError(msg)
    with socket.socket(socket.AF_UNIX) as probe:
        probe.settimeout(1.0)
        try:
            probe.connect(str(path))
        except ConnectionRefusedError:
            return
        except TimeoutError:
            pass
    msg = f"page socket {path}: another program answers there, stop it first"
    raise NetworkError(msg)


def _bound_in_private(path: Path) -> tuple[socket.socket, int]:
    """Made in a folder of mode 0700 and moved into place with its rights: it is never open to others."""
    bound = _BoundedSocket(socket.AF_UNIX, most=MOST_HELD_OF_COMMANDS)
    try:
        with tempfile.TemporaryDirectory(prefix=".", dir=path.parent) as folder:
            made = Path(folder) / "s"
            bound.bind(str(made))
            made.chmod(0o600)
            bound.listen(_BACKLOG)
            inode = made.lstat().st_ino
            os.replace(made, path)  # noqa: PTH105 - over a stale socket, in one step
    except OSError:
        bound.close()
        raise
    return bound, inode
