"""The state machine that polls one Modbus unit, block after block, in either framing.

Knows neither how registers are packed nor how a frame looks nor what is wrong with a bad
reply: a framing's `Exchange` does. It is idle,
waiting for the reply to one block, or between two blocks of a poll; a gap or the last
block's reply makes it idle again. A poll that the shell abandoned (a port that went
away under it) is begun anew rather than gone on with: halves of different minutes must
not make one reading.
"""

from collections.abc import Callable, Sequence
from typing import Protocol

from daq.protocols import PollValues, require_positive
from daq.protocols.modbus.answers import Asked, BadReply, asked_for
from daq.protocols.modbus.registers import (
    RegisterField,
    plan_blocks,
    plan_unpacking,
)
from daq.records import Gap, Reading

_UNITS = range(1, 248)


class Exchange(Protocol):
    """One request and what its reply must look like, in one framing."""

    @property
    def request(self) -> bytes:
        """The whole frame to send."""
        ...

    @property
    def length(self) -> int:
        """Of the whole reply [bytes]."""
        ...

    def registers_in(self, received: bytes) -> bytes | None:
        """The registers' bytes, if what came is the reply and nothing else."""
        ...

    def fault_in(self, received: bytes) -> BadReply | None:
        """What is wrong with bytes that are not the reply; None while more may mend it."""
        ...

    def fault_at_deadline(self, received: bytes, *, timeout_s: float) -> BadReply:
        """What to call it when time is up and `fault_in` still hopes for more."""
        ...


class ModbusPolling:
    """Polls registers of one unit; one Reading or Gap a poll.

    Args:
        instrument: Name on the bench, for readings and gaps.
        unit: 1 to 247.
        fields: In the order that readings shall have.
        reply_timeout_s: How long the unit may take to begin its reply [s].
        char_s: Time of one character on the line [s].
        exchange: Frames what is asked, and knows the reply.
    """

    def __init__(
        self,
        *,
        instrument: str,
        unit: int,
        fields: Sequence[RegisterField],
        reply_timeout_s: float,
        char_s: float,
        exchange: Callable[[Asked], Exchange],
    ) -> None:
        if unit not in _UNITS:
            msg = f"{instrument}: unit {unit}, expected 1 to 247"
            raise ValueError(msg)
        require_positive(reply_timeout_s=reply_timeout_s, char_s=char_s)
        self._instrument = instrument
        self._reply_timeout_s = reply_timeout_s
        self._char_s = char_s
        self._values = PollValues(instrument=instrument, fields=fields)
        blocks = plan_blocks(fields)
        self._exchanges = tuple(exchange(asked_for(block, unit)) for block in blocks)
        self._unpackings = tuple(plan_unpacking(block, fields) for block in blocks)
        self._block = 0
        self._received = b""
        self._deadline: float | None = None
        self._resume_until_s = 0.0
        self._first_request_end_s = 0.0
        self._request_end_s = 0.0
        self._reply_start_s = 0.0
        self._outcome: Reading | Gap | None = None

    @property
    def deadline(self) -> float | None:
        """Wire time until which to wait for a reply; None while none is due."""
        return self._deadline

    def query(self, at: float) -> bytes:
        """The request of the next block; b"" while a reply is awaited."""
        if self._deadline is not None:
            if at < self._deadline:
                return b""
            self._block = 0
        elif self._block and at > self._resume_until_s:
            self._block = 0
        exchange = self._exchanges[self._block]
        self._request_end_s = at + len(exchange.request) * self._char_s
        if self._block == 0:
            self._first_request_end_s = self._request_end_s
            self._values.clear()
            self._outcome = None
        self._received = b""
        self._deadline = (
            self._request_end_s + self._reply_timeout_s + exchange.length * self._char_s
        )
        return exchange.request

    def feed(self, data: bytes, at: float) -> None:
        """Take bytes of the reply; ignored while idle."""
        if self._deadline is None:
            return
        exchange = self._exchanges[self._block]
        if data:
            if not self._received:
                start_s = at - len(data) * self._char_s
                self._reply_start_s = max(start_s, self._request_end_s)
            self._received += data
            registers = exchange.registers_in(self._received)
            if registers is not None:
                self._take(registers, at)
                return
            if fault := exchange.fault_in(self._received):
                self._fail(fault, at)
                return
        if at >= self._deadline:
            timeout_s = self._reply_timeout_s
            fault = exchange.fault_at_deadline(self._received, timeout_s=timeout_s)
            self._fail(fault, at)

    def next_reading(self) -> Reading | Gap | None:
        """What the poll came to; None while it is under way."""
        outcome, self._outcome = self._outcome, None
        return outcome

    def _take(self, data: bytes, at: float) -> None:
        """Store the values of a good reply and go on to the next block, if any."""
        for unpacking in self._unpackings[self._block]:
            self._values.put(unpacking.indices, unpacking.raws(data))
        if self._values.is_implausible:
            self._end(self._values.implausible_gap(at))
        elif self._block + 1 == len(self._exchanges):
            middle_s = (self._first_request_end_s + self._reply_start_s) / 2.0
            self._end(self._values.reading(middle_s))
        else:
            self._block += 1
            self._deadline = None
            self._resume_until_s = at + self._reply_timeout_s

    def _fail(self, fault: BadReply, at: float) -> None:
        """End the poll with a gap."""
        self._end(Gap(self._instrument, at, fault.reason, fault.detail))

    def _end(self, outcome: Reading | Gap) -> None:
        """Hand out what the poll came to, and be idle."""
        self._outcome = outcome
        self._block = 0
        self._received = b""
        self._deadline = None
