"""Stored sessions, analyses, averages, conditions and readings as text for other programs: CSV (RFC 4180) and JSON.

Knows no file and no database: it is handed records and yields text. Its rules:

- Every figure keeps its full precision; rounding is for people and is done elsewhere.
- Units stand in the column names, or, where one column holds several quantities, in a
  column of their own. The decimal sign is always a point, lines end in CR LF.
- A figure that is not finite (degrees of freedom of a certain value) is an empty cell
  in CSV and null in JSON; neither format has a spelling for it.
- What a spreadsheet would take for a formula gets an apostrophe in front, within a text
  too where some begin a cell: at ";", tab, line. Numbers, negative ones too, stay so.
- What a terminal would obey is a blank in CSV and an escape (RFC 8259, 7) in JSON.
"""

import csv
import dataclasses
import json
import math
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from daq.printable import NOT_PRINTABLE, SHAPING, printable
from daq.units import unit_of

Cell = str | float | None
FORMAT = 1
"""Number of the JSON export's format."""

# Some programs take wide forms for the usual ones, pass over blanks and what is not seen before them, or divide at other characters.
_FORMULA = re.compile(rf"(^|[;\t\r\n])(?=[\s{SHAPING}]*[=+\-@\uff1d\uff0b\uff0d\uff20])|^(?=[\s{SHAPING}])")  # fmt: skip


@dataclass(frozen=True, slots=True)
class _TrialFacts:
    """What trials and averages have in common, in the order of their columns.

    Attributes:
        session: Number of the session in its store.
        session_id: UUID of the session.
        bench: Name of the bench.
        plan: Name of the plan.
        machine: The machine under test.
        trial: Number of the trial in its store.
        trial_id: UUID of the trial.
        position: Place in the session's order.
        condition: What was fitted.
        repeat: For the how-manieth time.
        attempt: [1] counts up when a condition had to be asked for again.
        baseline: Whether the others are compared with it.
        state: One of records.TrialState.
        started_utc: Switch-on, RFC 3339.
    """

    session: int
    session_id: str
    bench: str
    plan: str
    machine: str
    trial: int
    trial_id: str
    position: int
    condition: str
    repeat: int
    attempt: int
    baseline: bool
    state: str
    started_utc: str


@dataclass(frozen=True, slots=True)
class StoredTrial(_TrialFacts):
    """One trial as the store's view `trial_list` has it.

    Attributes:
        duration_s: From switch-on to switch-off [s]; None while it runs.
        note: Why it ended as it did.
        speed: [1] bench seconds a real second.
        software: Name and version that judged it.
        analysis: Number of the analysis by which `state` and `note` are so; 0: as it was judged live.
    """

    duration_s: float | None
    note: str
    speed: float
    software: str
    analysis: int = 0


@dataclass(frozen=True, slots=True)
class StoredAverage(_TrialFacts):
    """One channel's average in one trial, as the store's view `trial_averages` has it.

    The fields up to `started_utc` are those of StoredTrial, the figures those of
    records.TrialAverage; what was stored as not finite is `inf` here.

    Attributes:
        window_start_s: Start of the averaged window, from switch-on [s].
        window_end_s: Its end, from switch-on [s].
        rule_json: The settling rule's parameters.
        normalised_by: Voltage channel by which `mean`, not `plain_mean`, was taken to `reference_v`; None where it
            was not, as is what follows.
        reference_v: [V].
        exponent: [1] k of mean ~ voltage^k.
        exponent_std_uncertainty: [1] of that.
        exponent_degrees_of_freedom: [1] of that; None also where infinite.
        mean_voltage_v: Of `normalised_by` over the window [V].
        analysis: As of a trial, and so is `note`.
    """

    channel: str
    title: str
    quantity: str
    place: str
    unit: str
    required: bool
    mean: float
    expanded_uncertainty: float
    coverage_factor: float
    std_uncertainty: float
    std_uncertainty_type_a: float
    std_uncertainty_type_b: float
    degrees_of_freedom: float
    degrees_of_freedom_a: float
    plain_mean: float
    count: int
    effective_count: float
    window_start_s: float
    window_end_s: float
    rule_json: str
    speed: float
    software: str
    normalised_by: str | None = None
    reference_v: float | None = None
    exponent: float | None = None
    exponent_std_uncertainty: float | None = None
    exponent_degrees_of_freedom: float | None = None
    mean_voltage_v: float | None = None
    analysis: int = 0
    note: str = ""


@dataclass(frozen=True, slots=True)
class AnalysisSummary:
    """One analysis, as the list of them has it.

    Attributes:
        analysis: Its number in the store; 0 is what was averaged live.
        session: Number of the session that it is of; None for number 0, which is of all.
        created_utc: RFC 3339; None for number 0: see the trials.
        software: Name and version; empty for number 0: see the sessions.
        note: By which rule, in words: preset and options.
        rule_json: The rule's parameters, or, where trials differ, those of each by its number; empty for number 0.
    """

    analysis: int
    session: int | None
    created_utc: str | None
    software: str
    note: str
    rule_json: str


@dataclass(frozen=True, slots=True)
class SessionSummary:
    """One session, as the list of them has it.

    Attributes:
        session: Number of the session in its store.
        session_id: UUID.
        bench: Name of the bench.
        plan: Name of the plan.
        machine: The machine under test.
        software: Name and version that recorded it.
        speed: [1] bench seconds a real second.
        started_utc: RFC 3339.
        ended_utc: RFC 3339; None while it is open.
        state: "open", "finished" or "abandoned".
        trials: [1] trials begun.
        finished: [1] of them, those that finished.
    """

    session: int
    session_id: str
    bench: str
    plan: str
    machine: str
    software: str
    speed: float
    started_utc: str
    ended_utc: str | None
    state: str
    trials: int
    finished: int


@dataclass(frozen=True, slots=True)
class ConditionRow:
    """One channel under one condition, from the trials that count.

    The fields up to `machine` are those of a trial, those from `channel` to `unit` those of an
    average. Every figure from `mean` to `std_dev_between` but the factor and the degrees of
    freedom has the channel's unit.

    Attributes:
        condition: What was fitted.
        baseline: Whether the others are compared with it.
        trials: [1] how many count.
        trial_numbers: Theirs in the store, with spaces between.
        mean: Of the trial means.
        expanded_uncertainty: k times the combined standard uncertainty.
        coverage_factor: [1] k for 95 %; larger than Student's t where few repeats need it.
        std_uncertainty: Combined, types A and B.
        degrees_of_freedom: [1] of that; may be inf.
        std_uncertainty_type_a: From the trials.
        degrees_of_freedom_a: [1] of that; may be inf.
        std_uncertainty_type_b: Common to all trials.
        basis: One of repeats.Basis: what type A was taken from.
        std_uncertainty_within: What the scatter within trials alone would make it.
        std_dev_of_trials: Of the trial means about their mean; None if not repeated.
        std_dev_within: The part of that which scatter within trials explains; None as above.
        std_dev_between: The part which it does not; None as above.
        between_is_hidden: That part came out negative and was set to 0; None as above.
        f_ratio: [1] variance of the trial means over that from within.
        f_probability: [1] of such a ratio where nothing varies between trials.
        pooled_std_dev: Of trial means, pooled over the session's conditions; None if none was repeated.
        pooled_degrees_of_freedom: [1] of that.
        reference_v: Voltage that the means hold for [V]; None where they were not normalised.
        analysis: Number of the analysis that the trial means are of; 0: live.
    """

    session: int
    session_id: str
    bench: str
    plan: str
    machine: str
    condition: str
    baseline: bool
    channel: str
    title: str
    quantity: str
    place: str
    unit: str
    trials: int
    trial_numbers: str
    mean: float
    expanded_uncertainty: float
    coverage_factor: float
    std_uncertainty: float
    degrees_of_freedom: float
    std_uncertainty_type_a: float
    degrees_of_freedom_a: float
    std_uncertainty_type_b: float
    basis: str
    std_uncertainty_within: float
    std_dev_of_trials: float | None = None
    std_dev_within: float | None = None
    std_dev_between: float | None = None
    between_is_hidden: bool | None = None
    f_ratio: float | None = None
    f_probability: float | None = None
    pooled_std_dev: float | None = None
    pooled_degrees_of_freedom: float | None = None
    reference_v: float | None = None
    analysis: int = 0


_CONDITION_NAMES = tuple(field.name for field in dataclasses.fields(ConditionRow))
_SESSION_NAMES = tuple(field.name for field in dataclasses.fields(SessionSummary))
_ANALYSIS_NAMES = tuple(field.name for field in dataclasses.fields(AnalysisSummary))
_AVERAGE_NAMES = tuple(field.name for field in dataclasses.fields(StoredAverage))
_TRIAL_NAMES = tuple(
    name
    for name in (field.name for field in dataclasses.fields(StoredTrial))
    if name in _AVERAGE_NAMES
)
_FIGURE_NAMES = tuple(name for name in _AVERAGE_NAMES if name not in _TRIAL_NAMES)
_WIDE_FIGURES = {
    "mean": True,
    "expanded_uncertainty": True,
    "coverage_factor": False,
    "std_uncertainty": True,
    "degrees_of_freedom": False,
    "count": False,
}
"""Figures of a wide table, and whether they carry the channel's unit."""


class _Line:
    """Stands where csv wants a file: hands each line straight back."""

    def write(self, text: str) -> str:
        return text


def _cell(value: Cell) -> Cell:
    if isinstance(value, str):
        return _FORMULA.sub(r"\1'", printable(value))
    if value is None or not math.isfinite(value):
        return None
    return int(value) if isinstance(value, bool) else value


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> str:
    """Render a heading and rows as CSV.

    Args:
        header: Names of the columns, units in them.
        rows: Their cells.
    """
    return "".join(_csv_lines(header, rows))


def _csv_lines(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Iterator[str]:
    writer = csv.writer(_Line(), lineterminator="\r\n")
    yield str(writer.writerow([_cell(name) for name in header]))
    for row in rows:
        yield str(writer.writerow([_cell(value) for value in row]))


def render_readings_csv(
    header: Sequence[str], rows: Iterable[Sequence[Cell]]
) -> Iterator[str]:
    """Render readings line by line, so that a day of them needs no memory."""
    return _csv_lines(header, rows)


def render_readings_json(
    instruments: Iterable[tuple[str, Sequence[str], Iterable[Sequence[Cell]]]],
) -> Iterator[str]:
    """Render readings as one JSON document, row by row.

    Args:
        instruments: Name, column names and rows of each.
    """
    yield f'{{"format": {FORMAT}, "instruments": ['
    for number, (name, header, rows) in enumerate(instruments):
        yield ",\n" if number else "\n"
        yield f'{{"instrument": {json.dumps(name)}, "columns": {json.dumps(list(header))}, "rows": ['
        for index, row in enumerate(rows):
            line = json.dumps([_json_value(value) for value in row], allow_nan=False)
            yield ("," if index else "") + "\n" + line
        yield "]}"
    yield "\n]}\n"


def render_sessions_csv(sessions: Iterable[SessionSummary]) -> str:
    """Render one line a session."""
    return csv_text(_SESSION_NAMES, map(dataclasses.astuple, sessions))


def render_sessions_json(sessions: Iterable[SessionSummary]) -> str:
    """Render the list of sessions as one JSON document."""
    listed = [_named(session, _SESSION_NAMES) for session in sessions]
    return json_document({"sessions": listed})


def render_analyses_csv(analyses: Iterable[AnalysisSummary]) -> str:
    """Render one line an analysis."""
    return _without_rule(_ANALYSIS_NAMES, analyses)


def render_analyses_json(analyses: Iterable[AnalysisSummary]) -> str:
    """Render the list of analyses as one JSON document."""
    return json_document(
        {"analyses": [_named(each, _ANALYSIS_NAMES) for each in analyses]}
    )


def render_conditions_csv(rows: Iterable[ConditionRow]) -> str:
    """Render one line a condition and channel."""
    return csv_text(_CONDITION_NAMES, map(dataclasses.astuple, rows))


def render_conditions_json(rows: Iterable[ConditionRow]) -> str:
    """Render the conditions as one JSON document."""
    return json_document(
        {"conditions": [_named(row, _CONDITION_NAMES) for row in rows]}
    )


def render_averages_tidy_csv(rows: Iterable[StoredAverage]) -> str:
    """Render one line a trial and channel, with the unit in a column of its own."""
    return _without_rule(_AVERAGE_NAMES, rows)


def _without_rule(
    names: Iterable[str], rows: Iterable[StoredAverage] | Iterable[AnalysisSummary]
) -> str:
    """CSV of all but the rule's parameters: these are long; JSON and the store have them."""
    shown = tuple(name for name in names if name != "rule_json")
    cells = ([getattr(row, name) for name in shown] for row in rows)
    return csv_text(shown, cells)


def render_averages_wide_csv(
    rows: Iterable[StoredAverage], *, trials: Iterable[StoredTrial] = ()
) -> str:
    """Render one line a trial, with the figures of each channel side by side.

    Args:
        rows: The averages.
        trials: Trials that get a line even if they have no averages.
    """
    lines, figures, columns = _grouped(rows, trials)
    header = (*_TRIAL_NAMES, *columns)
    cells = (
        [getattr(line, name) for name in _TRIAL_NAMES]
        + [figures.get(trial, {}).get(column) for column in columns]
        for trial, line in sorted(lines.items())
    )
    return csv_text(header, cells)


def _grouped(
    rows: Iterable[StoredAverage], trials: Iterable[StoredTrial]
) -> tuple[
    dict[int, StoredTrial | StoredAverage],
    dict[int, dict[str, float]],
    tuple[str, ...],
]:
    """Trials by number, their figures by column, and the columns as they first came."""
    lines: dict[int, StoredTrial | StoredAverage] = {t.trial: t for t in trials}
    figures: dict[int, dict[str, float]] = {}
    for row in rows:
        lines.setdefault(row.trial, row)
        figures.setdefault(row.trial, {}).update(_wide_figures(row))
    columns = dict.fromkeys(name for named in figures.values() for name in named)
    return lines, figures, tuple(columns)


def _wide_figures(row: StoredAverage) -> dict[str, float]:
    suffix = f"_{unit_of(row.unit).column_suffix}"
    # What is normalised and what is not never shares a column.
    name = f"{row.channel}_normalised" if row.normalised_by else row.channel
    return {
        f"{name}_{figure}{suffix if has_unit else ''}": getattr(row, figure)
        for figure, has_unit in _WIDE_FIGURES.items()
    }


def render_averages_json(
    rows: Iterable[StoredAverage],
    *,
    tidy: bool,
    trials: Iterable[StoredTrial] = (),
) -> str:
    """Render the averages as one JSON document.

    Args:
        rows: The averages.
        tidy: One flat object a trial and channel under "averages"; else one object a
            trial under "trials", with its averages by channel.
        trials: Not tidy: trials that are listed even if they have no averages.
    """
    content = (
        {"averages": [_named(row, _AVERAGE_NAMES) for row in rows]}
        if tidy
        else {"trials": _nested(rows, trials)}
    )
    return json_document(content)


def json_document(content: Mapping[str, object]) -> str:
    """Render plain values as one JSON document of this format.

    Args:
        content: Values by name, none of them infinite or not a number.
    """
    document = {"format": FORMAT, **content}
    text = json.dumps(document, ensure_ascii=False, allow_nan=False, indent=1)
    # Such a character can stand within a string only.
    return NOT_PRINTABLE.sub(lambda c: json.dumps(c[0])[1:-1], text).replace("\x7f", r"\u007f") + "\n"  # fmt: skip


def _nested(
    rows: Iterable[StoredAverage], trials: Iterable[StoredTrial]
) -> list[dict[str, object]]:
    nested: dict[int, dict[str, object]] = {}
    averages: dict[int, dict[str, object]] = {}
    for trial in trials:
        nested[trial.trial] = _named(trial, _TRIAL_NAMES)
    for row in rows:
        nested.setdefault(row.trial, _named(row, _TRIAL_NAMES))
        averages.setdefault(row.trial, {})[row.channel] = _named(row, _FIGURE_NAMES)
    return [
        {**facts, "averages": averages.get(number, {})}
        for number, facts in sorted(nested.items())
    ]


def _named(
    record: SessionSummary | AnalysisSummary | _TrialFacts | ConditionRow,
    names: Iterable[str],
) -> dict[str, object]:
    return {name: _json_value(getattr(record, name)) for name in names}


def _json_value(value: object) -> object:
    return None if isinstance(value, float) and not math.isfinite(value) else value
