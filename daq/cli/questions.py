"""Questions to whoever sits at the terminal, or has written the answers into a file before."""

import sys
from collections.abc import Callable
from typing import TypeVar

from daq.cli.said import fitted, say

_Answer = TypeVar("_Answer")


def is_somebody_there() -> bool:
    """Whether standard input is a terminal."""
    return sys.stdin is not None and sys.stdin.isatty()


def ask(question: str) -> str | None:
    """One line of answer; None where nobody answers."""
    sys.stdout.write(fitted(question, sys.stdout))
    sys.stdout.flush()
    line = sys.stdin.readline() if sys.stdin is not None else ""
    if not line:
        sys.stdout.write("\n")
        return None
    return line.strip()


def ask_until(question: str, parse: Callable[[str], _Answer]) -> _Answer | None:
    """The first answer that can be used; None where nobody answers."""
    while True:
        text = ask(question)
        if text is None:
            return None
        try:
            return parse(text)
        except ValueError as exc:
            say(f"  {exc}")
