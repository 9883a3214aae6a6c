"""A bench and a profile as commented TOML, ready to be written.

Knows no file system. What was found is written as it was found; what was not (accuracy, limits, place) stands there as a
comment that says where to take it from.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daq.recognising.asking import Mode
from daq.recognising.candidates import Candidate
from daq.recognising.choosing import FieldFound
from daq.recognising.framings import Framing
from daq.recognising.lines import OVERRANGE_WORDS, LineShape, pattern_for
from daq.recognising.shown import decimals_of_step
from daq.units import UNITS

_LEAST_REFRESH_S = 0.05


@dataclass(frozen=True, slots=True)
class NamedColumn:
    """A column that is to become a field.

    Attributes:
        number: Counted from 1.
        name: Of the field.
        unit: This project's symbol.
        decimals: That the meter writes [1].
    """

    number: int
    name: str
    unit: str
    decimals: int


def render_bench(*, profile: str, port: str, unit: int | None) -> str:
    """A bench of one instrument.

    Args:
        profile: Name of the profile's file, beside the bench.
        port: Path or URL.
        unit: Modbus unit, or None.
    """
    lines = [
        "# A bench with one meter, written from what the meter said. Add further meters below in the same way.",
        "format = 1",
        'name = "bench"',
        "",
        "[[instrument]]",
        'name = "meter"',
        f"profile = {toml_text(profile)}",
        "# A path that stays the same when adapters are plugged in another order: /dev/serial/by-id/...",
        f"port = {toml_text(port)}",
        *([f"unit = {unit}"] if unit is not None else []),
        "# Where it measures: supply end, machine end, duct, outlet, room ...",
        '# place = "supply end"',
    ]
    return "\n".join(lines) + "\n"


def render_streamed(
    shape: LineShape,
    columns: Sequence[NamedColumn],
    *,
    framing: Framing,
    terminator: bytes,
    interval_s: float | None,
) -> str:
    """A profile of a meter that sends lines by itself; its pace is left to be written where it is not known."""
    pattern = pattern_for(shape, {column.number: column.name for column in columns})
    words = ", ".join(toml_text(word) for word in OVERRANGE_WORDS)
    return profile_text(
        [
            f"# A meter that sends lines by itself, like: {shape.example}",
            *head_lines("Meter that sends lines by itself", interval_s, framing),
            "[wire]",
            'protocol = "streamed-lines"',
            "# The whole line; each named group is a field below.",
            f"pattern = {toml_text(pattern)}",
            f"terminator = {toml_text(terminator.decode('ascii'))}",
            f"overrange = [{words}]",
        ],
        [_line_field(column, with_position=False) for column in columns],
    )


def render_query(
    columns: Sequence[NamedColumn],
    *,
    framing: Framing,
    request: str,
    parts: int,
    separator: str,
    terminator: bytes,
    echo: bool,
    example: str,
) -> str:
    """A profile of a meter that answers a query with bare numbers."""
    return profile_text(
        [
            f"# A meter that answers {request.strip()} with a line like: {example}",
            *head_lines("Meter that answers a query", 0.5, framing),
            "[wire]",
            'protocol = "query-lines"',
            f"request = {toml_text(request)}",
            f"parts = {parts}",
            f"separator = {toml_text(separator)}",
            f"terminator = {toml_text(terminator.decode('ascii'))}",
            *(["echo = true"] if echo else []),
        ],
        [_line_field(column, with_position=True) for column in columns],
    )


def render_registers(
    found: Sequence[FieldFound], *, framing: Framing, mode: Mode = Mode.RTU
) -> str:
    """A profile of a Modbus unit."""
    return profile_text(
        [
            f"# A meter on {mode.title}, its registers found by comparing them with its display.",
            *head_lines(f"Meter on {mode.title}", 1.0, framing),
            "[wire]",
            f"protocol = {toml_text(mode.value)}",
        ],
        [_register_field(field) for field in found],
    )


def numbering(candidate: Candidate) -> str:
    """The address in both ways of counting, and as manuals of the old kind write it."""
    leading = 4 if candidate.function == 3 else 3
    counted = candidate.address + 1
    return (
        f"address {candidate.address} counted from zero, as on the wire and in profiles;"
        f" a manual that counts from one has {counted}, or {leading}{counted:04d}"
    )


def head_lines(title: str, refresh_s: float | None, framing: Framing) -> list[str]:
    """What every profile begins with, up to the line's settings."""
    return [
        "format = 1",
        f"title = {toml_text(title)}",
        *_refresh_lines(refresh_s),
        "",
        "[line]",
        f"baud = {framing.baud}",
        f"data_bits = {framing.data_bits}",
        f"parity = {toml_text(framing.parity)}",
        f"stop_bits = {framing.stop_bits}",
        "",
    ]


def _refresh_lines(refresh_s: float | None) -> list[str]:
    """The pace, or where to take it from."""
    if refresh_s is None:
        return [
            "# CHANGE: how often the meter makes a new value [s], from its data sheet or by watching its display; take the",
            "# first mark below away. What was heard does not tell it.",
            "# refresh_s = 1.0",
        ]
    return [
        "# How often the meter makes a new value [s]; `daq check` measures it.",
        f"refresh_s = {max(round(refresh_s, 3), _LEAST_REFRESH_S)}",
    ]


def profile_text(head: Sequence[str], fields: Sequence[Sequence[str]]) -> str:
    """The whole file."""
    lines = [*head]
    for field in fields:
        lines += ["", *field]
    return "\n".join(lines) + "\n"


def _line_field(column: NamedColumn, *, with_position: bool) -> list[str]:
    position = [f"position = {column.number - 1}"] if with_position else []
    return [
        "[[field]]",
        *name_lines(column.name, column.unit),
        *position,
        *resolution_lines(10.0**-column.decimals),
    ]


def _register_field(found: FieldFound) -> list[str]:
    candidate, shown = found.candidates[0], found.shown
    step = shown.digit if candidate.kind == "f32" else candidate.scale
    return [
        "[[field]]",
        *name_lines(shown.name, shown.unit),
        f"# {numbering(candidate)}.",
        f"address = {candidate.address}",
        f"function = {candidate.function}",
        f"type = {toml_text(candidate.kind)}",
        f"byte_order = {toml_text(candidate.byte_order)}",
        f"scale = {figure(candidate.scale)}",
        *(f"# {note[0].upper()}{note[1:]}." for note in found.notes),
        *([f"high = {figure(found.high)}"] if found.high is not None else []),
        *resolution_lines(max(step, shown.digit)),
    ]


def name_lines(name: str, unit: str) -> list[str]:
    """Name, quantity and unit of a field."""
    return [
        f"name = {toml_text(name)}",
        f"quantity = {toml_text(UNITS[unit].quantity)}",
        f"unit = {toml_text(unit)}",
    ]


def resolution_lines(step: float) -> list[str]:
    """Resolution of a field, and where its accuracy is to be written."""
    return [
        f"resolution = {figure(step)}",
        "# From the meter's data sheet; without it no uncertainty can be stated.",
        "# accuracy = { percent_of_reading = 0.5, counts = 2 }",
    ]


def figure(value: float) -> str:
    """A number as TOML writes it, without a tail of binary."""
    text = f"{value:.{max(decimals_of_step(abs(value)), 1)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


_ESCAPES: Mapping[str, str] = {"\n": "\\n", "\r": "\\r", "\t": "\\t"}


def toml_text(text: str) -> str:
    """A TOML string; a literal one where only that keeps a pattern readable."""
    if "\\" in text and "'" not in text and text.isprintable():
        return f"'{text}'"
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(_ESCAPES.get(char, char) for char in escaped) + '"'
