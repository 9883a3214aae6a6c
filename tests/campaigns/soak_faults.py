"""The far ends of the soak test's lines: the meter that answers or does something wrong, and a broker that may go away.

Both live in the event loop that the service runs in, at its time: so the same seed gives the same faults at the same moments. They share
no code with the service but the checksum.
"""

import asyncio
import contextlib
import struct
from enum import StrEnum
from random import Random

from daq.framing import append_crc
from tests.campaigns.soak_machine import A_SECOND, CHANNELS, Machine

_REQUEST_LENGTH = 8
_CHARACTER_BITS = 10
_RUBBISH = 12
_LATE_S = (0.16, 0.25)
"""After the time-out, before the worst reply time."""


class Fault(StrEnum):
    """What may go wrong, once a simulated minute."""

    SILENT = "silent for a few polls"
    HUNG = "silent for seconds"
    LATE = "late beyond the time-out"
    CUT = "reply cut short"
    FLIPPED = "one bit flipped"
    RUBBISH = "rubbish before a reply"
    ECHO = "echo of the request"
    OTHER_UNIT = "another unit's reply"
    UNPLUGGED = "unplugged, back after seconds"
    BROKER_AWAY = "broker away for seconds"
    BROKER_STUCK = "broker accepts and says nothing"
    DISK_BUSY = "store locked by another program"
    VIEWER = "a viewer leaves without a word"


SPOILS_ONE = frozenset(
    {
        Fault.LATE,
        Fault.CUT,
        Fault.FLIPPED,
        Fault.RUBBISH,
        Fault.ECHO,
        Fault.OTHER_UNIT,
    }
)


class Meter(asyncio.Protocol):
    """Answers requests on a socket, as long as nothing is wrong.

    Attributes:
        port: Where it listens.
        asked: Requests so far [1].
    """

    def __init__(self, machine: Machine, random: Random, *, baud: int | None) -> None:
        """Without a baud rate the whole reply goes out at once; with one each character has its time."""
        self.port = 0
        self.asked = 0
        self._machine = machine
        self._random = random
        self._character_s = _CHARACTER_BITS / baud if baud else 0.0
        self._loop = asyncio.get_running_loop()
        self._begun_s = self._loop.time()
        self._server: asyncio.Server | None = None
        self._line: asyncio.Transport | None = None
        self._request = b""
        self._spoils: Fault | None = None
        self._silent = 0

    async def plug(self) -> None:
        """Listen, on the same port each time."""
        self._server = await self._loop.create_server(
            lambda: self, "127.0.0.1", self.port
        )
        self.port = self._server.sockets[0].getsockname()[1]

    def unplug(self) -> None:
        """Nobody listens any more, and the line is gone."""
        if self._server is not None:
            self._server.close()
            self._server = None
        if self._line is not None:
            self._line.abort()

    def silent_for(self, polls: int) -> None:
        """Leave so many requests without an answer."""
        self._silent = polls

    def spoil_next(self, fault: Fault) -> None:
        """Spoil the next answer."""
        self._spoils = fault

    def tenth(self) -> int:
        """Tenths of a second since the begin."""
        return int((self._loop.time() - self._begun_s) * A_SECOND + 0.5)

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """The service has opened the line."""
        if isinstance(transport, asyncio.Transport):
            self._line, self._request = transport, b""

    def data_received(self, data: bytes) -> None:
        """A part of a request, or some."""
        self._request += data
        while len(self._request) >= _REQUEST_LENGTH:
            request = self._request[:_REQUEST_LENGTH]
            self._request = self._request[_REQUEST_LENGTH:]
            self.asked += 1
            self._answer(request)

    def _answer(self, request: bytes) -> None:
        if self._silent:
            self._silent -= 1
            return
        words = struct.pack(f">{CHANNELS}H", *self._machine.registers(self.tenth()))
        reply = append_crc(request[:2] + bytes([len(words)]) + words)
        fault, self._spoils = self._spoils, None
        delay_s = self._random.uniform(*_LATE_S) if fault is Fault.LATE else 0.0
        self._send(self._spoiled(fault, request, reply), delay_s)

    def _spoiled(self, fault: Fault | None, request: bytes, reply: bytes) -> bytes:
        random = self._random
        match fault:
            case Fault.CUT:
                return reply[: random.randrange(1, len(reply))]
            case Fault.FLIPPED:
                spoilt = bytearray(reply)
                spoilt[random.randrange(len(reply))] ^= 1 << random.randrange(8)
                return bytes(spoilt)
            case Fault.RUBBISH:
                return random.randbytes(_RUBBISH) + reply
            case Fault.ECHO:
                return request + reply
            case Fault.OTHER_UNIT:
                return append_crc(bytes([request[0] + 1]) + reply[1:-2])
            case _:
                return reply

    def _send(self, reply: bytes, delay_s: float) -> None:
        line = self._line
        if line is None:
            return
        if not delay_s and not self._character_s:
            line.write(reply)
            return
        begin_s = self._loop.time() + delay_s + _REQUEST_LENGTH * self._character_s
        pieces = len(reply) if self._character_s else 1
        size = len(reply) // pieces
        for number in range(pieces):
            piece = reply[number * size : (number + 1) * size]
            due_s = begin_s + (number + 1) * size * self._character_s
            self._loop.call_at(due_s, _write, line, piece)


def _write(line: asyncio.Transport, data: bytes) -> None:
    if not line.is_closing():
        line.write(data)


# ---- the broker

_CONNACK = b"\x20\x02\x00\x00"
_PUBACK, _SUBACK = 0x40, 0x90
_PONG = b"\xd0\x00"


class Sink(asyncio.Protocol):
    """Takes everything as a broker of MQTT 3.1.1 does, and keeps nothing.

    Attributes:
        port: Where it listens.
        acknowledged: Messages of QoS 1 [1].
    """

    def __init__(self) -> None:
        self.port = 0
        self.acknowledged = 0
        self.is_stuck = False
        self._loop = asyncio.get_running_loop()
        self._server: asyncio.Server | None = None
        self._client: asyncio.Transport | None = None
        self._come = b""

    async def listen(self) -> None:
        """Listen, on the same port each time."""
        self._server = await self._loop.create_server(
            lambda: self, "127.0.0.1", self.port
        )
        self.port = self._server.sockets[0].getsockname()[1]

    def go_away(self) -> None:
        """Nobody listens any more, and the connection is gone."""
        if self._server is not None:
            self._server.close()
            self._server = None
        self.hang_up()

    def hang_up(self) -> None:
        """End the connection, if there is one."""
        if self._client is not None:
            self._client.abort()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        """A client has come."""
        if isinstance(transport, asyncio.Transport):
            self._client, self._come = transport, b""

    def data_received(self, data: bytes) -> None:
        """Answer what asks for an answer."""
        if self.is_stuck or self._client is None:
            return
        self._come += data
        while (packet := self._next_packet()) is not None:
            answer = self._answer(*packet)
            if answer:
                self._client.write(answer)

    def _next_packet(self) -> tuple[int, bytes] | None:
        """First byte and body (MQTT 3.1.1, 2.2)."""
        length, place = 0, 1
        while place < len(self._come):
            byte = self._come[place]
            length |= (byte & 0x7F) << (7 * (place - 1))
            place += 1
            if byte < 0x80:
                break
        else:
            return None
        if len(self._come) < place + length:
            return None
        packet = self._come[0], self._come[place : place + length]
        self._come = self._come[place + length :]
        return packet

    def _answer(self, first: int, body: bytes) -> bytes:
        match first >> 4:
            case 1:
                return _CONNACK
            case 3 if first & 0x06:
                topic_length = int.from_bytes(body[:2], "big")
                self.acknowledged += 1
                return bytes([_PUBACK, 2]) + body[2 + topic_length : 4 + topic_length]
            case 8:
                return bytes([_SUBACK, 3]) + body[:2] + b"\x01"
            case 12:
                return _PONG
            case _:
                return b""


# ---- somebody who looks at the page


async def look_and_leave(page_url: str, *, for_s: float) -> None:
    """Follow the page's stream for some time, then drop the connection."""
    address = page_url.removeprefix("http://").rstrip("/")
    host, _, port = address.rpartition(":")
    with contextlib.suppress(OSError):
        reader, writer = await asyncio.open_connection(host, int(port))
        writer.write(f"GET /api/live HTTP/1.1\r\nHost: {address}\r\n\r\n".encode())
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(for_s):
                while await reader.read(65536):
                    pass
        writer.transport.abort()
