"""What `daq registers` asks and says."""

import math
from collections.abc import Mapping, Sequence

from daq.cli.counted import counted
from daq.cli.line_arguments import ModbusFramings, rarer_units
from daq.cli.said import kept_whole
from daq.recognising.asking import LAST_UNIT, UNITS
from daq.recognising.candidates import Candidate
from daq.recognising.choosing import FieldFound, Move, Standing
from daq.recognising.files import numbering
from daq.recognising.ranges import RangeSearch
from daq.recognising.shown import Shown, decimals_of_step

_MOST_LISTED = 12
_ORDER_WORDS = {
    "ABCD": "high register first",
    "CDAB": "low register first",
    "BADC": "high register first, bytes exchanged",
    "DCBA": "low register first, bytes exchanged",
}


def range_line(search: RangeSearch) -> str:
    """How much could be read."""
    are = "is" if search.refused_count == 1 else "are"
    read = counted(search.read_count, "register")
    line = f"{read} can be read, {search.refused_count} {are} refused"
    were = "was" if search.silent_count == 1 else "were"
    silent = (
        f", {search.silent_count} {were} not answered" if search.silent_count else ""
    )
    return f"{line}{silent}."


def rarer_lines(settings: ModbusFramings, wait_s: float) -> list[str]:
    """None of the usual units answers, and all the others are tried."""
    listed = [
        f"{framing} ({mode.name})"
        for mode, framings in settings
        for framing in framings
    ]
    minutes = math.ceil(len(listed) * len(rarer_units(UNITS)) * wait_s / 60.0)
    return [
        f"No answer from units {', '.join(str(unit) for unit in UNITS)}; asking all others up to {LAST_UNIT} at"
        f" {', '.join(listed)}, at most {counted(minutes, 'minute')} …"
    ]


def first_question(asked: int) -> str:
    """For what the display shows, until nothing is typed."""
    if asked:
        return "Another value on the display (nothing if that is all): "
    return "What does the display show? Name, value with all its decimals, unit, like voltage=230.4 V: "


def value_question(shown: Shown) -> str:
    """For the same value at another load."""
    unit = "" if shown.unit == "1" else f" [{shown.unit}]"
    return f"The display shows now: {shown.name}{unit} = "


def another_load_question(loads: int, moves: Mapping[str, Move]) -> str:
    """For a change that tells followers from the rest; after the first, for the way back."""
    if loads < 2:
        return (
            "Change the load so that every value moves: switch the machine on or off, or to another step.\n"
            "When the display is steady, press Enter (stop: no other load): "
        )
    return (
        f"Change the load once more{_so_that(moves)}.\n"
        "When the display is steady, press Enter (stop: that load cannot be made; what is not confirmed can be kept, and its profile says so): "
    )


def _so_that(moves: Mapping[str, Move]) -> str:
    """Where a value has moved one way only, which way is wanted, and why."""
    wanted = {
        move: [name for name, each in moves.items() if each is move] for move in Move
    }
    wishes = [
        f"{_listed(names)} {move.value if len(names) > 1 else _singular(move)}"
        for move, names in wanted.items()
        if names
    ]
    if not wishes:
        return ", to a step that it has not had (a machine that is only on or off has none)"
    return (
        f" so that {' and '.join(wishes)}: what keeps a maximum or an average shows itself only so.\n"
        "A machine that is only on or off: switch it back, or if it ended there already, over now and back at the next question"
    )


def _singular(move: Move) -> str:
    return {Move.RISE: "rises", Move.FALL: "falls"}.get(move, "rises or falls")


def _listed(names: Sequence[str]) -> str:
    *rest, last = names
    return f"{', '.join(rest)} and {last}" if rest else last


def candidate_counts(candidates: Mapping[str, Sequence[object]]) -> list[str]:
    """How many ways of reading agree so far."""
    return [
        f"  {name}: 1 way of reading agrees"
        if len(each) == 1
        else f"  {name}: {len(each)} ways of reading agree"
        for name, each in candidates.items()
    ]


def replaced_line(before: Shown, after: Shown) -> str:
    """A name was typed a second time."""
    return f"  {after.name}: {after} in place of {before}"


def taken_line(shown: Shown) -> str:
    """How a decimal comma was taken."""
    return f"  {shown.name}: taken as {shown}"


def choice_question(name: str, count: int) -> str:
    """For one of several that remain; or for one that is not confirmed."""
    if count == 1:
        return f'Keep it for {name} all the same, marked "not confirmed" (1; nothing leaves it out): '
    return f"Which one is {name} (its number; nothing leaves it out): "


def field_lines(field: FieldFound) -> list[str]:
    """One field: what it is, or why that is not known."""
    name = field.shown.name
    if field.standing is Standing.FOUND:
        candidate = field.candidates[0]
        return [
            f"{name}: {shown_candidate(candidate)}.",
            f"  {numbering(candidate)}.",
            *(f"  {note[0].upper()}{note[1:]}." for note in field.notes),
        ]
    if field.standing is Standing.SEVERAL:
        return several_lines(
            name, [(shown_candidate(c), c.label) for c in field.candidates]
        )
    if field.standing is Standing.UNCONFIRMED:
        candidate = field.candidates[0]
        return unconfirmed_lines(name, shown_candidate(candidate), candidate.label)
    if field.standing is Standing.UNREAD:
        return unread_lines(field)
    return [
        f"{name}: no register agrees with the display at every load; it is left out.",
        *none_lines(None, None),
    ]


def none_lines(first: int | None, last: int | None) -> list[str]:
    """What to try where nothing agrees."""
    where = f" than {first} to {last}" if last is not None else ""
    return [
        f"  Try other addresses{where} (--first, --last: manuals often begin at 100, 256, 1000 or 4096), type the value"
        " with all its decimals, in the unit that the display shows, while it is steady.",
    ]


def nothing_read_lines(first: int, last: int) -> list[str]:
    """No register could be read, so no display can be compared."""
    return [
        f"None of the registers {first} to {last} can be read. Try others: --first 256 --last 383, then 1000 or 4096 on;"
        " where they were not answered rather than refused, a longer --wait 1."
    ]


def nothing_shown_lines() -> list[str]:
    """Nobody said what the display shows."""
    return [
        'Nothing to compare: give what the display shows, like --shows "voltage=230.4 V".'
    ]


def not_confirmed_lines() -> list[str]:
    """One load alone."""
    return [
        "Seen at one load only, so nothing is confirmed and nothing is written: a register that happens to hold the same"
        " number looks no different. Run it again and change the load when asked, there and back."
    ]


def shown_candidate(candidate: Candidate) -> str:
    """A way of reading, in words."""
    words = (
        _ORDER_WORDS[candidate.byte_order] if candidate.is_wide else "bytes exchanged"
    )
    order = f", {candidate.byte_order} ({words})"
    plain = not candidate.is_wide and candidate.byte_order == "ABCD"
    scale = f"{candidate.scale:.{decimals_of_step(candidate.scale)}f}"
    return (
        f"function {candidate.function}, address {candidate.address}, {candidate.kind}"
        f"{'' if plain else order}, times {scale}"
    )


def unread_lines(field: FieldFound) -> list[str]:
    """One way of reading agrees, and a register was not read that would make another agree too."""
    name, candidate = field.shown.name, field.candidates[0]
    return [
        f"{name}: {shown_candidate(candidate)} agrees, but is not confirmed, for {'; '.join(field.notes)}; it is left out."
        " Search again so that it is read, with other --first and --last, or with a longer --wait 1 where registers were"
        f" not answered; where the manual names this one, {_take_words(name, candidate.label)} takes it all the same.",
    ]


def _take_words(name: str, label: str) -> str:
    return kept_whole(f"--take {name}={label}")


def not_taken_line(name: str, given: str) -> str:
    """A candidate was named that is none."""
    return f"{name}: {given}, which --take names, is none of those that agree at every load."


def taken_by_word_line(names: Sequence[str]) -> str:
    """What was written without the loads having told it, at the very end."""
    return f"Taken by your word, and not told by the loads: {_listed(names)}. Compare with the display before it counts."


def unconfirmed_lines(name: str, candidate: str, label: str) -> list[str]:
    """One way of reading agrees, with a value that did not move."""
    return [
        f"{name}: {candidate} agrees, but is not confirmed, for {name} did not both rise and fall by more than a few"
        " digits, and a register that keeps a maximum, a minimum or an average would agree too; it is left out. Try again"
        f" with loads there and back; where that can't be, {_take_words(name, label)} takes it all the same, marked"
        ' "not confirmed" in the profile.',
    ]


def several_lines(name: str, candidates: Sequence[tuple[str, str]]) -> list[str]:
    """Several ways of reading agree, none of which is taken; each in words and as `--take` names it."""
    count = len(candidates)
    listed = [
        f"  {number:>3}  {candidate}  ({label})"
        for number, (candidate, label) in enumerate(candidates[:_MOST_LISTED], start=1)
    ]
    more = [f"  and {count - _MOST_LISTED} more"] if count > _MOST_LISTED else []
    return [
        f"{name}: {count} ways of reading agree at every load, and none is taken by itself. A load that moves {name} more"
        f" tells more; where you know which it is, --take with what stands behind it takes it, like"
        f" {_take_words(name, candidates[0][1])}.",
        *listed,
        *more,
    ]
