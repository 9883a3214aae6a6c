"""Answers to the list of `daq check`: from options, or from whoever sits at the terminal."""

import sys
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass

from daq.checklist.air import parse_air_answer
from daq.checklist.ticks import NO, YES
from daq.errors import InputError

Ask = Callable[[str], str]
"""Shows a question and gives the answer; EOFError where none comes any more."""

_SHORT: Mapping[str, str] = {"y": YES, "yes": YES, "n": NO, "no": NO}
_AIR = "air"
_YES_ONLY = ("pair", "zero", "refresh", "clock")
"""Groups in which there is nothing to be said but yes."""


@dataclass(slots=True)
class Answers:
    """What was answered by options, and how to ask for more.

    Attributes:
        given: By item or by group of items.
        ask: None where nobody is to be asked.
    """

    given: Mapping[str, str]
    ask: Ask | None

    def is_given(self, item: str) -> bool:
        """Whether an option answers it."""
        return self._given(item) is not None

    def yes_or_no(self, item: str, question: str) -> str | None:
        """Yes or no; None where it is left open."""
        given = self._given(item)
        if given is not None:
            return given
        return self._asked(
            f"{question} [y/n, Enter leaves it open] ", _yes_or_no_or_open
        )

    def agreed(self, items: Sequence[str], question: str) -> list[str]:
        """Those that are to be done now; one question for all of them."""
        given = [item for item in items if self.is_given(item)]
        if len(given) == len(items):
            return given
        answer = self._asked(
            f"{question} [y, Enter leaves it open] ", _yes_or_no_or_open
        )
        return list(items) if answer == YES else given

    def statement(
        self, item: str, question: str, parse: Callable[[str], str]
    ) -> str | None:
        """Free text that `parse` takes; None where it is left open."""
        given = self._given(item)
        if given is not None:
            return parse(given)
        return self._asked(
            f"{question}\n[Enter leaves it open] ",
            lambda text: parse(text) if text.strip() else None,
        )

    def _given(self, item: str) -> str | None:
        return self.given.get(item, self.given.get(group_of(item)))

    def _asked(self, question: str, parse: Callable[[str], str | None]) -> str | None:
        """The first answer that can be used; None where it is left open or nobody answers any more."""
        while self.ask is not None:
            try:
                return parse(self.ask(question))
            except EOFError:
                self.ask = None
            except ValueError as exc:
                sys.stdout.write(f"  {exc}\n")
        return None


def group_of(item: str) -> str:
    """What stands before the colon."""
    return item.partition(":")[0]


def _yes_or_no_or_open(text: str) -> str | None:
    plain = text.strip().casefold()
    if plain and plain not in _SHORT:
        msg = f"got {text.strip()!r}, expected y or n, or Enter alone"
        raise ValueError(msg)
    return _SHORT.get(plain)


def given_answers(
    yes: Sequence[str], answers: Sequence[str], items: Collection[str]
) -> dict[str, str]:
    """What the options answer.

    Args:
        yes: Items of --yes.
        answers: "ITEM=VALUE" of --answer.
        items: That can be answered on this bench.

    Raises:
        InputError: If an item is unknown, or its answer is none.
    """
    given = dict.fromkeys(yes, YES)
    for text in answers:
        item, is_there, value = text.partition("=")
        if not is_there:
            msg = f"--answer {text}: expected ITEM=VALUE, like hold=yes"
            raise InputError(msg)
        given[item.strip()] = value.strip()
    known = {*items, *map(group_of, items)}
    for item in given:
        if item not in known:
            msg = f"{item}: nothing of that name is asked on this bench, expected one of {', '.join(sorted(known))}"
            raise InputError(msg)
    return {item: _checked(item, value) for item, value in given.items()}


def _checked(item: str, value: str) -> str:
    """An answer in its usual form.

    Raises:
        InputError: If it is none to this item.
    """
    try:
        if item == _AIR:
            return parse_air_answer(value)
    except ValueError as exc:
        msg = f"--answer air: {exc}"
        raise InputError(msg) from exc
    answer = _SHORT.get(value.casefold())
    is_yes_only = group_of(item) in _YES_ONLY
    if answer is None or (is_yes_only and answer == NO):
        expected = "yes, or no such option" if is_yes_only else "yes or no"
        msg = f"--answer {item}: got {value!r}, expected {expected}"
        raise InputError(msg)
    return answer
