"""Which registers are read next, and which are never asked for again.

A refused range is halved until single registers are refused; what was refused or not answered is remembered. Beside the
ends a little more is read, for a value may lie across one, and which of two neighbours is a number's other half shows
only where both were read. Knows no port and no time; the most registers of one search are bounded.
"""

from collections.abc import Mapping
from dataclasses import dataclass

MOST_REGISTERS = 1000
BLOCK = 32
"""Many meters refuse longer reads, and a refused one must be halved more often."""

BESIDE = 2
"""How many registers are read beyond either end: the other half of a number that begins there, and its rival."""

LAST_ADDRESS = 65_535

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
        is_between = 0 <= first <= last <= LAST_ADDRESS
        if not is_between or last - first >= MOST_REGISTERS:
            msg = f"registers {first} to {last}, expected at most {MOST_REGISTERS} between 0 and 65535"
            raise ValueError(msg)
        self._waiting = [
            Range(function, address, min(BLOCK, last + 1 - address))
            for function in reversed(functions)
            for address in reversed(range(first, last + 1, BLOCK))
        ]
        self._later = [self._beside, self._across]
        self._wanted = range(first, last + 1)
        self._asked_again = False
        self.readable: list[Range] = []
        self.words: dict[Address, int] = {}
        self.absent: set[Address] = set()
        """Refused, alone and with a neighbour that can be read."""
        self.refused_count = 0
        self.silent_count = 0

    @property
    def read_count(self) -> int:
        """How many of the registers asked for can be read [1]."""
        return sum(address in self._wanted for _, address in self.words)

    def next_range(self) -> Range | None:
        """What to read now; None once all is known."""
        while not self._waiting and self._later:
            self._waiting = self._later.pop(0)()
        return self._waiting[-1] if self._waiting else None

    def took(self, words: tuple[int, ...]) -> None:
        """The range was read."""
        done = self._take()
        self.readable.append(done)
        self.words |= words_of(done, words)
        self.absent -= self.words.keys()

    def refused(self, *, is_whole_function: bool) -> None:
        """The unit refuses the range, or the function as such."""
        done = self._take()
        if is_whole_function:
            self._waiting = [r for r in self._waiting if r.function != done.function]
            return
        if not self._later:
            return
        if done.count == 1:
            self.refused_count += done.address in self._wanted
            self.absent.add((done.function, done.address))
            return
        half = done.count // 2
        self._waiting += [
            Range(done.function, done.address + half, done.count - half),
            Range(done.function, done.address, half),
        ]

    def silent(self) -> None:
        """No reply, or a spoiled one: asked once more, then left out."""
        self._asked_again = not self._asked_again
        if self._asked_again:
            return
        done = self._take()
        addresses = range(done.address, done.address + done.count)
        self.silent_count += sum(address in self._wanted for address in addresses)
        self.absent -= {(done.function, address) for address in addresses}

    def _beside(self) -> list[Range]:
        """What lies beyond either end, of functions with a register that can be read."""
        first, last = self._wanted[0], self._wanted[-1]
        below, above = min(BESIDE, first), min(BESIDE, LAST_ADDRESS - last)
        return [
            Range(function, address, count)
            for function in sorted({function for function, _ in self.words})
            for address, count in ((first - below, below), (last + 1, above))
            if count
        ]

    def _across(self) -> list[Range]:
        """Refused registers with a neighbour: some units refuse half a number, and give the whole."""
        pairs = {
            (function, address - is_second)
            for function, address in self.absent
            for is_second in (0, 1)
            if (function, address + 1 - 2 * is_second) in self.words
        }
        return [Range(function, address, 2) for function, address in sorted(pairs)]

    def _take(self) -> Range:
        self._asked_again = False
        return self._waiting.pop()


def words_of(read: Range, words: tuple[int, ...]) -> dict[Address, int]:
    """Registers of one reply by function and address."""
    return {(read.function, read.address + i): word for i, word in enumerate(words)}
