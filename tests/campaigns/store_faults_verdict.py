"""What troubles of a store that is written came to, and whether that proves anything.

Rules for a trouble: rows were added while it lasted; the operator was told of it, but for what holds up nobody; what was neither in the
file nor counted as lost in the end is gone in silence. What no waiting mends has to be told by the end (code 4), and where the file itself is
gone, all that waited for it has to be counted. Every trouble that was asked for must have been made: one that is left out is not passed.
"""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

HEAD = (
    "fault", "added", "kept", "waiting", "counted as lost", "gone with the file", "told", "written in / s", "end",
)  # fmt: skip
ENDS_BADLY = frozenset({"removed", "emptied", "spoilt", "log_spoilt"})
"""What no waiting mends: the end must say so."""
COUNTED = frozenset({"removed", "emptied"})
"""Of them, where nothing of what waits can be written."""
NOT_TOLD = frozenset({"slow"})
"""What holds up nobody."""
SLOW_S = 0.3
"""A commit is more than three writes and a sync of 0.1 s each: what is done in less was no slow disk."""


@dataclass(frozen=True, slots=True)
class Troubled:
    """What came of one trouble.

    Attributes:
        fault: Its name.
        added: Readings that were given to the store, before it, in it and after it [1].
        meanwhile: Of them, those in it [1].
        kept: Of all, in the file afterwards, or in what salvage makes of it [1].
        waiting: In memory at the end of the trouble [1].
        counted: Said to be lost at the end [1].
        told: Times that the operator was told [1].
        written_in_s: How long all that waited took to be written while it lasted [s]; 0 where that was not tried.
        ended: Exit code, and what it was for.
    """

    fault: str
    added: int
    meanwhile: int
    kept: int
    waiting: int
    counted: int
    told: int
    written_in_s: float
    ended: str

    @property
    def gone(self) -> int:
        """Neither in the file nor counted [1]."""
        return self.added - self.kept - self.counted

    @property
    def cells(self) -> tuple[object, ...]:
        """As the table has it."""
        return (
            *(self.fault, self.added, self.kept, self.waiting, self.counted),
            *(self.gone, self.told, f"{self.written_in_s:.2f}", self.ended),
        )


def wrongs(found: Sequence[Troubled], *, asked: Sequence[str]) -> Iterator[str]:
    """What is wrong with the troubles that were asked for, in words; nothing where all promises were tried and kept."""
    made = {each.fault for each in found}
    for name in asked:
        if name not in made:
            yield f"{name}: not measured"
    for each in found:
        yield from (f"{each.fault}: {words}" for words in _wrongs_of(each))


def _wrongs_of(each: Troubled) -> Iterator[str]:
    if not each.meanwhile:
        yield "no reading was added while it lasted: nothing was tried"
    yield from _of_what_was_told(each)
    if each.gone < 0:
        yield f"{-each.gone} readings more than were added"
    if each.fault not in ENDS_BADLY:
        if each.ended != "0":
            yield f"the end was {each.ended}, though it was over"
        if each.gone > 0:
            yield f"{each.gone} readings gone in silence"
        return
    if not each.ended.startswith("4"):
        yield f"the end was {each.ended}: it does not say that readings are lost"
    if each.fault in COUNTED and each.counted < each.waiting:
        yield f"{each.waiting} readings waited, {each.counted} are counted as lost"


def _of_what_was_told(each: Troubled) -> Iterator[str]:
    if each.fault not in NOT_TOLD:
        if not each.told:
            yield "nobody was told"
        return
    if each.told:
        yield "told of, though it holds up nobody"
    if each.written_in_s < SLOW_S:
        yield f"all was written in {each.written_in_s:.3f} s: the disk was not slow"


def wrongs_at_rest(
    found: Mapping[str, Mapping[str, int]], *, asked: int
) -> Iterator[str]:
    """What was not tried with files at rest.

    Args:
        found: Of each kind of damage: "files" that a start was tried on, of them "spoilt" that are not as the sound file,
            and rows "kept", to which the others are compared [1].
        asked: How many files of each kind there were to be [1].
    """
    for damage, counts in found.items():
        files, spoilt = counts["files"], counts["spoilt"]
        if files < asked:
            yield f"{damage}: {files} files of {asked}"
        if 2 * spoilt < files or not spoilt:
            yield f"{damage}: {spoilt} of {files} files were spoilt"
    if not sum(counts["kept"] for counts in found.values()):
        yield "no row was found again"
