"""Target: whole logs that a meter has kept, several columns at once, with the clock, the runs and the offset found in them.

The first byte of an input is how the log shall be read, as options would say it; the rest is the file.
"""

import math
import re
from collections.abc import Sequence
from itertools import pairwise

from daq.cli.imported_logs import Log
from daq.errors import InputError
from daq.logs.alignment import find_alignment
from daq.logs.edges import Edge, guess_edges
from daq.logs.runs import find_runs
from daq.logs.stamps import DateOrder, HourJump
from daq.logs.table import HowToRead, LogTable, parse_table
from daq.trials.switching import StartRule, Switch
from tests.fuzz.witnesses import numbers_written, text_in

_MANY = re.compile(rb"~(.)([1-3])", re.DOTALL)
_MOST_SAID_OF_ONE = 1500
_MOST_EDGES = 60
_OFFSET_S = 123.25
"""The bench's clock against the log's, in what the target makes up [s]."""
_NEAR_S = 1e-3
_SEPARATORS = ("\t", ";", ",")


def whole_log(script: bytes) -> None:
    """Refused in one line that says where; or a table of what stands there, with nothing left out in silence."""
    if not script:
        return
    how, columns = _how(script[0])
    content = _MANY.sub(lambda match: match[1] * 10 ** int(match[2]), script[1:])
    try:
        table = parse_table(content, source="log.csv", columns=columns, how=how)
    except InputError as refused:
        _check_said(str(refused), begin="log.csv")
        return
    text = text_in(content, how.encoding or "utf-8")
    _check_times(table)
    _check_values(table, columns, text)
    _check_count(table, text, may_skip=how.skip_bad_lines)
    _check_above(table, text, header=how.header)
    _check_shown(table)
    _find_switchings(table, columns[0])


def _how(byte: int) -> tuple[HowToRead, list[str]]:
    """Two bits each for order of dates, jumps, and column of times; one each for bad lines and a second column.

    An order of dates too many is a header in line 3, a jump too many another encoding.
    """
    how = HowToRead(
        time=(None, "1", "1+2", "time")[byte >> 4 & 3],
        dates=(None, None, DateOrder.DAY_FIRST, DateOrder.MONTH_FIRST)[byte & 3],
        hour_jump=(None, None, HourJump.CHANGED, HourJump.PAUSED)[byte >> 2 & 3],
        skip_bad_lines=bool(byte & 0x40),
        header=3 if byte & 3 == 1 else None,
        encoding="cp1252" if byte >> 2 & 3 == 1 else None,
    )
    return how, ["2", "3"] if byte & 0x80 else ["3" if how.time == "1+2" else "2"]


def _check_said(text: str, *, begin: str = "") -> None:
    assert text
    assert text.startswith(begin)
    assert text.isprintable(), f"obeyed by a terminal: {text!r}"
    assert len(text) <= _MOST_SAID_OF_ONE, f"{len(text)} characters said"


def _check_times(table: LogTable) -> None:
    assert all(map(math.isfinite, table.times_s))
    assert all(earlier <= later for earlier, later in pairwise(table.times_s))
    assert len({*table.times_s}) >= 2
    assert math.isfinite(table.interval_s)
    assert table.interval_s > 0.0
    assert table.stamps.step_s > 0.0
    _check_said(table.time_column)


def _check_values(table: LogTable, columns: Sequence[str], text: str) -> None:
    assert [*table.values] == columns
    written = numbers_written(text)
    for values in table.values.values():
        assert len(values) == len(table.times_s)
        strange = [v for v in values if v is not None and v not in written]
        assert not strange, f"a value that is nowhere in the file: {strange[0]}"
    assert all(0.0 < step < math.inf for step in table.steps.values())


def _check_count(table: LogTable, text: str, *, may_skip: bool) -> None:
    """Every line is a reading, or counted among those that are none."""
    untimed = [bad for bad in table.bad if bad.at_s is None]
    missing = [value for each in table.values.values() for value in each if value is None]  # fmt: skip
    assert may_skip or not (table.bad or missing)
    assert len(missing) <= len(table.bad)
    for bad in table.bad:
        _check_said(bad.problem)
        assert 1 <= bad.line <= len(re.findall(r"\r\n|\r|\n", text)) + 1
    for note in table.notes:
        _check_said(note)
    told = len(table.times_s) + table.doubled + table.backwards + len(untimed)
    if '"' not in text:
        below = _lines_of(text)[table.first_line - 1 :]
        counts = [_rows_in(below, separator) for separator in _SEPARATORS]
        with_header = {each - is_header for each in counts for is_header in (0, 1)}
        assert told in with_header, f"{told} lines told of {counts}"


def _lines_of(text: str) -> list[str]:
    return re.split(r"\r\n|\r|\n", text)


def _rows_in(lines: Sequence[str], separator: str) -> int:
    """Lines that hold anything."""
    return sum(bool(line.replace(separator, "").strip()) for line in lines)


def _check_above(table: LogTable, text: str, *, header: int | None) -> None:
    """The header is in the line that was stated, and what stands above the one that was taken is kept and told."""
    if '"' in text:
        return
    assert header in (None, table.first_line)
    above = [line.strip() for line in _lines_of(text)[: table.first_line - 1]]
    assert [*table.above] == [line for line in above if line]
    told = any(f" in line {table.first_line}; above it " in note for note in table.notes)  # fmt: skip
    assert told == bool(table.above)


def _check_shown(table: LogTable) -> None:
    """First and last time can be told."""
    log = Log("log.csv", "", table, (), {}, None)
    for at_s in (table.times_s[0], table.times_s[-1]):
        _check_said(log.time_text(at_s))


# ---- what is found in it


def _find_switchings(table: LogTable, column: str) -> None:
    times_s, values = table.present(column)
    if len({*times_s}) < 2:
        return
    try:
        edges = guess_edges(column, times_s, values)
    except InputError as refused:
        _check_said(str(refused))
        return
    _check_edges(edges, times_s)
    _check_runs(times_s, values)
    if len(edges) <= _MOST_EDGES:
        _find_offset(edges, times_s, table.stamps.step_s)


def _check_edges(edges: Sequence[Edge], times_s: Sequence[float]) -> None:
    for edge in edges:
        assert edge.to in (Switch.ON, Switch.OFF)
        assert times_s[0] <= edge.earliest_s <= edge.latest_s <= times_s[-1]
    for one, other in pairwise(edges):
        assert one.to is not other.to, "switched twice the same way"
        assert one.latest_s <= other.latest_s


def _check_runs(times_s: Sequence[float], values: Sequence[float]) -> None:
    """By a rule halfway between the smallest and the largest value."""
    middle = min(values) / 2.0 + max(values) / 2.0
    runs = find_runs(times_s, values, StartRule("c", middle, middle, 0.0))
    assert [run.number for run in runs] == [*range(1, len(runs) + 1)]
    for run in runs:
        assert run.on.latest_s <= run.end_s <= times_s[-1]
    for one, other in pairwise(runs):
        assert one.end_s <= other.on.latest_s


def _find_offset(edges: Sequence[Edge], times_s: Sequence[float], step_s: float) -> None:  # fmt: skip
    """A bench that saw just the same, later by a known offset: found, or refused, but never another one."""
    bench = [
        Edge(each.to, each.earliest_s + _OFFSET_S, each.latest_s + _OFFSET_S)
        for each in edges
    ]
    span_s = (times_s[0], times_s[-1])
    try:
        found = find_alignment(bench, edges, span_s=span_s, step_s=step_s)
    except InputError as refused:
        _check_said(str(refused))
        return
    middle_s = found.reference_s
    off_s = abs(found.bench_s(middle_s) - middle_s - _OFFSET_S)
    sure_s = found.expanded_uncertainty_s(middle_s)
    assert math.isfinite(sure_s)
    assert off_s <= sure_s + _NEAR_S * max(1.0, abs(middle_s) * 1e-9), f"{off_s} s off, {sure_s} s told"  # fmt: skip
