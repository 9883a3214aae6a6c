"""Listens at one setting after another for lines that come by themselves."""

from collections.abc import Sequence

from daq.recognising.framings import Framing, parse_framing
from daq.recognising.heard import (
    Guess,
    Heard,
    interval_s,
    is_surely_wrong,
    judge_heard,
    printable_share,
    seven_bit_shape,
)
from daq.runtime.clock import Clock
from daq.runtime.listening.line import Line, Tell, open_line

_LONGER = 4.0
"""Times the given seconds, for a meter that sends text but seldom."""

_PACE_S = 1.0
"""Over which the time between two lines is measured; drivers hand on what came some hundredths of a second late."""


async def listen(
    url: str,
    framings: Sequence[Framing],
    *,
    clock: Clock,
    seconds: float,
    tell: Tell,
) -> list[Guess]:
    """What the line brings at each setting, until one is believed; empty where nobody talks.

    Args:
        url: Path or URL.
        framings: In the order of the search.
        clock: At the speed of life.
        seconds: How long to listen at each [s]; at the first, how long a silence means that nobody talks.
        tell: Takes what is going on, a line at a time.
    """
    guesses: list[Guess] = []
    waiting = list(framings)
    while waiting:
        framing = waiting.pop(0)
        guess = await _listen_at(url, framing, clock=clock, seconds=seconds)
        if not guesses and not guess.heard.data:
            return []
        guesses.append(guess)
        if guess.heard.data:
            tell(_told(guess))
        if guess.is_accepted:
            break
        shape = seven_bit_shape(guess.heard.data)
        if shape is not None and framing.shape == "8N1":
            waiting.insert(0, parse_framing(framing.baud, shape))
    return await _with_fewest_errors(url, guesses, clock, seconds, tell)


def _line_times_s(line: Line) -> tuple[float, ...]:
    """When each line ended [s]."""
    terminator = b"\n" if b"\n" in line.data else b"\r"
    return tuple(at for data, at in line.chunks for _ in range(data.count(terminator)))


async def _listen_at(
    url: str, framing: Framing, *, clock: Clock, seconds: float
) -> Guess:
    async with open_line(url, framing, clock) as line:
        begun_s = now_s = clock.wire_s()
        guess = judge_heard(Heard(framing, b""))
        while now_s < begun_s + _patience_s(guess, seconds):
            await line.wait(begun_s + _patience_s(guess, seconds))
            now_s = clock.wire_s()
            guess = judge_heard(
                Heard(framing, line.data, line.errors, _line_times_s(line))
            )
            if is_surely_wrong(line.data):
                break
            if guess.is_accepted and _is_pace_known(guess, min(_PACE_S, seconds)):
                break
        return guess


def _is_pace_known(guess: Guess, least_s: float) -> bool:
    """Whether the lines came over a time in which their interval shows; frames of others have none to be known."""
    times = guess.heard.line_times_s
    if guess.bus is not None:
        return True
    return interval_s(times) is not None and times[-1] - times[0] >= least_s


def _patience_s(guess: Guess, seconds: float) -> float:
    """Longer for what is text so far, however seldom it comes."""
    is_text = guess.heard.data and printable_share(guess.heard.data) == 1.0
    return seconds * _LONGER if is_text else seconds


async def _with_fewest_errors(
    url: str, guesses: list[Guess], clock: Clock, seconds: float, tell: Tell
) -> list[Guess]:
    """Where the driver counted errors in good text, whether another parity has none."""
    best = guesses[-1]
    if not best.is_accepted or not best.heard.errors:
        return guesses
    for shape in ("8E1", "8O1", "8N2"):
        other = best.heard.framing.with_shape(shape)
        guess = await _listen_at(url, other, clock=clock, seconds=seconds)
        tell(_told(guess))
        guesses.append(guess)
        if guess.is_accepted and not guess.heard.errors:
            return guesses
    return [*guesses, best]


def _told(guess: Guess) -> str:
    reasons = "; ".join(guess.reasons)
    return f"{guess.heard.framing}: confidence {guess.confidence:.2f} ({reasons})"
