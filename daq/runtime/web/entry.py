"""Coming in, going out, and making links void: tokens are exchanged for cookies here, and nowhere else."""

import asyncio
import math
from typing import Literal

from starlette.responses import Response

from daq.errors import InputError
from daq.runtime.web.access import Role
from daq.runtime.web.answers import Access, Done, Trouble, json_response
from daq.runtime.web.bodies import RenewBody, TokenBody, parse_body
from daq.runtime.web.calls import (
    OPERATE_OVER_TLS,
    Call,
    Desk,
    cookie_name,
    role_of,
)
from daq.runtime.web.guard import RefusalError
from daq.runtime.web.listeners import ListenerKind

_COOKIE_S = 30 * 24 * 3600
_ROLES: dict[Role, Literal["none", "reader", "operator"]] = {
    Role.NONE: "none",
    Role.READER: "reader",
    Role.OPERATOR: "operator",
}
_LISTENERS: dict[ListenerKind, Literal["loopback", "network", "socket"]] = {
    ListenerKind.LOOPBACK: "loopback",
    ListenerKind.NETWORK: "network",
    ListenerKind.SOCKET: "socket",
}
_READ_ALONG = "Plain HTTP: anyone on this network can see this page."
_NO_TOKEN = "Open the reader's link to see the bench."  # noqa: S105 - words


async def tell_access(desk: Desk, call: Call) -> Response:
    """What the one who asks may do here."""
    return json_response(_access(call, role_of(desk.keys, call)))


async def enter(desk: Desk, call: Call) -> Response:
    """Exchange a token for a cookie."""
    wait_s = desk.limits[call.listener.kind].wait_s(call.address)
    if wait_s > 0.0:
        return _later(math.ceil(wait_s))
    role = desk.keys.role_of_token(parse_body(TokenBody, call.body).token)
    if role is Role.NONE:
        text = "token: is not valid, or not any more; ask for a new link"
        return json_response(Trouble(text), status=401)
    if role is Role.OPERATOR and not call.listener.is_secure:
        text = f"token: {OPERATE_OVER_TLS}; renew the operator's token, it may have been seen"
        return json_response(Trouble(text), status=403)
    return _with_cookie(json_response(_access(call, role)), desk, call, role)


async def leave(_desk: Desk, call: Call) -> Response:
    """Clear the cookie."""
    if call.listener.kind is ListenerKind.SOCKET:
        return json_response(_access(call, Role.OPERATOR))
    answer = json_response(_access(call, Role.NONE))
    _set_cookie(answer, call, "", lasts_s=0)
    return answer


async def renew(desk: Desk, call: Call) -> Response:
    """Make every link and cookie of a role void; the operator who asks for it stays the operator."""
    role = Role(parse_body(RenewBody, call.body).role)
    loop = asyncio.get_running_loop()
    try:
        # The file is flushed to the disk, which may take its time. There is one thread: a renewal begins with what the
        # one before has left.
        await loop.run_in_executor(desk.beside, desk.keys.renew, role)
    except InputError as exc:
        raise RefusalError(503, f"{exc}; the links that hold go on holding") from exc
    desk.fanout.end_unentitled()
    text = f"Every link and every entry of the {role} is void from now on; `daq session BENCH links` tells the new link."
    answer = json_response(Done(text))
    return _with_cookie(answer, desk, call, Role.OPERATOR)


async def links(desk: Desk, _call: Call) -> Response:
    """Links with their keys, for whoever may use the Unix socket."""
    return json_response(desk.links())


def _access(call: Call, role: Role) -> Access:
    listener = call.listener
    on_network = listener.kind is ListenerKind.NETWORK
    notices = [
        notice
        for notice, holds in (
            (_NO_TOKEN, on_network and role is Role.NONE),
            (_READ_ALONG, not listener.is_secure),
        )
        if holds
    ]
    return Access(
        role=_ROLES[role],
        may_operate=role is Role.OPERATOR and listener.is_secure,
        listener=_LISTENERS[listener.kind],
        secure=listener.is_secure,
        notice=" ".join(notices),
    )


def _later(wait_s: int) -> Response:
    text = f"token: too many attempts, wait {wait_s} s"
    answer = json_response(Trouble(text), status=429)
    answer.headers["retry-after"] = str(wait_s)
    return answer


def _with_cookie(answer: Response, desk: Desk, call: Call, role: Role) -> Response:
    if call.listener.kind is not ListenerKind.SOCKET:
        _set_cookie(answer, call, desk.keys.cookie(role), lasts_s=_COOKIE_S)
    return answer


def _set_cookie(answer: Response, call: Call, value: str, *, lasts_s: int) -> None:
    answer.set_cookie(
        cookie_name(call.listener),
        value,
        max_age=lasts_s,
        path="/",
        secure=call.listener.tls is not None,
        httponly=True,
        samesite="strict",
    )
