"""Items of the list before a session, for people and for programs."""

from collections.abc import Sequence

from daq.checklist.items import Item, count_line
from daq.checklist.mains import CAUTIONS

HEAD = "".join(f"! {caution}\n" for caution in CAUTIONS)
"""The cautions on mains, once above everything."""


def item_text(item: Item) -> str:
    """One line of verdict, one of reason."""
    return f"[{item.verdict.value}] {item.name}: {item.finding}\n    {item.reason}\n"


def ending(items: Sequence[Item], file: object) -> str:
    """How many stand how, what is open by name, and where the answers are kept."""
    names = [item.name for item in items if item.is_open]
    left = (
        f"Open: {', '.join(names)}.\n"
        "Answer with --walk at a terminal, with --yes ITEM (also for a group, the part before the colon),"
        " or with --answer ITEM=VALUE; limits and leads in the plan.\n"
        if names
        else ""
    )
    return f"\n{count_line(items)}\n{left}Answers are kept in {file}.\n"


def walk_facts(items: Sequence[Item], file: object) -> dict[str, object]:
    """The list for programs."""
    return {
        "cautions": list(CAUTIONS),
        "kept_in": str(file),
        "in_order": not any(item.is_open for item in items),
        "items": [
            {
                "item": item.name,
                "verdict": item.verdict.value,
                "finding": item.finding,
                "reason": item.reason,
                "figures": dict(item.figures),
            }
            for item in items
        ],
    }
