"""What `daq listen` says of what it heard."""

import shlex
from collections.abc import Sequence

from daq.cli.counted import counted
from daq.framing import OVERRANGE, number_from_text
from daq.recognising.asking import LAST_UNIT, QUERIES, STARTING_QUERIES, Mode
from daq.recognising.framings import Framing
from daq.recognising.heard import Guess
from daq.recognising.lines import Column
from daq.recognising.overheard import Overheard
from daq.runtime.listening import QueryFound, UnitFound
from daq.units import UNITS

_SHOWN_BYTES = 32


def shown_data(data: bytes) -> list[str]:
    """The newest bytes as hexadecimal numbers and as text."""
    newest = data[-_SHOWN_BYTES:]
    return [f"    bytes  {newest.hex(' ')}", f"    text   {newest!r}"]


def heard_lines(guess: Guess) -> list[str]:
    """A meter that talks by itself, and why that is believed."""
    shape = guess.shape
    example = [f"    line   {shape.example}"] if shape is not None else []
    return [
        f"The meter sends lines by itself at {guess.heard.framing}"
        f" (confidence {guess.confidence:.2f}: {'; '.join(guess.reasons)}).",
        *shown_data(guess.heard.data),
        *example,
    ]


def column_lines(columns: Sequence[Column]) -> list[str]:
    """The numbers of a line and what they are, where their unit says so."""
    return [f"  column {c.number}: {c.shown:>12}   {_meaning(c)}" for c in columns]


def asked_name(column: Column) -> str:
    """The question for a column that says nothing of itself."""
    hint = f" (may be a {column.hint})" if column.hint else ""
    if _is_no_value(column):
        hint = f"{hint}, which stands for no value (have the meter measure to see one)"
    return (
        f"Column {column.number} shows {column.shown}{hint}: its name and unit, like voltage V;"
        " nothing leaves it out: "
    )


def no_field_lines() -> list[str]:
    """Nothing tells what the columns are."""
    return [
        "No column says what it is, so nothing is written. Compare them with the display and name them:",
        '  --name "1=voltage V" --name "2=current A"',
    ]


def unshaped_lines(guesses: Sequence[Guess], tried: Sequence[str]) -> list[str]:
    """Bytes came, but no setting makes lines or frames of them."""
    best = max(guesses, key=lambda guess: guess.confidence)
    return [
        f"Something talks, but at none of {len(guesses)} settings in lines of one shape."
        f" Nearest: {best.heard.framing} ({'; '.join(best.reasons)}).",
        *shown_data(best.heard.data),
        f"Nor does it send binary frames of one length (4 to 64 bytes, at {', '.join(tried)}).",
        "If the text above is readable, listen longer with --seconds 10, for three lines are needed. If it is not: look up"
        " the speed in the meter's menu and name it with --baud; let the values vary and listen longer with --seconds"
        " 10, for frames that are all the same are not told apart. Frames of changing length need code, not a profile.",
    ]


def unit_lines(port: str, found: Sequence[UnitFound], folder: str | None) -> list[str]:
    """Modbus units, and how to go on with each; `folder` is the one to write to, where one was named."""
    lines = [
        f"{each.mode.title}: unit {each.unit} answers at {each.framing} (confidence {each.right / each.asked:.2f}:"
        f" {each.mode.checksum} right {each.right} times of {each.asked})."
        for each in found
    ]
    first, units = found[0], [each.unit for each in found]
    going_on = _registers_lines(port, first.framing, units, first.mode, folder)
    return [*lines, *going_on]


def bus_lines(
    port: str, framing: Framing, bus: Overheard, folder: str | None
) -> list[str]:
    """Modbus between others, and how to go on; `folder` as for `unit_lines`."""
    units = ", ".join(str(unit) for unit in bus.units)
    confidence = bus.right / bus.seen * bus.right / (bus.right + 1)
    return [
        f"{bus.mode.title} is heard at {framing}: somebody else asks unit {units}"
        f" (confidence {confidence:.2f}: {bus.mode.checksum} right in {bus.right} of {bus.seen} frames).",
        "Two who ask on one line disturb each other: end the other program, or unplug the other controller, first.",
        *_registers_lines(port, framing, bus.units, bus.mode, folder),
    ]


def _registers_lines(
    port: str,
    framing: Framing,
    units: Sequence[int],
    mode: Mode,
    folder: str | None,
) -> list[str]:
    """A command for each unit, each with a folder of its own."""
    base = folder or "found-meter"
    folders = [base] if len(units) == 1 else [f"{base}-{unit}" for unit in units]
    command = (
        f"  daq registers {shlex.quote(port)} --mode {mode.name.lower()}"
        f" --baud {framing.baud} --framing {framing.shape}"
    )
    which = (
        "the next command"
        if len(units) == 1
        else f"the next {counted(len(units), 'command')}, one for each unit"
    )
    return [
        f"Which registers hold what is told by {which}; have the meter's display before you:",
        *(
            f"{command} --unit {unit} --write {shlex.quote(folder_)}"
            for unit, folder_ in zip(units, folders, strict=True)
        ),
    ]


def query_lines(found: Sequence[QueryFound]) -> list[str]:
    """Texts that were answered."""
    return [
        f"The meter answers {each.query} at {each.framing} (confidence {_query_confidence(each):.2f}:"
        f" {len(each.replies)} times of {len(each.replies)} one line of text): {each.replies[-1]}"
        for each in found
    ]


def own_query_lines(port: str) -> list[str]:
    """Queries that are sent only where the operator names them, and why."""
    named = " and ".join(STARTING_QUERIES)
    return [
        f"By itself it sends only what fetches a reading ({' '.join(QUERIES)}). Many meters answer {named} alone, which may"
        " set function and range, or break off a measurement that runs. Where that does no harm, name it, or the query of"
        " the meter's manual:",
        *(
            f'  daq listen {shlex.quote(port)} --ask "{query}"'
            for query in STARTING_QUERIES
        ),
    ]


def silent_lines(framings: Sequence[Framing], units: Sequence[int]) -> list[str]:
    """Nothing answered."""
    bauds = dict.fromkeys(framing.baud for framing in framings)
    shapes = dict.fromkeys(framing.shape for framing in framings)
    tried = f"Nothing answers at {', '.join(str(baud) for baud in bauds)} with {', '.join(shapes)}"
    asked = f", units {', '.join(str(unit) for unit in units)}" if units else ""
    return [
        f"{tried}{asked}.",
        "Is the meter switched on, are A and B (or TX and RX) swapped, is output or communication off in its menu?"
        " Unit and speed of its menu go into --unit and --baud (with --baud all units up to"
        f" {LAST_UNIT} are tried); a slow meter needs --wait 1. Meters that answer only to lines with an address, or to"
        " binary frames of their own, are not looked for: they need a profile by hand.",
    ]


def _meaning(column: Column) -> str:
    if _is_no_value(column):
        return "no value: too large, or nothing measured"
    if column.unit is not None:
        return f"{UNITS[column.unit].quantity} [{column.unit}]"
    return f"no unit; may be a {column.hint}" if column.hint else "no unit"


def _is_no_value(column: Column) -> bool:
    """SCPI-1999, volume 1, 7.2.1.4 and 7.2.1.5: 9.9E37 stands for infinity, 9.91E37 for no number."""
    number = number_from_text(column.shown)
    return number is not None and abs(number) >= OVERRANGE


def _query_confidence(found: QueryFound) -> float:
    """As for lines that come by themselves: n/(n+1)."""
    return len(found.replies) / (len(found.replies) + 1)
