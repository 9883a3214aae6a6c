"""The poller, its protocol and a spoiled wire in moved time: many exchanges, each with a known truth.

The program's own poller and protocols run on a loop whose clock jumps to the next timer. The port is the seam:
`daq.runtime.poller.open_port` is replaced by a line in memory whose meter is spoiled. A sabotaged poller may be handed in.
"""

import asyncio
import contextlib
import selectors
from collections import Counter, deque
from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from unittest.mock import patch

from daq.config.bench import Instrument, PortSettings, parse_bench
from daq.errors import PortLostError
from daq.records import Gap, GapReason, Reading
from daq.runtime.clock import Clock
from daq.runtime.poller import LinePoller, LineState
from daq.runtime.ports import Port
from tests.campaigns.wire_faults_accounts import PolledAccount, StreamedAccount
from tests.campaigns.wire_faults_meters import (
    INTERVAL_S,
    UNIT,
    Meter,
    is_possible,
)
from tests.campaigns.wire_faults_spoiling import (
    Answer,
    Fault,
    Spoiled,
    answer_of,
    has_changed,
    in_pieces,
    mixed_of,
    spoil,
)

_TURN_S = 5e-4
_LEAST_AFTER_S, _MOST_AFTER_S = 0.002, 0.02
_REMEMBERED = 64
SPOILED_SHARE = 0.5
"""Of the answers; the others show whether a fault outlives its own answer."""


@dataclass
class Tally:
    """What became of the answers.

    Attributes:
        spoiled: Answers that were spoiled: what came was not what the meter meant, or not then.
        answers: All of them.
        true: Readings that say what was asked.
        survived: Those of them whose answer was spoiled.
        false: Readings that do not.
        old: Those of the false ones that were true of an earlier question.
        possible: Those of the false ones that power at most volts times amperes leaves.
        reasons: Gaps by reason.
        polled: Whether every question has its reading or its gap.
        streamed: Whether every line that nobody asked for has.
    """

    spoiled: int = 0
    answers: int = 0
    true: int = 0
    survived: int = 0
    false: int = 0
    old: int = 0
    possible: int = 0
    reasons: Counter[GapReason] = field(default_factory=Counter)
    polled: PolledAccount = field(default_factory=PolledAccount)
    streamed: StreamedAccount = field(default_factory=StreamedAccount)

    @property
    def lost(self) -> int:
        """Gaps of questions that were asked, or could not be."""
        return sum(self.reasons.values()) - self.reasons[GapReason.MISSED]


class Judge:
    """Holds each outcome against the question that it belongs to."""

    def __init__(self, meter: Meter) -> None:
        self.tally = Tally()
        self.last = 0
        self.spoiled: dict[int, Fault] = {}
        self._meter = meter
        self._recent: deque[tuple[int, ...]] = deque(maxlen=_REMEMBERED)
        self._taken = 0
        self._settled = 0
        self._begun = 0

    def asked(self, number: int, request: bytes, at_s: float) -> None:
        """A question was asked, or a meter spoke."""
        if self._meter.begins_poll(request):
            self._count_sound(number)
            self.tally.polled.begin(at_s)
        self.last = number
        self.tally.answers += 1
        self._recent.append(self._meter.expected(number))

    def _count_sound(self, number: int) -> None:
        """Of the poll before the one that begins now."""
        asked = range(max(self._begun, 1), number)
        is_sound = len(asked) > 0 and not any(each in self.spoiled for each in asked)
        self.tally.polled.sound += is_sound
        self._begun = number

    def end(self, at_s: float) -> None:
        """Nothing comes any more."""
        if self._meter.is_streamed:
            self.tally.streamed.end(at_s, self.last)

    def take(self, outcome: Reading | Gap) -> None:
        """One outcome of the poller."""
        was_asked = self._meter.is_streamed or self.last > self._settled
        self._settled = self.last
        self.tally.polled.take(outcome, was_asked=was_asked)
        if isinstance(outcome, Gap):
            self.tally.streamed.take(outcome, None)
            # Polls that were due while the port was away were never questions.
            is_lost = was_asked or outcome.reason is not GapReason.PORT_LOST
            self.tally.reasons[outcome.reason if is_lost else GapReason.MISSED] += 1
            return
        raws = tuple(
            None if value is None else round(value / scale)
            for value, scale in zip(outcome.values, self._meter.scales, strict=False)
        )
        number = self._said(raws)
        self.tally.streamed.take(outcome, number)
        if number is None:
            self._false(raws)
        else:
            self.tally.true += 1
            questions = range(number - self._meter.blocks + 1, number + 1)
            self.tally.survived += any(
                question in self.spoiled for question in questions
            )

    def _said(self, raws: tuple[int | None, ...]) -> int | None:
        """To which question this is the answer; None if to none that may be answered now."""
        # Who talks by himself says things in order, each once.
        numbers = (
            range(self._taken + 1, self.last + 1)
            if self._meter.is_streamed
            else (self.last,)
        )
        number = next((n for n in numbers if self._says(raws, n)), None)
        self._taken = number or self._taken
        return number

    def _says(self, raws: tuple[int | None, ...], number: int) -> bool:
        expected: list[int | None] = list(self._meter.expected(number))
        if self.spoiled.get(number) is Fault.OVERRANGE:
            expected[self._meter.overranged] = None
        return raws == tuple(expected)

    def _false(self, raws: tuple[int | None, ...]) -> None:
        self.tally.false += 1
        whole = tuple(raw for raw in raws if raw is not None)
        if len(whole) < len(raws):
            return
        self.tally.old += whole in self._recent
        self.tally.possible += not self._meter.has_power or is_possible(whole)


class _Loop(asyncio.SelectorEventLoop):
    """Its clock jumps to the next timer."""

    def __init__(self) -> None:
        self.now_s = 100.0
        super().__init__(_NeverWaits(self))

    def time(self) -> float:
        return self.now_s


class _NeverWaits(selectors.DefaultSelector):
    def __init__(self, loop: _Loop) -> None:
        super().__init__()
        self._loop = loop

    def select(
        self, timeout: float | None = None
    ) -> list[tuple[selectors.SelectorKey, int]]:
        self._loop.now_s += max(timeout or 0.0, _TURN_S)
        return []


class SpoiledLine:
    """A line in memory with one meter, whose answers are spoiled."""

    def __init__(
        self, loop: _Loop, meter: Meter, fault: Fault, *, seed: int, most: int
    ) -> None:
        self.judge = Judge(meter)
        self.is_done = loop.create_future()
        self._loop = loop
        self._meter = meter
        self._faults = mixed_of(meter) if fault is Fault.MIXED else (fault,)
        self._most = most
        self._random = Random(seed)  # noqa: S311  # chance of a test, no secret
        self._on_data: Callable[[bytes, float], None] | None = None
        self._on_lost: Callable[[PortLostError], None] | None = None
        self._char_s = 10.0 / 115_200
        self._talking: asyncio.TimerHandle | None = None

    async def open(
        self,
        settings: PortSettings,
        *,
        wire_s: Callable[[], float],
        on_data: Callable[[bytes, float], None],
        on_lost: Callable[[PortLostError], None],
    ) -> Port:
        """In place of `open_port`."""
        del settings, wire_s
        self._on_data, self._on_lost = on_data, on_lost
        if self._meter.is_streamed and self._talking is None:
            self._talk()
        return self

    def write(self, data: bytes) -> None:
        """A question has come."""
        self._answer(data)

    async def close(self) -> None:
        """Nobody listens any longer."""
        self._on_data = self._on_lost = None

    def _talk(self) -> None:
        self._talking = self._loop.call_later(INTERVAL_S, self._talk)
        self._answer(b"")

    def _answer(self, request: bytes) -> None:
        tally, number = self.judge.tally, self.judge.last + 1
        if tally.spoiled >= self._most and not self.is_done.done():
            self.is_done.set_result(None)
        self.judge.asked(number, request, self._loop.now_s)
        after_s = self._random.uniform(_LEAST_AFTER_S, _MOST_AFTER_S)
        spoiled = Spoiled([(after_s, self._meter.said(number, request))])
        if self._random.random() < SPOILED_SHARE:
            fault = self._random.choice(self._faults)
            answer = answer_of(self._meter, number, request, after_s)
            spoiled = spoil(fault, answer, self._random)
            if has_changed(answer, spoiled):
                tally.spoiled += 1
                self.judge.spoiled[number] = fault
        self._say(spoiled, len(request) * self._char_s)

    def _say(self, spoiled: Spoiled, request_s: float) -> None:
        for at_s, data in in_pieces(spoiled.says, self._random, self._char_s):
            self._loop.call_later(request_s + at_s, self._arrives, data)
        if spoiled.loses_after_s is not None:
            self._loop.call_later(request_s + spoiled.loses_after_s, self._goes_away)

    def _arrives(self, data: bytes) -> None:
        if self._on_data is not None:
            self._on_data(data, self._loop.now_s)

    def _goes_away(self) -> None:
        if self._on_lost is not None:
            self._on_lost(PortLostError("port line: it went away"))


def instrument_of(meter: Meter) -> Instrument:
    """The meter as a bench has it."""
    text = 'format = 1\nname = "bench"\n[[instrument]]\nname = "meter"\nprofile = "kind"\nport = "line"\n'
    text += f"interval_s = {INTERVAL_S}\n" + (
        f"unit = {UNIT}\n" if meter.has_unit else ""
    )
    return parse_bench(
        text, file="bench.toml", find_profile=lambda _: ("kind.toml", meter.profile)
    ).instruments[0]


def run_cell(
    meter: Meter,
    fault: Fault,
    *,
    spoiled: int,
    seed: int = 1,
    poller: type[LinePoller] = LinePoller,
) -> Tally:
    """Poll one spoiled meter until so many answers were spoiled."""
    with contextlib.closing(_Loop()) as loop:
        line = SpoiledLine(loop, meter, fault, seed=seed, most=spoiled)
        instrument = instrument_of(meter)

        def told(_state: LineState, _text: str) -> None:
            """The line's state is no outcome."""

        async def polled() -> None:
            clock = Clock(since_boot_s=loop.time, boot_id="boot")
            polling = poller(
                [instrument], clock=clock, on_outcome=line.judge.take, on_line=told
            )
            task = asyncio.Task(polling.run())
            await asyncio.wait(
                [task, line.is_done], return_when=asyncio.FIRST_COMPLETED
            )
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task

        with patch("daq.runtime.poller.open_port", line.open):
            loop.run_until_complete(polled())
        line.judge.end(loop.now_s)
        return line.judge.tally


def run_frames(meter: Meter, fault: Fault, *, spoiled: int, seed: int = 1) -> Tally:
    """The protocol alone, every answer's own bytes spoiled; for counts that the poller is too slow for."""
    judge, random = Judge(meter), Random(seed)  # noqa: S311  # chance of a test, no secret
    protocol = instrument_of(meter).make_protocol(speed=1.0)
    at_s = 100.0
    for number in range(1, spoiled + 1):
        at_s += 10.0
        request = protocol.query(at_s)
        judge.asked(number, request, at_s)
        judge.tally.spoiled += 1
        # None of the answers that might stand in its place are made: only its own bytes are spoiled here.
        whole = meter.said(number, request)
        answer = Answer(whole, request, 0.01, meter.is_text, old=whole, stuck=whole)
        for after_s, data in spoil(fault, answer, random).says:
            protocol.feed(data, at_s + after_s)
        while (outcome := protocol.next_reading()) is not None:
            judge.take(outcome)
        if not meter.is_streamed and protocol.deadline is not None:
            protocol.feed(b"", protocol.deadline)
            judge.take(
                protocol.next_reading() or Gap("meter", at_s, GapReason.NO_REPLY)
            )
    return judge.tally
