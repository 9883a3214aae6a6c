"""Which of several channels is taken for a role: the bench's own before those typed or imported, one instrument's together.

A formula's inputs are best read by one instrument: it sees one moment and one range, and what it is off by cancels. What
was typed or imported stands in only where the bench itself reads nothing of the kind.
"""

from collections.abc import Collection, Iterable, Iterator, Sequence
from typing import Protocol, TypeVar


class Measuring(Protocol):
    """What a channel, and a quantity that was read, have in common here."""

    @property
    def name(self) -> str:
        """Unique in a session."""

    @property
    def quantity(self) -> str:
        """One of units.QUANTITIES."""

    @property
    def place(self) -> str:
        """Where on the bench."""

    @property
    def instrument(self) -> str:
        """That read it."""


_M = TypeVar("_M", bound=Measuring)


def best_set(
    sets: Iterable[Sequence[_M]], second_choice: Collection[str]
) -> Sequence[_M] | None:
    """The set that a formula is made of: one of the bench's own channels, of one instrument, as early as can be.

    Args:
        sets: One channel a role, in order of preference.
        second_choice: Names of channels that were typed or imported.

    Returns:
        The best; None where there is no set.
    """

    def rank(each: Sequence[_M]) -> tuple[bool, bool, int]:
        others = sum(m.name in second_choice for m in each)
        return others > 0, len({m.instrument for m in each}) > 1, others

    return min(sets, key=rank, default=None)


def choice_words(
    taken: Sequence[Measuring],
    there: Iterable[Measuring],
    second_choice: Collection[str],
) -> str:
    """Which channels were taken where others of the kind could be; empty where none could.

    Args:
        taken: One channel a role.
        there: All channels that have averages.
        second_choice: Names of channels that were typed or imported.
    """
    known = list(there)
    parts = []
    for each in taken:
        others = list(_competing(each, known, taken, second_choice))
        if others:
            parts.append(f"{each.name}, not {' or '.join(others)}")
    return "; ".join(parts)


def _competing(
    taken: Measuring,
    there: Sequence[Measuring],
    all_taken: Sequence[Measuring],
    second_choice: Collection[str],
) -> Iterator[str]:
    """Of one place any other; of another place where one of the two was typed or imported, and no other role is for that."""
    roles = {each.name for each in all_taken}
    is_alone = sum(each.quantity == taken.quantity for each in all_taken) == 1
    for other in there:
        if other.name in roles or other.quantity != taken.quantity:
            continue
        is_mixed = (other.name in second_choice) != (taken.name in second_choice)
        if other.place == taken.place or (is_alone and is_mixed):
            yield other.name
