"""Reading and operating: each call becomes one question to the bench behind the page."""

from collections.abc import Awaitable, Callable

from starlette.responses import Response
from starlette.types import ASGIApp

from daq.errors import OperationRefusedError
from daq.operations import Operation
from daq.runtime.web.answers import Done, Refused, json_response, json_text
from daq.runtime.web.bodies import EmptyBody, OperationBody, parse_body
from daq.runtime.web.calls import Call, Desk, may_read
from daq.runtime.web.fanout import LiveStream
from daq.runtime.web.guard import RefusalError
from daq.runtime.web.listeners import ListenerKind

Handler = Callable[[Desk, Call], Awaitable[ASGIApp]]


async def state(desk: Desk, _call: Call) -> Response:
    """The whole snapshot."""
    return json_text(desk.fanout.state())


async def trace(desk: Desk, call: Call) -> Response:
    """Recent readings of every channel."""
    return json_text(await desk.pending.answer(desk.face.trace(), call.connection))


async def funnel(desk: Desk, call: Call) -> Response:
    """How the trial in hand comes to settle."""
    return json_text(await desk.pending.answer(desk.face.funnel(), call.connection))


async def live(desk: Desk, call: Call) -> LiveStream:
    """The stream, for as long as the caller may read."""
    return LiveStream(
        desk.fanout,
        entitled=lambda: may_read(desk.keys, call),
    )


async def plans(desk: Desk, call: Call) -> Response:
    """Plans on offer."""
    return json_text(await desk.pending.answer(desk.face.plans(), call.connection))


async def sessions(desk: Desk, call: Call) -> Response:
    """Stored sessions."""
    return json_text(await desk.pending.answer(desk.face.sessions(), call.connection))


async def session(desk: Desk, call: Call) -> Response:
    """One stored session."""
    (number,) = call.numbers
    text = await desk.pending.answer(desk.face.session(number), call.connection)
    return _found(text, f"session {number}: is not in the store")


async def trial_trace(desk: Desk, call: Call) -> Response:
    """Readings of one stored trial."""
    number, trial = call.numbers
    answering = desk.face.trial_trace(number, trial)
    text = await desk.pending.answer(answering, call.connection)
    return _found(text, f"trial {trial} of session {number}: is not in the store")


async def description(desk: Desk, call: Call) -> Response:
    """What describes all of this."""
    return json_text(await desk.describe(call.listener))


def operates(model: type[OperationBody]) -> Handler:
    """A handler of an operation whose words stand in the body."""

    async def handler(desk: Desk, call: Call) -> Response:
        return await _operate(desk, call, parse_body(model, call.body).operation())

    return handler


def operates_without_words(operation: Operation) -> Handler:
    """A handler of an operation that needs no words."""

    async def handler(desk: Desk, call: Call) -> Response:
        parse_body(EmptyBody, call.body)
        return await _operate(desk, call, operation)

    return handler


async def _operate(desk: Desk, call: Call, operation: Operation) -> Response:
    on_socket = call.listener.kind is ListenerKind.SOCKET
    way = "command line" if on_socket else "page"
    try:
        done = Done(await desk.face.operate(operation, way=way))
    except OperationRefusedError as refusal:
        return json_response(Refused(refusal.code, str(refusal)), status=409)
    return json_response(done)


def _found(text: str | None, otherwise: str) -> Response:
    if text is None:
        raise RefusalError(404, otherwise)
    return json_text(text)
