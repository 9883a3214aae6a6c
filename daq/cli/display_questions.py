"""Questions for what a meter's display shows, at one load and at the next."""

from collections.abc import Callable, Mapping, Sequence
from functools import partial

from daq.cli.questions import ask, ask_until, is_somebody_there
from daq.cli.registers_words import (
    another_load_question,
    first_question,
    not_taken_line,
    replaced_line,
    taken_line,
    value_question,
)
from daq.cli.said import say
from daq.recognising.choosing import Move
from daq.recognising.shown import Shown, parse_shown, shown_again


def asked_shown() -> tuple[Shown, ...]:
    """What the display shows, line by line, until an empty one; a name that comes again replaces its value."""
    shown: dict[str, Shown] = {}

    def parse(text: str) -> Shown | None:
        if not text:
            return None
        answer = parse_shown(text)
        if before := shown.get(answer.name):
            say(replaced_line(before, answer))
        elif "," in text:
            say(taken_line(answer))
        return answer

    while (answer := ask_until(first_question(len(shown)), parse)) is not None:
        shown[answer.name] = answer
    return tuple(shown.values())


def is_another_load_wanted(loads: int, moves: Mapping[str, Move]) -> bool:
    """Whether the operator has changed the load; not where nobody answers."""
    answer = ask(another_load_question(loads, moves))
    return answer is not None and answer.lower() not in ("stop", "s")


def asked_again(first: Sequence[Shown]) -> tuple[Shown, ...] | None:
    """The same values at another load; None where nobody reads them."""
    shown: list[Shown] = []
    for each in first:
        answer = ask_until(value_question(each), partial(_read_again, each))
        if answer is None:
            return None
        shown.append(answer)
    return tuple(shown)


def _read_again(before: Shown, text: str) -> Shown:
    answer = shown_again(before, text)
    if "," in text:
        say(taken_line(answer))
    return answer


def asked_number(
    question: Callable[[], str], name: str, given: str | None, labels: Sequence[str]
) -> int | None:
    """The candidate that the operator takes, counted from 1; None for none.

    Args:
        question: For it, asked where none was named beforehand.
        name: Of the field.
        given: The candidate's label where one was named; a number would be another candidate at another search.
        labels: Of the candidates.
    """
    if given is not None:
        if given in labels:
            return labels.index(given) + 1
        say(not_taken_line(name, given))
    return (
        ask_until(question(), partial(_number, len(labels)))
        if is_somebody_there()
        else None
    )


def _number(most: int, text: str) -> int | None:
    if not text:
        return None
    if not text.isdecimal() or not 1 <= int(text) <= most:
        msg = f"{text!r}, expected a number from 1 to {most}, or nothing"
        raise ValueError(msg)
    return int(text)
