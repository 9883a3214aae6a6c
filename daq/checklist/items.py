"""One item of the list: its verdict, what was found, why it matters."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class ItemVerdict(StrEnum):
    """How an item stands."""

    DONE = "done"
    TO_DO = "to do"
    REFUSED = "refused"
    NOT_APPLICABLE = "not applicable"


@dataclass(frozen=True, slots=True)
class Item:
    """One line of the list.

    Attributes:
        name: As it is named in options, "zero:velocity"; what stands before the colon is its group.
        verdict: How it stands.
        finding: What was found, and what is to be done where something is.
        reason: Why it is looked at, in a sentence.
        figures: What was measured, by name with unit.
    """

    name: str
    verdict: ItemVerdict
    finding: str
    reason: str
    figures: Mapping[str, float | int | str | None] = field(default_factory=dict)

    @property
    def is_open(self) -> bool:
        """Whether a session should wait for it."""
        return self.verdict in {ItemVerdict.TO_DO, ItemVerdict.REFUSED}


def count_line(items: Iterable[Item]) -> str:
    """How many items have which verdict, in a sentence."""
    verdicts = [item.verdict for item in items]
    counts = [
        f"{verdicts.count(verdict)} {verdict.value}"
        for verdict in ItemVerdict
        if verdict in verdicts
    ]
    return f"{', '.join(counts)}."
