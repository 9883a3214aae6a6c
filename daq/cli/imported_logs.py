"""Log files as the command was given them: read, their columns made channels, their times made readings."""

import argparse
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from typing import TypeVar

from daq.cli.imported_columns import Known, WantedColumn, make_channel
from daq.errors import InputError
from daq.logs.alignment import Alignment
from daq.logs.edges import Edge, guess_edges, stated_edges
from daq.logs.stamps import DAY_S, Written
from daq.logs.table import HowToRead, LogTable, has_column, parse_table
from daq.printable import printable
from daq.records import (
    MOST_VALUES,
    Channel,
    Gap,
    GapReason,
    Reading,
    unusable_bit,
)
from daq.runtime.store.importing import ImportedLog
from daq.starting_files import SWITCHED

_T = TypeVar("_T")
_MOST_KEPT = 60
"""Of the lines above the header, in the journal [1]."""
_LONGEST_KEPT = 200
"""Of each of them [characters]."""


@dataclass(frozen=True, slots=True)
class Log:
    """One log that was read.

    Attributes:
        file: As it was named.
        sha256: Of its content.
        table: Its columns.
        channels: What they become, in the order of `columns`.
        columns: Names of the columns, by channel.
        edges_column: The column that shall tell the switchings; None where one is to be found.
    """

    file: str
    sha256: str
    table: LogTable
    channels: tuple[Channel, ...]
    columns: Mapping[str, str]
    edges_column: str | None

    @property
    def instrument(self) -> str:
        """Its name."""
        return self.channels[0].instrument

    def span_s(self, base_s: float) -> tuple[float, float]:
        """First and last time [s of the log, from the base on]."""
        return self.table.times_s[0] - base_s, self.table.times_s[-1] - base_s

    def time_text(self, log_s: float) -> str:
        """A time of the log [s of the log] as its meter's clock would show it."""
        stamps = self.table.stamps
        if stamps.is_absolute:
            zone = " UTC" if stamps.has_zone else ""
            return f"{datetime.fromtimestamp(log_s, UTC):%Y-%m-%d %H:%M:%S}{zone}"
        if stamps.written is Written.TIME_OF_DAY:
            return f"{datetime.fromtimestamp(log_s % DAY_S, UTC):%H:%M:%S}"
        return f"{log_s:.1f} s"

    def edges(
        self, base_s: float, on_above: float | None, off_below: float | None
    ) -> tuple[str, tuple[Edge, ...]]:
        """The column that tells the switchings, and them [s of the log, from the base on].

        Raises:
            InputError: If no column tells on from off.
        """
        names = [self.edges_column] if self.edges_column else self._likely()
        problem: InputError | None = None
        for name in names:
            times_s, values = self.table.present(name)
            even = [at_s - base_s for at_s in times_s]
            try:
                if on_above is None:
                    return name, guess_edges(name, even, values)
                return name, stated_edges(
                    name, even, values, on_above=on_above, off_below=off_below
                )
            except InputError as exc:
                problem = problem or exc
        msg = f"{self.file}: {problem}"
        raise InputError(msg)

    def _likely(self) -> list[str]:
        ranks = {quantity: rank for rank, quantity in enumerate(SWITCHED)}
        by_rank = sorted(self.channels, key=lambda c: ranks.get(c.quantity, len(ranks)))
        return [self.columns[c.name] for c in by_rank]

    def imported(
        self,
        to_session_s: Callable[[float], float],
        detail: Mapping[str, object],
        *,
        caution: str = "",
    ) -> ImportedLog:
        """What is written of it; times are turned by the function given."""
        columns = [self.table.values[self.columns[c.name]] for c in self.channels]
        readings = tuple(
            _reading(self.instrument, to_session_s(at_s), values)
            for at_s, *values in zip(self.table.times_s, *columns, strict=True)
        )
        gaps = tuple(
            Gap(
                self.instrument,
                to_session_s(bad.at_s),
                GapReason.GARBLED,
                f"line {bad.line}, {bad.problem}",
            )
            for bad in self.table.bad
            if bad.at_s is not None
        )
        facts = {**self._facts(), **detail}
        return ImportedLog(self.channels, readings, gaps, facts, caution)

    def _facts(self) -> dict[str, object]:
        table = self.table
        return {
            "file": Path(self.file).name,
            "sha256": self.sha256,
            "meter": self.instrument,
            "columns": [
                {"channel": c.name, "column": self.columns[c.name], "unit": c.unit}
                for c in self.channels
            ],
            "header_line": table.first_line,
            "above_header": [_kept(line) for line in table.above[:_MOST_KEPT]],
            "lines": len(table.times_s),
            "bad_lines": len({bad.line for bad in table.bad}),
            "doubled_lines": table.doubled,
            "backward_lines": table.backwards,
        }


def _kept(line: str) -> str:
    return printable(line)[:_LONGEST_KEPT]


def alignment_facts(alignment: Alignment) -> dict[str, object]:
    """How a clock was set, for the journal and for programs."""
    return {
        "offset_s": alignment.offset_s,
        "offset_expanded_uncertainty_s": None
        if alignment.is_stated
        else alignment.expanded_uncertainty_s(alignment.reference_s),
        "reference_s": alignment.reference_s,
        "drift": alignment.drift,
        "offset_is_stated": alignment.is_stated,
        "edges_matched": len(alignment.matched),
        "edges_missed": alignment.missed,
    }


def read_logs(options: argparse.Namespace, known: Known) -> tuple[Log, ...]:
    """The log files with their channels.

    Raises:
        InputError: With the file, the line and what is wrong.
    """
    meters = _meter_names(options.files, options.meter)
    sources = [
        _Source(file, _read(Path(file)), meter, how)
        for file, meter, how in zip(
            options.files, meters, _ways_to_read(options), strict=True
        )
    ]
    wanted = _by_file(sources, options.column)
    edges = _edge_columns(sources, options.edges)
    return tuple(
        source.read(columns, known, edges_column)
        for source, columns, edges_column in zip(sources, wanted, edges, strict=True)
    )


def one_a_file(
    option: str, stated: Sequence[_T], count: int, *, hint: str = ""
) -> list[_T]:
    """What was stated once for all files, or once a file.

    Raises:
        InputError: If it was stated some other number of times.
    """
    if len(stated) not in {1, count}:
        msg = f"{option} given {len(stated)} times for {count} files, expected one for all or one a file in their order{hint}"
        raise InputError(msg)
    return list(stated) if len(stated) == count else list(stated) * count


def _ways_to_read(options: argparse.Namespace) -> list[HowToRead]:
    count = len(options.files)
    how = HowToRead(
        options.time, options.dates, options.hour_jump, options.skip_bad_lines
    )
    headers = one_a_file("--header", options.header or [None], count)
    encodings = one_a_file("--encoding", options.encoding or [None], count)
    return [
        replace(how, header=header, encoding=encoding)
        for header, encoding in zip(headers, encodings, strict=True)
    ]


@dataclass(frozen=True, slots=True)
class _Source:
    """A log file before it is read."""

    file: str
    content: bytes
    instrument: str
    how: HowToRead

    def has(self, column: str) -> bool:
        return has_column(self.content, source=self.file, column=column, how=self.how)

    def read(
        self, wanted: Sequence[WantedColumn], known: Known, edges_column: str | None
    ) -> Log:
        names = [each.column for each in wanted]
        names += [edges_column] if edges_column else []
        table = parse_table(self.content, source=self.file, columns=names, how=self.how)
        channels = tuple(
            make_channel(each, known, table, instrument=self.instrument, index=index)
            for index, each in enumerate(wanted)
        )
        return Log(
            file=self.file,
            sha256=sha256(self.content).hexdigest(),
            table=table,
            channels=channels,
            columns={each.name: each.column for each in wanted},
            edges_column=edges_column,
        )


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError as exc:
        msg = f"{path}: no such file, check the name"
        raise InputError(msg) from exc
    except OSError as exc:
        msg = f"{path}: cannot be read: {exc.strerror or exc}"
        raise InputError(msg) from exc


def _meter_names(files: Sequence[str], stated: Sequence[str]) -> list[str]:
    if stated and len(stated) != len(files):
        msg = f"--meter given for {len(stated)} of {len(files)} files, expected one a file in their order"
        raise InputError(msg)
    names = list(stated) or [_name_from(Path(file).stem) for file in files]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        msg = (
            f"two meters of the name {twice[0]!r}, expected --meter NAME for each file"
        )
        raise InputError(msg)
    return names


def _name_from(stem: str) -> str:
    name = re.sub(r"[^A-Za-z0-9_-]+", "-", stem).strip("-") or "log"
    return name if name[0].isalpha() else f"log-{name}"


def _by_file(
    sources: Sequence[_Source], wanted: Sequence[WantedColumn]
) -> list[list[WantedColumn]]:
    """Columns under the log that has them."""
    names = [each.name for each in wanted]
    if twice := sorted({name for name in names if names.count(name) > 1}):
        msg = f"--column: two channels of the name {twice[0]!r}, expected one of each"
        raise InputError(msg)
    found: list[list[WantedColumn]] = [[] for _ in sources]
    for each in wanted:
        found[_owner(sources, each.file, each.column)].append(each)
    for source, columns in zip(sources, found, strict=True):
        if not columns:
            msg = f"{source.file}: no column of it is wanted, expected --column COLUMN=CHANNEL:UNIT:PLACE"
            raise InputError(msg)
        if len(columns) > MOST_VALUES:
            msg = (
                f"{source.file}: {len(columns)} columns of it are wanted, expected at most {MOST_VALUES} a meter:"
                " name the file twice, each with a --meter NAME of its own, and write the columns as NUMBER/COLUMN"
            )
            raise InputError(msg)
    return found


def _owner(sources: Sequence[_Source], number: int | None, column: str) -> int:
    if number is not None:
        if not 1 <= number <= len(sources):
            msg = f"--column {number}/{column}: no file {number}, expected 1 to {len(sources)}"
            raise InputError(msg)
        return number - 1
    if len(sources) == 1:
        return 0
    owners = [index for index, source in enumerate(sources) if source.has(column)]
    if len(owners) == 1:
        return owners[0]
    where = "in none" if not owners else f"in {len(owners)}"
    msg = f"--column {column}: {where} of the files, expected NUMBER/{column} with the number of its file"
    raise InputError(msg)


def _edge_columns(
    sources: Sequence[_Source], stated: Sequence[str]
) -> list[str | None]:
    found: list[str | None] = [None for _ in sources]
    for text in stated:
        numbered = re.fullmatch(r"(\d+)/(.+)", text)
        number, column = (int(numbered[1]), numbered[2]) if numbered else (None, text)
        found[_owner(sources, number, column)] = column
    return found


def _reading(instrument: str, at_s: float, values: Sequence[float | None]) -> Reading:
    flags = sum(unusable_bit(i) for i, value in enumerate(values) if value is None)
    return Reading(instrument, at_s, tuple(values), flags)
