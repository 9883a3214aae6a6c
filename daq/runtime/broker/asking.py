"""Operations that are asked for over MQTT: taken one at a time, answered one by one.

Refused are wishes that the broker had kept (a retained one would be carried out again after each restart), that are
stale, repeated or malformed, and operations that the bench file does not allow. What is left is handed to the service,
which may refuse it too. A connection that is lost meanwhile stops no operation: the answer waits for the next one.
"""

import asyncio
from collections.abc import Awaitable, Callable, Collection

from daq.errors import InputError, OperationRefusedError
from daq.messages import Answer, Ask, AsksTaken, ask_id_of, parse_ask, render_answer
from daq.messages.form import Fields
from daq.operations import Note, Operation, SameAsBefore, Skip, Start
from daq.runtime.broker.connection import Incoming

_MOST_WAITING = 16
_BUSY = "ask: too many operations are waiting, expected an answer to be waited for"


class Asking:
    """Takes wishes and answers them.

    Args:
        allowed: Names of the operations that the bench file allows.
        on_ask: Carries an operation out and returns a sentence.
        answer: Sends the payload of an answer; must not wait.
        utc_s: Present UTC [s since 1970-01-01T00:00:00Z].
    """

    def __init__(
        self,
        *,
        allowed: Collection[str],
        on_ask: Callable[[Operation], Awaitable[str]],
        answer: Callable[[str], None],
        utc_s: Callable[[], float],
    ) -> None:
        self._allowed = tuple(allowed)
        self._on_ask = on_ask
        self._answer = answer
        self._utc_s = utc_s
        self._taken = AsksTaken()
        self._waiting: asyncio.Queue[Incoming] = asyncio.Queue(_MOST_WAITING)

    def arrived(self, message: Incoming) -> None:
        """Note a wish down; what comes while too many wait is refused at once."""
        try:
            self._waiting.put_nowait(message)
        except asyncio.QueueFull:
            self._tell(ask_id_of(message.payload), taken=False, text=_BUSY)

    async def run(self) -> None:
        """Carry out what is asked, until cancelled."""
        while True:
            message = await self._waiting.get()
            await self._take(message)

    async def _take(self, message: Incoming) -> None:
        try:
            operation = self._operation(message)
            text = await self._on_ask(operation)
        except (InputError, OperationRefusedError) as exc:
            self._tell(ask_id_of(message.payload), taken=False, text=str(exc))
        else:
            self._tell(ask_id_of(message.payload), taken=True, text=text)

    def _operation(self, message: Incoming) -> Operation:
        if message.is_kept:
            msg = "ask: the broker had kept it, expected one that is not retained"
            raise InputError(msg)
        ask = parse_ask(message.payload)
        if ask.operation not in self._allowed:
            msg = (
                f"ask: {ask.operation} is not allowed over MQTT, the bench file allows "
                f"{', '.join(self._allowed)}"
            )
            raise InputError(msg)
        operation = _operation(ask)
        self._taken.take(ask, now_utc_s=self._utc_s())
        return operation

    def _tell(self, ask_id: str | None, *, taken: bool, text: str) -> None:
        self._answer(render_answer(Answer(ask_id, taken, text)))


def _operation(ask: Ask) -> Operation:
    try:
        return _MAKERS[ask.operation](ask.details)
    except ValueError as exc:
        msg = f"ask: {exc}"
        raise InputError(msg) from exc


def _start(details: Fields) -> Operation:
    is_new = details.flag("new") if "new" in details.values else False
    has_same = details.values.get("same") is not None
    same = _same(details.part("same")) if has_same else None
    return Start(details.text("plan"), new=is_new, same=same)


def _same(fields: Fields) -> SameAsBefore:
    parts = ("machine", "meters", "room")
    if unknown := sorted(set(fields.values) - set(parts)):
        only = f"no such key, same takes {', '.join(parts)} only"
        raise fields.refusal(key=unknown[0], expected=only)
    machine, meters, room = (fields.flag(part) for part in parts)
    return SameAsBefore(machine=machine, meters=meters, room=room)


_MAKERS: dict[str, Callable[[Fields], Operation]] = {
    "start": _start,
    "skip": lambda details: Skip(details.text_or_none("reason") or ""),
    "note": lambda details: Note(details.text("text")),
}
