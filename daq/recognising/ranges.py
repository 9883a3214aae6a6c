"""Which registers are read next, and which are never asked for again.

A refused range is halved until single registers are refused; what was refused or not answered is remembered. Knows no
port and no time; the most registers of one search are bounded.
"""

from collections.abc import Mapping
from dataclasses import dataclass

MOST_REGISTERS = 1000
BLOCK = 32
"""Many meters refuse longer reads, and a refused one must be halved more often."""

Address = tuple[int, int]
"""Function and zero-based address."""

Sweep = Mapping[Address, int]
"""Registers read one after another, by function and address."""


@dataclass(frozen=True, slots=True)
class Range:
    """Registers that one request reads."""

    function: int
    address: int
    count: int


class RangeSearch:
    """Finds the readable registers; used so: `next_range`, then one of `took`, `refused`, `silent`, until None.

    Args:
        first: Least address.
        last: Greatest address.
        functions: 3, 4 or both.

    Raises:
        ValueError: If more registers are asked for than a search may read.
    """

    def __init__(
        self, first: int, last: int, *, functions: tuple[int, ...] = (3, 4)
    ) -> None:
        if not 0 <= first <= last <= 65535 or last - first >= MOST_REGISTERS:
            msg = f"registers {first} to {last}, expected at most {MOST_REGISTERS} between 0 and 65535"
            raise ValueError(msg)
        self._waiting = [
            Range(function, address, min(BLOCK, last + 1 - address))
            for function in reversed(functions)
            for address in reversed(range(first, last + 1, BLOCK))
        ]
        self._asked_again = False
        self.readable: list[Range] = []
        self.words: dict[Address, int] = {}
        self.refused_count = 0
        self.silent_count = 0

    def next_range(self) -> Range | None:
        """What to read now; None once all is known."""
        return self._waiting[-1] if self._waiting else None

    def took(self, words: tuple[int, ...]) -> None:
        """The range was read."""
        done = self._take()
        self.readable.append(done)
        self.words |= words_of(done, words)

    def refused(self, *, is_whole_function: bool) -> None:
        """The unit refuses the range, or the function as such."""
        done = self._take()
        if is_whole_function:
            self._waiting = [r for r in self._waiting if r.function != done.function]
            return
        if done.count == 1:
            self.refused_count += 1
            return
        half = done.count // 2
        self._waiting += [
            Range(done.function, done.address + half, done.count - half),
            Range(done.function, done.address, half),
        ]

    def silent(self) -> None:
        """No reply, or a spoiled one: asked once more, then left out."""
        self._asked_again = not self._asked_again
        if not self._asked_again:
            self.silent_count += self._take().count

    def _take(self) -> Range:
        self._asked_again = False
        return self._waiting.pop()


def words_of(read: Range, words: tuple[int, ...]) -> dict[Address, int]:
    """Registers of one reply by function and address."""
    return {(read.function, read.address + i): word for i, word in enumerate(words)}
