"""Questions for what a meter's display shows, at one load and at the next."""

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from daq.cli.questions import ask, ask_until, is_somebody_there
from daq.cli.registers_words import (
    another_load_question,
    first_question,
    value_question,
)
from daq.recognising.choosing import Move
from daq.recognising.shown import Shown, parse_shown, shown_again


def asked_shown() -> tuple[Shown, ...]:
    """What the display shows, line by line, until an empty one."""
    shown: list[Shown] = []

    def parse(text: str) -> Shown | None:
        if not text:
            return None
        answer = parse_shown(text)
        if answer.name in [each.name for each in shown]:
            msg = f"{answer.name!r} is there already, expected another name, like {answer.name}_2"
            raise ValueError(msg)
        return answer

    while (answer := ask_until(first_question(len(shown)), parse)) is not None:
        shown.append(answer)
    return tuple(shown)


def is_another_load_wanted(loads: int, moves: Mapping[str, Move]) -> bool:
    """Whether the operator has changed the load; not where nobody answers."""
    answer = ask(another_load_question(loads, moves))
    return answer is not None and answer.lower() not in ("stop", "s")


def asked_again(first: Sequence[Shown]) -> tuple[Shown, ...] | None:
    """The same values at another load; None where nobody reads them."""
    shown: list[Shown] = []
    for each in first:
        answer = ask_until(value_question(each), partial(shown_again, each))
        if answer is None:
            return None
        shown.append(answer)
    return tuple(shown)


def asked_number(
    question: Callable[[], str], given: int | None, most: int
) -> int | None:
    """The candidate that the operator takes, counted from 1; None for none."""
    if given is None and is_somebody_there():

        def parse(text: str) -> int | None:
            if not text:
                return None
            if not text.isdecimal() or not 1 <= int(text) <= most:
                msg = f"{text!r}, expected a number from 1 to {most}, or nothing"
                raise ValueError(msg)
            return int(text)

        return ask_until(question(), parse)
    return given if given is not None and 1 <= given <= most else None
