"""One connection to a broker: connect, publish, listen, notice that it is lost, leave.

The only module that touches the MQTT client library (aiomqtt, over paho). It knows
topics and payloads as text and decides nothing: what to send, again or never, is the
publisher's. Every trouble comes out as NetworkError, in words for the operator.

Rules:

- No wait is longer than CONNECT_TIMEOUT_S, WELCOME_TIMEOUT_S, PUBLISH_TIMEOUT_S or
  LEAVE_TIMEOUT_S; a link that is up but dead is noticed within twice KEEPALIVE_S.
- A connection that was given up leaves no socket behind, and says goodbye where it can:
  a broker that wakes up later must not take it for the present one.
- The library never writes to the terminal.
"""

import asyncio
import contextlib
import logging
import socket
import ssl
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import NoReturn

import aiomqtt
from paho.mqtt.reasoncodes import ReasonCode

from daq.errors import InputError, NetworkError

CONNECT_TIMEOUT_S = 1.2
WELCOME_TIMEOUT_S = 1.2
"""A broker that comes back may never answer the call of before: the next one must follow within 2 s."""
PUBLISH_TIMEOUT_S = 2.0
LEAVE_TIMEOUT_S = 0.5
_LEAVE_UNWELCOMED_S = 0.1
"""Nothing tells then that the goodbye has gone out; it goes at once, if at all."""
KEEPALIVE_S = 5
MOST_WAITING = 4096
"""Messages that have arrived and are not yet looked at; the library drops what comes beyond."""

_LOG = logging.getLogger("daq.broker.mqtt")
_LOG.addHandler(logging.NullHandler())
_LOG.propagate = False

# MQTT 5.0, 3.2.2.2; the library translates the codes 4 and 5 of MQTT 3.1.1 to these.
_BAD_CREDENTIALS = (134, 135)
_SUBSCRIPTION_REFUSED = 0x80  # MQTT 3.1.1, 3.9.3


@dataclass(frozen=True, slots=True)
class TlsSettings:
    """How the broker proves who it is.

    Attributes:
        ca_file: Certificates (PEM) that may vouch for it; None: those of the system.
    """

    ca_file: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Access:
    """Where the broker is and as whom we come."""

    host: str
    port: int
    client_id: str
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: ssl.SSLContext | None = None


@dataclass(frozen=True, slots=True)
class Retained:
    """A message that the broker keeps: also the form of a last will."""

    topic: str
    payload: str
    qos: int = 1


@dataclass(frozen=True, slots=True)
class Incoming:
    """A message that has arrived.

    Attributes:
        topic: Its topic.
        payload: As it came.
        is_kept: The broker had kept it; it is not of now.
    """

    topic: str
    payload: bytes
    is_kept: bool


def tls_context(settings: TlsSettings) -> ssl.SSLContext:
    """Prepare the check of the broker's certificate.

    Raises:
        InputError: If the file with certificates is absent or holds none.
    """
    try:
        return ssl.create_default_context(cafile=settings.ca_file)
    except OSError as exc:
        reason = exc.strerror or str(exc)
        msg = f"{settings.ca_file}: no certificates to be had: {reason}"
        raise InputError(msg) from exc


class Connection:
    """What can be done while connected."""

    def __init__(self, client: aiomqtt.Client) -> None:
        self._client = client

    async def publish(self, message: Retained) -> None:
        """Hand a retained message over; with QoS 1 returns once it is acknowledged."""
        await self.send(message.topic, message.payload, qos=message.qos, retain=True)

    async def send(
        self, topic: str, payload: str, *, qos: int, retain: bool = False
    ) -> None:
        """Hand a message over; with QoS 1 returns once it is acknowledged.

        Raises:
            NetworkError: If it was not to be had within PUBLISH_TIMEOUT_S.
        """
        try:
            with _cancellation_kept():
                await self._client.publish(topic, payload, qos, retain)
        except aiomqtt.MqttCodeError as exc:
            msg = "the connection was lost"
            raise NetworkError(msg) from exc
        except aiomqtt.MqttError as exc:
            msg = f"a message was not taken within {PUBLISH_TIMEOUT_S:.0f} s"
            raise NetworkError(msg) from exc

    async def subscribe(self, filters: Sequence[str], *, qos: int = 1) -> bool:
        """Ask for messages; tells whether the broker grants all of them.

        Raises:
            NetworkError: If there was no answer within PUBLISH_TIMEOUT_S.
        """
        try:
            with _cancellation_kept():
                wanted = [(each, qos) for each in filters]
                granted = await self._client.subscribe(wanted)
        except aiomqtt.MqttError as exc:
            msg = f"a subscription was not taken within {PUBLISH_TIMEOUT_S:.0f} s"
            raise NetworkError(msg) from exc
        codes = [getattr(each, "value", each) for each in granted]
        return all(code < _SUBSCRIPTION_REFUSED for code in codes)

    async def listen(self, on_message: Callable[[Incoming], None]) -> NoReturn:
        """Pass on what arrives, until the end of the connection.

        Raises:
            NetworkError: When the connection is lost.
        """
        try:
            while True:
                message = await anext(self._client.messages)
                on_message(_incoming(message))
        except aiomqtt.MqttError as exc:
            msg = "the connection was lost"
            raise NetworkError(msg) from exc


def _incoming(message: aiomqtt.Message) -> Incoming:
    return Incoming(str(message.topic), message.payload, message.retain)


@asynccontextmanager
async def connected(
    access: Access, *, will: Retained | None = None
) -> AsyncIterator[Connection]:
    """Connect, and leave with a goodbye at the end.

    The broker sends the will, where there is one, only if the goodbye does not reach it. The session is a clean one:
    nothing arrives that was sent before the connection, but for what the broker keeps.

    Raises:
        NetworkError: If there is no connection to be had.
    """
    client = _BoundedClient(access, will)
    try:
        with _cancellation_kept():
            await client.enter()
        yield Connection(client)
    except aiomqtt.MqttCodeError as exc:
        raise NetworkError(_refusal(exc)) from exc
    except aiomqtt.MqttError as exc:
        raise NetworkError(_failure(exc)) from exc
    finally:
        await client.leave()


class _BoundedClient(aiomqtt.Client):
    """The library's client, with an end to every wait and to every socket.

    Overrides `_client_connect`, which the library runs in a thread: a pinned version
    and the contract tests stand guard over that.
    """

    def __init__(self, access: Access, will: Retained | None) -> None:
        super().__init__(
            access.host,
            access.port,
            username=access.user,
            password=access.password,
            identifier=access.client_id,
            tls_context=access.tls,
            will=aiomqtt.Will(will.topic, will.payload, will.qos, retain=True)
            if will
            else None,
            clean_session=True,
            keepalive=KEEPALIVE_S,
            timeout=WELCOME_TIMEOUT_S,
            max_queued_incoming_messages=MOST_WAITING,
            socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
            logger=_LOG,
        )
        self._client.connect_timeout = CONNECT_TIMEOUT_S
        self._has_left = False
        self._is_welcome = False

    async def enter(self) -> None:
        """Connect, and wait for the welcome."""
        await self.__aenter__()
        self._is_welcome = True
        self.timeout = PUBLISH_TIMEOUT_S

    def _client_connect(self) -> None:
        try:
            super()._client_connect()
        except (OSError, UnicodeError) as exc:
            raise OSError(_words(exc)) from exc
        if self._has_left:
            # Cancelled while this thread was connecting; the loop may be gone by now.
            with contextlib.suppress(RuntimeError):
                self._loop.call_soon_threadsafe(self._close)

    async def leave(self) -> None:
        """Say goodbye if the broker listens; close in any case."""
        self._has_left = True
        self.timeout = LEAVE_TIMEOUT_S if self._is_welcome else _LEAVE_UNWELCOMED_S
        try:
            with contextlib.suppress(aiomqtt.MqttError), _cancellation_kept():
                await self.__aexit__(None, None, None)
        finally:
            self._close()

    def _close(self) -> None:
        if self._client.socket() is not None:
            # The public ways out all wait for the broker to read.
            self._client._sock_close()  # noqa: SLF001


@contextlib.contextmanager
def _cancellation_kept() -> Iterator[None]:
    """Raise a cancellation that arrived meanwhile and was swallowed.

    Up to Python 3.11 `asyncio.wait_for`, on which the library rests, returns normally
    if the awaited thing is done at the moment of the cancellation.
    """
    task = asyncio.current_task()
    before = task.cancelling() if task else 0
    yield
    if task and task.cancelling() > before:
        raise asyncio.CancelledError


def _words(exc: OSError | UnicodeError) -> str:
    match exc:
        case ConnectionRefusedError():
            words = "nothing listens there"
        case TimeoutError():
            words = f"no answer within {CONNECT_TIMEOUT_S:g} s"
        case socket.gaierror():
            words = f"the host name is not known ({exc.strerror})"
        case ssl.SSLCertVerificationError():
            words = f"its certificate is not trusted ({exc.verify_message})"
        case ssl.SSLError():
            words = f"it does not speak TLS as expected ({exc.reason})"
        case UnicodeError():
            words = "the host name is not a valid one"
        case _:
            words = exc.strerror or str(exc)
    return words


def _refusal(exc: aiomqtt.MqttCodeError) -> str:
    code = exc.rc.value if isinstance(exc.rc, ReasonCode) else exc.rc
    if code in _BAD_CREDENTIALS:
        return "it refuses the user name or the password"
    return f"it refuses the connection ({exc})"


def _failure(exc: aiomqtt.MqttError) -> str:
    if str(exc) == "Operation timed out":
        return (
            f"it accepts the call but gives no welcome within {WELCOME_TIMEOUT_S:g} s: "
            "it is stuck, or does not know the user name or the password"
        )
    return str(exc)
