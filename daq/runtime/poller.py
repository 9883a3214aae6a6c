"""One serial line: its instruments take turns on absolute deadlines, and every fault becomes a gap with its reason.

A line has one owner. After a time-out or a bad frame it is drained until it has been quiet for the instrument's worst reply time, because
a late reply looks like the answer to the next question. A line that goes away is reopened by its path, while the other
lines go on undisturbed.
"""

import asyncio
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

from daq.config.bench import Instrument
from daq.errors import InstrumentError, PortLostError
from daq.protocols import WireProtocol
from daq.records import AFTER_DRAIN, Gap, GapReason, Reading
from daq.runtime.clock import Clock
from daq.runtime.poller_pace import HELD_BACK_S, StreamPace
from daq.runtime.ports import Port, open_port

_REOPEN_FIRST_S = 0.1
_REOPEN_LAST_S = 1.0
_LONG_DRAIN = 3.0
"""Times the worst reply time: one late reply, in pieces even, has ended by then."""
_TIMER_S = 0.001
"""The event loop's timers are this coarse; silences are waited for more finely."""

_LEAVES_LINE_DIRTY = frozenset(
    {GapReason.NO_REPLY, GapReason.CUT, GapReason.GARBLED, GapReason.FOREIGN}
)


class LineState(StrEnum):
    """Whether a line can be used."""

    CLOSED = "closed"
    OPEN = "open"
    LOST = "lost"


@dataclass(slots=True)
class _Talk:
    """One instrument on the line."""

    instrument: Instrument
    protocol: WireProtocol
    due_s: float
    interval_s: float
    longest_reply_s: float | None = None
    lag_s: float = field(init=False)
    delayed_before_s: float = 0.0

    def __post_init__(self) -> None:
        self.lag_s = self.instrument.lag_s


class _Delays:
    """How long this computer kept a line's task from going on: it computed, was stopped, or slept.

    All time is that which passes outside of the task's own waits, and what a wait took longer than it was meant to.
    """

    def __init__(self, now_s: float) -> None:
        self.total_s = 0.0
        self._meant_until_s = now_s

    def note(self, now_s: float, *, waits_until_s: float | None = None) -> None:
        """The task goes on at this moment, or waits from now on until another one."""
        self.total_s += max(now_s - self._meant_until_s, 0.0)
        self._meant_until_s = now_s if waits_until_s is None else waits_until_s


def _were_due(polls: int) -> str:
    """How the detail of a gap begins that stands for polls that could not be made."""
    return "1 poll was due" if polls == 1 else f"{polls} polls were due"


class LinePoller:
    """Polls the instruments of one line until cancelled.

    `on_outcome` takes every reading and gap, in bench time; `on_line` is told when the line opens or is lost.
    """

    def __init__(
        self,
        instruments: Sequence[Instrument],
        *,
        clock: Clock,
        on_outcome: Callable[[Reading | Gap], None],
        on_line: Callable[[LineState, str], None],
    ) -> None:
        self._clock = clock
        self._on_outcome = on_outcome
        self._on_line = on_line
        self._settings = instruments[0].port
        now = clock.wire_s()
        self._talks = [
            _Talk(
                i, i.make_protocol(speed=clock.speed), now, clock.real_s(i.interval_s)
            )
            for i in instruments
        ]
        self._is_streamed = instruments[0].is_streamed
        self._char_s = self._settings.char_s
        self._delays = _Delays(now)
        self._port: Port | None = None
        self._active: WireProtocol | None = None
        self._last_activity_s = 0.0
        self._waiter: asyncio.Future[Reading | Gap | bytes] | None = None
        self._lost: asyncio.Future[PortLostError] | None = None
        self._timer: asyncio.TimerHandle | None = None
        self._was_open = False
        self._has_begun = False

    def longest_replies_s(self) -> dict[str, float]:
        """Longest time from a request to the end of its reply, by instrument [s of real time]."""
        return {
            t.instrument.name: t.longest_reply_s
            for t in self._talks
            if t.longest_reply_s is not None
        }

    async def run(self) -> None:
        """Poll until cancelled."""
        delay_s = _REOPEN_FIRST_S
        while True:
            begun_s = self._clock.wire_s()
            try:
                await self._open_and_talk()
            except InstrumentError as exc:
                self._on_line(
                    LineState.LOST if self._was_open else LineState.CLOSED, str(exc)
                )
                self._gap_for_all(GapReason.PORT_LOST, str(exc))
                self._has_begun = True
            if self._last_activity_s > begun_s:
                # Only a line that was of use is reopened at once: some open and hang up again and again.
                delay_s = _REOPEN_FIRST_S
            await asyncio.sleep(delay_s)
            delay_s = min(2.0 * delay_s, _REOPEN_LAST_S)

    async def _open_and_talk(self) -> None:
        port = await self._open()
        self._was_open = True
        self._on_line(LineState.OPEN, "")
        try:
            await self._talk_until_lost()
        finally:
            self._port = None
            await port.close()

    # ---- the line itself

    async def _open(self) -> Port:
        self._lost = asyncio.get_running_loop().create_future()
        self._active = None
        self._port = await open_port(
            self._settings,
            wire_s=self._clock.wire_s,
            on_data=self._arrived,
            on_lost=self._went_away,
        )
        for talk in self._talks:
            talk.protocol = talk.instrument.make_protocol(speed=self._clock.speed)
        return self._port

    def _went_away(self, error: PortLostError) -> None:
        if self._lost is not None and not self._lost.done():
            self._lost.set_result(error)
        if self._waiter is not None and not self._waiter.done():
            self._waiter.set_exception(error)

    def _gap_for_all(self, reason: GapReason, why: str) -> None:
        """Polls that have fallen due and cannot be made are gaps."""
        now = self._clock.wire_s()
        for talk in self._talks:
            if talk.due_s > now:
                continue
            polls = 1 + int((now - talk.due_s) // talk.interval_s)
            talk.due_s += talk.interval_s * polls
            gap = Gap(talk.instrument.name, now, reason, why)
            if not self._is_streamed:
                detail = f"{_were_due(polls)}: {why}"
                gap = replace(gap, detail=detail, polls=polls)
            self._tell(talk, gap, 0)

    async def _talk_until_lost(self) -> None:
        if self._is_streamed:
            await self._listen(self._talks[0])
        else:
            await self._poll()

    # ---- polled instruments

    async def _poll(self) -> None:
        # Whoever had the line before may have left a question whose reply is still to come.
        await self._drain(max(talk.instrument.worst_reply_s for talk in self._talks))
        if self._has_begun:
            # Those of the last attempts to open it, and of the draining.
            self._gap_for_all(GapReason.PORT_LOST, "the line had to be opened again")
        self._has_begun = True
        now = self._clock.wire_s()
        self._delays.note(now)
        for talk in self._talks:
            talk.due_s = max(talk.due_s, now)
            talk.delayed_before_s = self._delays.total_s
        flags = 0
        while True:
            talk = min(self._talks, key=lambda t: t.due_s)
            await self._sleep_until(talk.due_s)
            outcome = await self._exchange(talk)
            talk.due_s += talk.interval_s
            self._tell(talk, outcome, flags)
            flags = 0
            if isinstance(outcome, Gap) and outcome.reason in _LEAVES_LINE_DIRTY:
                await self._drain(talk.instrument.worst_reply_s)
                flags = AFTER_DRAIN
            self._skip_missed(talk)

    def _skip_missed(self, talk: _Talk) -> None:
        """Slots that passed while line or computer was busy are a gap and are not made up for."""
        now = self._clock.wire_s()
        self._delays.note(now)
        delayed_s = self._delays.total_s - talk.delayed_before_s
        talk.delayed_before_s = self._delays.total_s
        missed = int((now - talk.due_s) // talk.interval_s)
        if missed > 0:
            talk.due_s += missed * talk.interval_s
            # Whoever looks for the fault must not look at the wire where the wire was not to blame.
            is_ours = delayed_s > max(0.5 * missed, 1.0) * talk.interval_s
            what = (
                "this computer was busy or asleep" if is_ours else "the line was busy"
            )
            detail = f"{_were_due(missed)} while {what}"
            name = talk.instrument.name
            self._tell(talk, Gap(name, now, GapReason.MISSED, detail, missed), 0)

    async def _exchange(self, talk: _Talk) -> Reading | Gap:
        """One poll: as many requests as the instrument's registers need."""
        protocol, silence_s = talk.protocol, talk.instrument.silence_before_s
        at = await self._keep_silence(silence_s)
        request = protocol.query(at)
        self._active = protocol
        try:
            while True:
                outcome = await self._ask(protocol, request, at)
                if not isinstance(outcome, bytes):
                    if isinstance(outcome, Reading):
                        reply_s = (
                            self._last_activity_s - at - len(request) * self._char_s
                        )
                        talk.longest_reply_s = max(reply_s, talk.longest_reply_s or 0.0)
                    return outcome
                request = outcome
                at = await self._keep_silence(silence_s)
        finally:
            self._active = None

    async def _ask(
        self, protocol: WireProtocol, request: bytes, at: float
    ) -> Reading | Gap | bytes:
        """Send one request; returns the poll's outcome, or the next request."""
        self._raise_if_lost()
        waiter = self._waiter = asyncio.get_running_loop().create_future()
        if self._port is not None:
            self._port.write(request)
        self._last_activity_s = at + len(request) * self._char_s
        self._arm(protocol, at)
        try:
            outcome: Reading | Gap | bytes = await waiter
        finally:
            self._disarm()
        return outcome

    def _arrived(self, data: bytes, at: float) -> None:
        self._last_activity_s = at
        protocol = self._active
        if protocol is None:
            return
        protocol.feed(data, at)
        self._advance(protocol, at)

    def _advance(self, protocol: WireProtocol, at: float) -> None:
        waiter = self._waiter
        if waiter is None or waiter.done():
            return
        outcome: Reading | Gap | bytes | None = protocol.next_reading()
        if outcome is None and not self._is_streamed:
            outcome = protocol.query(at) or None
        if outcome is not None:
            waiter.set_result(outcome)

    def _arm(self, protocol: WireProtocol, now: float) -> None:
        deadline = protocol.deadline
        wait_s = _REOPEN_LAST_S if deadline is None else max(deadline - now, 0.0)
        loop = asyncio.get_running_loop()
        self._delays.note(now, waits_until_s=now + wait_s)
        self._timer = loop.call_later(wait_s, self._time_is_up, protocol)

    def _disarm(self) -> None:
        self._delays.note(self._clock.wire_s())
        if self._timer is not None:
            self._timer.cancel()
        self._waiter = None

    def _time_is_up(self, protocol: WireProtocol) -> None:
        now = self._clock.wire_s()
        protocol.feed(b"", now)
        self._advance(protocol, now)
        waiter = self._waiter
        if waiter is not None and not waiter.done():
            # The timer was early, or bytes came meanwhile and the protocol waits for the rest.
            self._arm(protocol, now)

    async def _drain(self, worst_reply_s: float) -> None:
        """Let everything that may still come go by; of a line that never falls quiet gaps are told."""
        begun_s = quiet_since = self._clock.wire_s()
        while True:
            quiet_since = max(quiet_since, self._last_activity_s)
            now = self._clock.wire_s()
            wait_s = quiet_since + worst_reply_s - now
            if wait_s <= 0.0:
                return
            if now - begun_s > _LONG_DRAIN * worst_reply_s:
                self._gap_for_all(
                    GapReason.GARBLED, "the line does not fall quiet before a request"
                )
            await self._sleep_s(wait_s)

    # ---- streamed instruments

    async def _listen(self, talk: _Talk) -> None:
        protocol = talk.protocol
        now = self._clock.wire_s()
        protocol.query(now)
        self._active = protocol
        pace = self._pace(talk, silent_from_s=protocol.deadline or now, now=now)
        while True:
            silent_from_s = protocol.deadline
            try:
                outcome = await self._heard(protocol)
            except PortLostError:
                self._tell_all(talk, pace.interrupt())
                raise
            missing = pace.take(outcome, silent_from_s=silent_from_s)
            self._tell_all(talk, [*missing, outcome])

    async def _heard(self, protocol: WireProtocol) -> Reading | Gap:
        waiter = self._waiter = asyncio.get_running_loop().create_future()
        now = self._clock.wire_s()
        self._arm(protocol, now)
        try:
            self._advance(protocol, now)
            if not waiter.done():
                # The loss may have come together with the last bytes, and woken nobody.
                self._raise_if_lost()
            outcome: Reading | Gap = await waiter
        finally:
            self._disarm()
        return outcome

    def _pace(self, talk: _Talk, *, silent_from_s: float, now: float) -> StreamPace:
        # In a demonstration that hurries, a busy computer holds up the meter as well.
        held_back_s = HELD_BACK_S * max(self._clock.speed, 1.0)
        return StreamPace(
            talk.instrument.name,
            refresh_s=self._clock.real_s(talk.instrument.profile.refresh_s),
            silence_s=silent_from_s - now,
            held_back_s=held_back_s,
        )

    def _tell_all(self, talk: _Talk, outcomes: Sequence[Reading | Gap]) -> None:
        for outcome in outcomes:
            self._tell(talk, outcome, 0)

    # ---- time

    async def _sleep_until(self, wire_s: float) -> None:
        wait_s = wire_s - self._clock.wire_s()
        if wait_s > 0.0:
            await self._sleep_s(wait_s)

    async def _sleep_s(self, duration_s: float) -> None:
        """Sleep, but not longer than the line is there."""
        now = self._clock.wire_s()
        self._delays.note(now, waits_until_s=now + duration_s)
        if self._lost is not None:
            await asyncio.wait([self._lost], timeout=duration_s)
        self._delays.note(self._clock.wire_s())
        self._raise_if_lost()

    def _raise_if_lost(self) -> None:
        if self._lost is not None and self._lost.done():
            raise self._lost.result()

    async def _keep_silence(self, silence_s: float) -> float:
        """Wait until the line has been silent long enough; returns the wire time [s]."""
        clear_s = self._last_activity_s + silence_s
        now = self._clock.wire_s()
        self._delays.note(now, waits_until_s=max(clear_s, now))
        if clear_s - now > _TIMER_S:
            await asyncio.sleep(clear_s - now - _TIMER_S)
            now = self._clock.wire_s()
        while now < clear_s:
            await asyncio.sleep(0)
            now = self._clock.wire_s()
        self._delays.note(now)
        return now

    def _tell(self, talk: _Talk, outcome: Reading | Gap, flags: int) -> None:
        """Hand the outcome on in bench time."""
        bench_s = self._clock.bench_from_wire(outcome.at_s)
        if isinstance(outcome, Gap):
            self._on_outcome(replace(outcome, at_s=bench_s))
            return
        at_s = bench_s - talk.lag_s
        self._on_outcome(
            Reading(outcome.instrument, at_s, outcome.values, outcome.flags | flags)
        )
