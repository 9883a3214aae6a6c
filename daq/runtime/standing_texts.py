"""What the screens say without what counts by itself, for those who are told of changes only.

Only a count of the program's own is left out. A time in the operator's words, such as how long to let the machine cool or
how long a plug bears a current, is told as it was written.
"""

import re

from daq.runtime.snapshot import Snapshot
from daq.trials.stages import Stage
from daq.wording import without_seconds

_IN_BRACKETS = r"\(.*\)"
"""From the first bracket to the last: what a plan says of a limit may have some of its own."""


def standing_instruction(snapshot: Snapshot) -> str:
    """The instruction without how long it still takes, or how long a meter has been silent."""
    if snapshot.stage.name == Stage.WAITING.value:
        # What the plan says is to be fitted; nothing counts before a trial has begun.
        return snapshot.instruction
    return _without_counts(snapshot.instruction, snapshot, whole=())


def standing_alarm(text: str, snapshot: Snapshot) -> str:
    """An alarm without how long it has been so; a limit's reason stands in brackets and stays whole."""
    return _without_counts(text, snapshot, whole=(_IN_BRACKETS,))


def _without_counts(text: str, snapshot: Snapshot, *, whole: tuple[str, ...]) -> str:
    """What is left of a text without counts; names that bench file and plan gave stay whole, and what fits these patterns."""
    names = {line.condition for line in snapshot.slip}
    names |= {instrument.name for instrument in snapshot.instruments}
    names |= {words for c in snapshot.channels for words in (c.title, c.place)}
    # Longer ones first, for a name may begin like another.
    named = (rf"(?<!\w){re.escape(n)}(?!\w)" for n in sorted(names, key=len)[::-1] if n)
    parts = re.split(f"({'|'.join((*named, *whole)) or '(?!)'})", text)
    # Every other part is one of these.
    parts[::2] = map(without_seconds, parts[::2])
    return "".join(parts)
