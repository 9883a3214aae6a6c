"""Keeps a broker told, hears what is asked, and nothing waits for it.

Knows no record and no instrument: topics and payloads come ready from `daq.messages`.
`run` is a task of its own; the methods that hand something over only note it down and
return. Four kinds of message, four promises:

- Live (QoS 0): the newest of each topic, once. What could not be sent before the next
  one came is dropped and counted. Memory: one payload a topic.
- Retained: the newest of each topic, again after each reconnect, because a broker may
  forget; some not more often than stated, the newest then a little later. Memory: one payload a topic.
- Results (QoS 1): from the store's outbox, one at a time, in order, struck off once the
  broker has acknowledged. At least once; a repeat has the same id. Memory: one payload.

Results travel in a task beside the others, so that a store in trouble or a slow
acknowledgement holds up no live reading.
"""

import asyncio
import contextlib
from collections import deque
from collections.abc import Callable
from typing import Literal, Protocol

from daq.errors import NetworkError, StoreError
from daq.messages import Topics, render_status
from daq.runtime.broker.connection import (
    LEAVE_TIMEOUT_S,
    Access,
    Connection,
    Incoming,
    Retained,
    TlsSettings,
    connected,
    tls_context,
)

FIRST_DELAY_S = 0.25
LONGEST_DELAY_S = 1.0
"""From the begin of one call to that of the next: with the longest time that a call may take, live again within 2 s of the broker's return."""
MOST_ANSWERS = 16

BrokerState = Literal["ok", "away"]


class Outbox(Protocol):
    """What the publisher needs of the store."""

    async def outbox_next(self) -> tuple[int, str, str, str] | None:
        """Oldest unsent entry: its number, the result's id, topic, payload."""

    async def outbox_done(self, entry: int, /) -> None:
        """Strike an entry off."""


class Publisher:
    """Sends to one broker for as long as `run` runs.

    Args:
        host: Name or address of the broker.
        port: TCP port.
        client_id: Must be unique at the broker.
        topics: Of this bench.
        outbox: Where results wait.
        on_state: Told when the state or its sentence changes: "ok", "connected to …" or
            "away", "away since …: <reason>".
        utc_text: Present UTC, as the sentence shall give it.
        user: User name, where the broker wants one.
        password: Password of the user.
        tls: Settings for an encrypted connection; None: not encrypted.
        on_ask: Handed what arrives on the ask topic; must not wait. None: nothing is listened to.

    Raises:
        InputError: If the file with certificates is no good.
    """

    def __init__(
        self,
        *,
        host: str,
        port: int,
        client_id: str,
        topics: Topics,
        outbox: Outbox,
        on_state: Callable[[BrokerState, str], None],
        utc_text: Callable[[], str],
        user: str | None = None,
        password: str | None = None,
        tls: TlsSettings | None = None,
        on_ask: Callable[[Incoming], None] | None = None,
    ) -> None:
        self._access = Access(
            host=host,
            port=port,
            client_id=client_id,
            user=user,
            password=password,
            tls=tls_context(tls) if tls else None,
        )
        self._online = Retained(topics.status, render_status(online=True))
        self._offline = Retained(topics.status, render_status(online=False))
        self._topics = topics
        self._on_ask = on_ask
        self._outbox = outbox
        self._on_state = on_state
        self._utc_text = utc_text
        self._told: tuple[BrokerState, str] | None = None
        self._away_since: str | None = None
        self._live: dict[str, str] = {}
        self._live_dropped = 0
        self._retained: dict[str, Retained] = {}
        self._unsent: dict[str, None] = {}
        self._next_at_s: dict[str, float] = {}
        self._held_back: dict[str, asyncio.TimerHandle] = {}
        self._answers: deque[str] = deque(maxlen=MOST_ANSWERS)
        self._something_new = asyncio.Event()
        self._outbox_filled = asyncio.Event()
        self._outbox_empty = asyncio.Event()

    @property
    def live_dropped(self) -> int:
        """[1] live messages that were replaced or lost before they were sent."""
        return self._live_dropped

    def publish_live(self, topic: str, payload: str) -> None:
        """Send soon, unless a newer one comes first."""
        if topic in self._live:
            self._live_dropped += 1
        self._live[topic] = payload
        self._something_new.set()

    def set_retained(
        self, topic: str, payload: str, *, qos: int = 1, every_s: float = 0.0
    ) -> None:
        """Make this what the topic holds, now and after each reconnect; needs a running loop.

        Args:
            topic: Where.
            payload: What.
            qos: 1 is acknowledged.
            every_s: At most one in so long [s]; what comes sooner waits, and the newest is sent. 0: at once, whatever it was.
        """
        self._retained[topic] = Retained(topic, payload, qos)
        loop = asyncio.get_running_loop()
        now_s = loop.time()
        at_s = self._next_at_s.get(topic, now_s)
        if at_s <= now_s or every_s == 0.0:
            self._next_at_s[topic] = now_s + every_s
            self._make_due(topic)
        elif topic not in self._held_back:
            self._next_at_s[topic] = at_s + every_s
            handle = loop.call_at(at_s, self._make_due, topic)
            self._held_back[topic] = handle

    def _make_due(self, topic: str) -> None:
        if handle := self._held_back.pop(topic, None):
            handle.cancel()
        self._unsent[topic] = None
        self._something_new.set()

    def answer(self, payload: str) -> None:
        """Send an answer to what was asked."""
        self._answers.append(payload)
        self._something_new.set()

    def wake_outbox(self) -> None:
        """Tell that a result was put into the outbox."""
        self._outbox_empty.clear()
        self._outbox_filled.set()

    async def wait_results_sent(self, timeout_s: float) -> bool:
        """Wait, at most so long, until no result is left; tell whether that is so."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(timeout_s):
                await self._outbox_empty.wait()
        return self._outbox_empty.is_set()

    async def run(self) -> None:
        """Stay connected and send, until cancelled; then say that we are offline."""
        delay_s = FIRST_DELAY_S
        loop = asyncio.get_running_loop()
        while True:
            next_s = loop.time() + delay_s
            try:
                async with connected(self._access, will=self._offline) as connection:
                    await connection.publish(self._online)
                    is_heard = await self._listen_to_asks(connection)
                    delay_s = FIRST_DELAY_S
                    await self._serve(connection, is_heard=is_heard)
            except NetworkError as exc:
                _heed_cancellation(exc)
                self._tell_away(str(exc))
            await asyncio.sleep(max(next_s - loop.time(), FIRST_DELAY_S))
            delay_s = min(2.0 * delay_s, LONGEST_DELAY_S)

    async def _listen_to_asks(self, connection: Connection) -> bool:
        """Subscribe, where operations are taken at all; tells whether the broker lets us."""
        if self._on_ask is None:
            return True
        return await connection.subscribe([self._topics.ask])

    async def _serve(self, connection: Connection, *, is_heard: bool) -> None:
        self._unsent = dict.fromkeys(self._retained)
        self._something_new.set()
        self._outbox_filled.set()
        self._tell_connected(is_heard=is_heard)
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._send_latest(connection))
                tasks.create_task(self._send_results(connection))
                # In the body, not a third task: up to Python 3.12 a group whose child
                # fails while its body is over leaves this task marked as cancelled.
                await connection.listen(self._arrived)
        except asyncio.CancelledError:
            await self._say_goodbye(connection)
            raise
        except ExceptionGroup as group:
            lost, other = group.split(NetworkError)
            if lost is None or other is not None:
                raise
            raise NetworkError(str(lost.exceptions[0])) from group

    async def _send_latest(self, connection: Connection) -> None:
        while True:
            await self._something_new.wait()
            self._something_new.clear()
            while self._unsent or self._answers or self._live:
                if self._unsent:
                    await self._send_retained(connection)
                if self._answers:
                    await self._send_answer(connection)
                if self._live:
                    await self._send_live(connection)

    async def _send_retained(self, connection: Connection) -> None:
        topic = next(iter(self._unsent))
        del self._unsent[topic]
        await connection.publish(self._retained[topic])

    async def _send_answer(self, connection: Connection) -> None:
        payload = self._answers.popleft()
        try:
            await connection.send(self._topics.answer, payload, qos=1)
        except NetworkError:
            self._answers.appendleft(payload)
            raise

    def _arrived(self, message: Incoming) -> None:
        if self._on_ask is not None and message.topic == self._topics.ask:
            self._on_ask(message)

    async def _send_live(self, connection: Connection) -> None:
        topic = next(iter(self._live))
        payload = self._live.pop(topic)
        try:
            await connection.send(topic, payload, qos=0)
        except NetworkError:
            self._live_dropped += 1
            raise

    async def _send_results(self, connection: Connection) -> None:
        while True:
            await self._outbox_filled.wait()
            self._outbox_filled.clear()
            # A store in trouble tells the operator itself; the entry is still there when
            # the next result is stored or the next connection made.
            with contextlib.suppress(StoreError):
                await self._empty_outbox(connection)

    async def _empty_outbox(self, connection: Connection) -> None:
        while (entry := await self._outbox.outbox_next()) is not None:
            number, _, topic, payload = entry
            await connection.send(topic, payload, qos=1)
            await self._outbox.outbox_done(number)
        if not self._outbox_filled.is_set():
            self._outbox_empty.set()

    async def _say_goodbye(self, connection: Connection) -> None:
        """Hand over the last retained messages; the will is not sent on a clean end."""
        for topic in tuple(self._held_back):
            self._make_due(topic)
        with contextlib.suppress(NetworkError, TimeoutError):
            async with asyncio.timeout(LEAVE_TIMEOUT_S):
                while self._unsent:
                    await self._send_retained(connection)
                await connection.publish(self._offline)

    def _tell_connected(self, *, is_heard: bool) -> None:
        self._away_since = None
        text = f"connected to {self._access.host}:{self._access.port}"
        deaf = f", but it does not let us hear {self._topics.ask}"
        self._tell("ok", text if is_heard else text + deaf)

    def _tell_away(self, reason: str) -> None:
        self._away_since = self._away_since or self._utc_text()
        self._tell("away", f"away since {self._away_since}: {reason}")

    def _tell(self, state: BrokerState, text: str) -> None:
        if self._told != (state, text):
            self._told = (state, text)
            self._on_state(state, text)


def _heed_cancellation(exc: NetworkError) -> None:
    # A task group that is cancelled while a child fails raises the failure only.
    task = asyncio.current_task()
    if task and task.cancelling():
        raise asyncio.CancelledError from exc
