"""Listens at one setting after another for binary frames that come by themselves, and records more of those it found."""

from collections.abc import Sequence
from dataclasses import dataclass

from daq.recognising.frames import (
    LEAST_FRAMES,
    FrameGuess,
    frames_in,
    recognise_frames,
)
from daq.recognising.framings import Framing
from daq.recognising.heard import interval_s
from daq.recognising.overheard import Overheard, overheard_requests
from daq.runtime.clock import Clock
from daq.runtime.listening.line import Line, Tell, open_line

_LONGER = 4.0
"""Times the given seconds, for a meter that sends but seldom."""

_ENOUGH_FRAMES = 2 * LEAST_FRAMES
"""In which a checksum shows, if there is one."""

_JUDGE_EVERY_S = 0.3
_LEAST_PAUSE_S = 0.02
_PAUSE_CHARACTERS = 4.0
_LONGEST_RECORD_S = 30.0


@dataclass(frozen=True, slots=True)
class FramesHeard:
    """What was heard at one setting.

    Attributes:
        framing: Of the line.
        data: All bytes, in order.
        guess: The frames in them; None where nothing repeats.
        bus: Modbus RTU between others; None where none was heard.
        interval_s: Mean time between two frames [s]; None where they came too seldom, or all at once, to tell it.
        errors: [1] framing and parity errors; None where the driver counts none.
    """

    framing: Framing
    data: bytes
    guess: FrameGuess | None
    bus: Overheard | None
    interval_s: float | None
    errors: int | None

    @property
    def is_accepted(self) -> bool:
        """Whether the evidence is enough to go on with."""
        return self.bus is not None or (
            self.guess is not None and self.guess.is_accepted
        )


async def find_frames(
    url: str,
    framings: Sequence[Framing],
    *,
    clock: Clock,
    seconds: float,
    tell: Tell,
) -> list[FramesHeard]:
    """What the line brings at each setting, until one is believed, which then is the last.

    Args:
        url: Path or URL.
        framings: In the order of the search.
        clock: At the speed of life.
        seconds: How long to listen at each [s]; four times as long where few frames have come.
        tell: Takes what is going on, a line at a time.
    """
    heard: list[FramesHeard] = []
    for framing in framings:
        each = await _frames_at(url, framing, clock=clock, seconds=seconds)
        heard.append(each)
        tell(_told(each))
        if each.is_accepted:
            return await _without_errors(url, heard, clock, seconds, tell)
    return heard


async def record_frames(
    url: str, framing: Framing, guess: FrameGuess, count: int, *, clock: Clock
) -> tuple[bytes, ...]:
    """So many sound frames, or as many as came in half a minute."""
    async with open_line(url, framing, clock) as line:
        until_s = clock.wire_s() + _LONGEST_RECORD_S
        frames = frames_in(line.data, guess)
        while len(frames) < count and clock.wire_s() < until_s:
            await line.wait(until_s)
            frames = frames_in(line.data, guess)
    return frames


async def _frames_at(
    url: str, framing: Framing, *, clock: Clock, seconds: float
) -> FramesHeard:
    async with open_line(url, framing, clock) as line:
        begun_s = now_s = judged_s = clock.wire_s()
        heard = _judged(line)
        while now_s < (until_s := begun_s + _patience_s(line, heard, seconds)):
            await line.wait(min(until_s, now_s + 1.0))
            now_s = clock.wire_s()
            if now_s >= judged_s + _JUDGE_EVERY_S:
                heard, judged_s = _judged(line), clock.wire_s()
        return heard if heard.is_accepted else _judged(line)


def _patience_s(line: Line, heard: FramesHeard, seconds: float) -> float:
    """None once it is clear; longer while something comes too few times, or two checksums would be right."""
    bursts = len(_bursts(line))
    is_undecided = heard.guess is not None and bool(heard.guess.rivals)
    if heard.is_accepted or (bursts > _ENOUGH_FRAMES and not is_undecided):
        return 0.0
    return seconds * _LONGER if bursts or is_undecided else seconds


def _judged(line: Line) -> FramesHeard:
    data = line.data
    bus = overheard_requests(data)
    guess = recognise_frames(data, _bursts(line)) if bus is None else None
    pace_s = interval_s(_frame_times_s(line, guess.length)) if guess else None
    return FramesHeard(line.framing, data, guess, bus, pace_s, line.errors)


def _frame_times_s(line: Line, length: int) -> list[float]:
    """When each stretch of so many bytes was whole [s]."""
    times, count = list[float](), 0
    for chunk, at in line.chunks:
        before, count = count, count + len(chunk)
        times += [at] * (count // length - before // length)
    return times


def _bursts(line: Line) -> list[int]:
    """Places of the bytes that came after a silence."""
    pause_s = max(_LEAST_PAUSE_S, _PAUSE_CHARACTERS * line.framing.char_s)
    starts, place, last_s = list[int](), 0, float("-inf")
    for chunk, at in line.chunks:
        if at - last_s > pause_s:
            starts.append(place)
        place, last_s = place + len(chunk), at
    return starts


async def _without_errors(
    url: str, heard: list[FramesHeard], clock: Clock, seconds: float, tell: Tell
) -> list[FramesHeard]:
    """Where the driver counted errors in sound frames, whether a parity has none."""
    best = heard[-1]
    if not best.errors:
        return heard
    for shape in ("8E1", "8O1", "8N2"):
        other = best.framing.with_shape(shape)
        each = await _frames_at(url, other, clock=clock, seconds=seconds)
        tell(_told(each))
        if each.is_accepted and not each.errors:
            return [*heard, each]
    return heard


def _told(heard: FramesHeard) -> str:
    if heard.bus is not None:
        return f"{heard.framing}: Modbus RTU between others"
    if heard.guess is None:
        return f"{heard.framing}: no frames in {len(heard.data)} bytes"
    reasons = "; ".join(heard.guess.reasons)
    return f"{heard.framing}: confidence {heard.guess.confidence:.2f} ({reasons})"
