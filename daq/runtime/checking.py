"""Talks to every meter of a bench for some seconds and sums up what it heard; or reads some of them so many times."""

import asyncio
import contextlib
import dataclasses
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import groupby, pairwise

from daq.config.bench import Bench, Instrument
from daq.records import Gap, GapReason, Reading
from daq.runtime.clock import Clock
from daq.runtime.poller import LinePoller, LineState

_LOOKS_PER_REFRESH = 8.0
_LEAST_INTERVAL_S = 0.02
"""Between polls of a meter [s of real time]."""
_BAD_SHARE = 0.2
_LEAST_REFRESHES = 3.0

_REMEDIES = {
    GapReason.NO_REPLY: "is it switched on, is A/B or TX/RX swapped, are unit and baud rate those of its menu?",
    GapReason.CUT: "the reply breaks off: check baud rate, stop bits and termination of the line",
    GapReason.GARBLED: "the reply is not what the profile expects: check baud rate and parity; if the text is readable, its pattern, separator and number of parts",
    GapReason.FOREIGN: "another unit or an old reply answers: are two meters set to one unit number?",
    GapReason.REFUSED: "the meter refuses the request: check the profile's register addresses and function",
    GapReason.IMPLAUSIBLE: "the value cannot be true: check address, type, byte order and scale in the profile{other}",
    GapReason.PORT_LOST: "check the adapter and its path",
}


@dataclass(frozen=True, slots=True)
class InstrumentCheck:
    """What was heard of one instrument.

    Attributes:
        instrument: Name.
        readings, gaps: [1] counts.
        values: Of the newest reading, by field.
        reply_s: Longest time from the request's end to the end of the poll [s], or None.
        refresh_s: Time between changes of its values [s], or None where too few were seen.
        stated_refresh_s: What its profile says [s].
        trouble: What is wrong and what to look at, or None.
        heard: Every reading, oldest first.
    """

    instrument: str
    readings: int
    gaps: int
    values: tuple[float | None, ...]
    reply_s: float | None
    refresh_s: float | None
    stated_refresh_s: float
    trouble: str | None
    heard: tuple[Reading, ...]


@dataclass(slots=True)
class _Heard:
    readings: list[Reading] = field(default_factory=list)
    gaps: list[Gap] = field(default_factory=list)
    line: str | None = None
    hindrance: str | None = None


def slowest(bench: Bench, *, speed: float = 1.0) -> Instrument:
    """The instrument that must be listened to longest.

    Args:
        bench: With at least one instrument.
        speed: Bench seconds a real second [1].
    """
    return max(bench.instruments, key=partial(least_listening_s, speed=speed))


def least_listening_s(instrument: Instrument, *, speed: float = 1.0) -> float:
    """How long it takes until anything can be said of an instrument [s of real time].

    Three of its refreshes, after the line was drained for its worst reply time.

    Args:
        instrument: Of a bench.
        speed: Bench seconds a real second [1].
    """
    refresh_s = instrument.profile.refresh_s / speed
    return instrument.worst_reply_s + _LEAST_REFRESHES * refresh_s


async def check_bench(
    bench: Bench, *, clock: Clock, seconds: float
) -> tuple[InstrumentCheck, ...]:
    """Poll every instrument faster than it refreshes, and sum up.

    Args:
        bench: With its lines' paths resolved.
        clock: At the speed of the meters.
        seconds: How long to listen [s of real time].
    """
    heard = {instrument.name: _Heard() for instrument in bench.instruments}

    def take(outcome: Reading | Gap) -> None:
        kept = heard[outcome.instrument]
        if isinstance(outcome, Reading):
            kept.readings.append(outcome)
        elif outcome.reason is not GapReason.MISSED:
            # Polled in such a hurry, a line may well be busy; that is no fault of the meter.
            kept.gaps.append(outcome)

    hurried = [_hurried(i, speed=clock.speed) for i in bench.instruments]
    pollers = [_poller(sharing, heard, take, clock) for sharing in _by_line(hurried)]
    async with asyncio.TaskGroup() as tasks:
        running = [tasks.create_task(poller.run()) for poller in pollers]
        await asyncio.sleep(seconds)
        for task in running:
            task.cancel()
    replies = {
        name: s for poller in pollers for name, s in poller.longest_replies_s().items()
    }
    return tuple(
        _sum_up(i, heard[i.name], replies.get(i.name)) for i in bench.instruments
    )


async def read_instruments(
    instruments: Sequence[Instrument], *, clock: Clock, count: int, seconds: float
) -> dict[str, tuple[Reading, ...]]:
    """Read instruments, each as often as it refreshes, until every one has given enough.

    Args:
        instruments: With their lines' paths resolved.
        clock: At the speed of the meters.
        count: Readings that are enough.
        seconds: How long to wait for them at most [s of real time].

    Returns:
        By instrument, oldest first; less than `count` where they did not come.
    """
    heard = {instrument.name: _Heard() for instrument in instruments}
    enough = asyncio.Event()

    def take(outcome: Reading | Gap) -> None:
        if isinstance(outcome, Reading):
            heard[outcome.instrument].readings.append(outcome)
            if all(len(each.readings) >= count for each in heard.values()):
                enough.set()

    paced = [
        dataclasses.replace(instrument, interval_s=instrument.profile.refresh_s)
        for instrument in instruments
    ]
    pollers = [_poller(sharing, heard, take, clock) for sharing in _by_line(paced)]
    async with asyncio.TaskGroup() as tasks:
        running = [tasks.create_task(poller.run()) for poller in pollers]
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await enough.wait()
        for task in running:
            task.cancel()
    return {name: tuple(each.readings) for name, each in heard.items()}


def _by_line(instruments: Sequence[Instrument]) -> list[tuple[Instrument, ...]]:
    ordered = sorted(instruments, key=lambda i: i.port.url)
    return [tuple(sharing) for _, sharing in groupby(ordered, key=lambda i: i.port.url)]


def _hurried(instrument: Instrument, *, speed: float) -> Instrument:
    """Polled often enough to see it refresh."""
    if instrument.is_streamed:
        return instrument
    interval_s = max(
        instrument.profile.refresh_s / _LOOKS_PER_REFRESH, _LEAST_INTERVAL_S * speed
    )
    return dataclasses.replace(instrument, interval_s=interval_s)


def _poller(
    sharing: tuple[Instrument, ...],
    heard: dict[str, _Heard],
    take: Callable[[Reading | Gap], None],
    clock: Clock,
) -> LinePoller:
    def line_changed(state: LineState, text: str) -> None:
        for instrument in sharing:
            kept = heard[instrument.name]
            kept.line = None if state is LineState.OPEN else text
            kept.hindrance = kept.line or kept.hindrance

    return LinePoller(sharing, clock=clock, on_outcome=take, on_line=line_changed)


def _sum_up(
    instrument: Instrument, heard: _Heard, reply_s: float | None
) -> InstrumentCheck:
    return InstrumentCheck(
        instrument=instrument.name,
        readings=len(heard.readings),
        gaps=len(heard.gaps),
        values=heard.readings[-1].values if heard.readings else (),
        reply_s=reply_s,
        refresh_s=_refresh_s(heard.readings),
        stated_refresh_s=instrument.profile.refresh_s,
        trouble=_trouble(instrument, heard),
        heard=tuple(heard.readings),
    )


def _refresh_s(readings: list[Reading]) -> float | None:
    """Time a change, from the first change to the last."""
    changes = [
        after.at_s
        for before, after in pairwise(readings)
        if after.values != before.values
    ]
    if len(changes) < 4:
        return None
    return (changes[-1] - changes[0]) / (len(changes) - 1)


def _trouble(instrument: Instrument, heard: _Heard) -> str | None:
    if heard.line is not None:
        return heard.line
    if not heard.readings and not heard.gaps:
        return "nothing was heard: is it switched on, is its cable plugged in, does it send by itself?"
    if not heard.readings or len(heard.gaps) > _BAD_SHARE * len(heard.readings):
        reason, _ = Counter(gap.reason for gap in heard.gaps).most_common(1)[0]
        if reason is GapReason.PORT_LOST and heard.hindrance is not None:
            return f"{heard.hindrance}; it could be opened again meanwhile, so check once more"
        example = next(
            gap.detail for gap in reversed(heard.gaps) if gap.reason is reason
        )
        other = (
            ""
            if instrument.unit is None
            else "; or another meter answers: check `unit`"
        )
        return f"{reason.value} ({example}): {_REMEDIES[reason].format(other=other)}"
    return None
