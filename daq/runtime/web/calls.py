"""One request to the API: who calls from where, what the role allows there, and what the answer is made with."""

from collections.abc import Awaitable, Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass

from starlette.requests import cookie_parser

from daq.runtime.web.access import AccessKeys, EntryLimit, Role
from daq.runtime.web.answers import Links
from daq.runtime.web.connections import Connection
from daq.runtime.web.face import Face
from daq.runtime.web.fanout import Fanout
from daq.runtime.web.guard import RefusalError
from daq.runtime.web.listeners import Listener, ListenerKind
from daq.runtime.web.pending import Pending

OPERATE_OVER_TLS = (
    "plain HTTP is for reading: anyone on this network could read the operator's token along; "
    "operate on the bench's own computer, or share the page with a certificate"
)


@dataclass(frozen=True, slots=True)
class Desk:
    """What calls are answered with.

    Attributes:
        limits: Each door has its own: who knocks at one shuts nobody out at another.
        beside: One thread for what would hold up the event loop; not one of its own, which ports are opened with.
    """

    face: Face
    keys: AccessKeys
    limits: Mapping[ListenerKind, EntryLimit]
    fanout: Fanout
    pending: Pending
    beside: Executor
    describe: Callable[[Listener], Awaitable[str]]
    links: Callable[[], Links]


@dataclass(frozen=True, slots=True)
class Call:
    """One request that the guard has let in.

    Attributes:
        connection: That the answer goes to.
        address: Of the caller; empty on the Unix socket.
        cookie: The caller's proof of a role; empty without one.
        numbers: In the path.
    """

    listener: Listener
    connection: Connection
    address: str
    cookie: str
    body: bytes
    numbers: tuple[int, ...] = ()


Right = Callable[[Desk, Call], None]
"""What a route needs of the caller; raises RefusalError."""


def role_of(keys: AccessKeys, call: Call) -> Role:
    """Whoever can open the Unix socket is the user that the bench runs for."""
    if call.listener.kind is ListenerKind.SOCKET:
        return Role.OPERATOR
    return keys.role_of_cookie(call.cookie)


def may_read(keys: AccessKeys, call: Call) -> bool:
    """On this computer everybody; from the network whoever has a token."""
    on_network = call.listener.kind is ListenerKind.NETWORK
    return not on_network or role_of(keys, call) is not Role.NONE


def may_operate(keys: AccessKeys, call: Call) -> bool:
    """The operator, where nobody on the way can read along."""
    return call.listener.is_secure and role_of(keys, call) is Role.OPERATOR


def anybody(_desk: Desk, _call: Call) -> None:
    """Nothing is told and nothing is changed that would need a token."""


def reader(desk: Desk, call: Call) -> None:
    """Refuse whoever may not read."""
    if not may_read(desk.keys, call):
        raise RefusalError(401, "access: no valid token, open the reader's link first")


def operator(desk: Desk, call: Call) -> None:
    """Refuse whoever may not operate."""
    if not call.listener.is_secure:
        raise RefusalError(403, f"access: {OPERATE_OVER_TLS}")
    if not may_operate(desk.keys, call):
        raise RefusalError(
            401, "access: not the operator, open the operator's link first"
        )


def on_socket(_desk: Desk, call: Call) -> None:
    """Refuse whoever does not come over the Unix socket."""
    if call.listener.kind is not ListenerKind.SOCKET:
        raise RefusalError(403, "links: told over the Unix socket only")


def cookie_name(listener: Listener) -> str:
    """Cookies do not keep ports apart: two benches on one computer would take each other's."""
    return f"__Host-bench-{listener.port}" if listener.tls else f"bench-{listener.port}"


def cookie_in(headers: list[str], listener: Listener) -> str:
    """The caller's cookie of this listener; empty without one."""
    if listener.kind is ListenerKind.SOCKET:
        return ""
    return cookie_parser("; ".join(headers)).get(cookie_name(listener), "")
