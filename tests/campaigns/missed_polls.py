"""How many polls a gap of the store stands for, by its words: the row has no number of them."""

import re

_POLLS = re.compile(r"(\d+) polls? (?:was|were) due\b")


def polls_of(detail: str) -> int:
    """Polls that were due and brought no reading [1].

    Those that could not be made, as the line was busy or its port away, are told in one gap that begins with their number;
    any other gap is of one poll, whatever number its words begin with.
    """
    found = _POLLS.match(detail)
    return int(found[1]) if found else 1
