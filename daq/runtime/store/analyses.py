"""Averages and what their uncertainty is made of, as SQL on an open connection.

The same readings may be averaged more than once: live (analysis 0, schema.LIVE) and by
later analyses, side by side. Every function runs inside a transaction that its caller
opens and commits. Knows no thread, no file and no arithmetic.
"""

import math
import sqlite3
from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

from daq.records import (
    Contribution,
    Distribution,
    Evaluation,
    NormalisedBy,
    TrialAverage,
    TrialResult,
    Window,
)
from daq.runtime.store.layout import SqlValue
from daq.runtime.store.schema import LIVE

_NOT_IN_THE_ROW = ("window", "contributions", "normalised")
_FIGURES = {
    f.name: f.type for f in fields(TrialAverage) if f.name not in _NOT_IN_THE_ROW
}
_NORMALISED = (
    "normalised_by",
    "reference_v",
    "exponent",
    "exponent_std_uncertainty",
    "exponent_degrees_of_freedom",
    "mean_voltage_v",
)
"""Columns of NormalisedBy, in the order of its fields."""
_AVERAGE_COLUMNS = (*_FIGURES, *_NORMALISED, "window_start_s", "window_end_s")
CONTRIBUTION_COLUMNS = (
    "name, kind, distribution, detail, std_uncertainty, degrees_of_freedom"
)

_JUDGED = """l.session, l.session_id, l.bench, l.plan, l.machine, l.trial, l.trial_id,
  l.position, l.condition, l.repeat, l.attempt, l.baseline, l.started_utc,
  l.speed, n.software, j.analysis_id AS analysis"""
_JUDGED_SOURCE = """analysed_trials j
  JOIN analyses n ON n.id = j.analysis_id
  JOIN trial_list l ON l.trial = j.trial_id
  JOIN trials t ON t.id = j.trial_id"""
_OUTCOME = "j.state, j.note"
_CORRECTED_OUTCOME = """iif(t.state = 'set aside', t.state, j.state) AS state,
  CASE WHEN t.added_note = '' THEN j.note WHEN j.note = '' THEN t.added_note
    ELSE j.note || '; ' || t.added_note END AS note"""
_WITH_CORRECTIONS = 3
"""The first format in which a trial can be changed after it has ended."""


def _outcome(store_format: int) -> str:
    """How a trial ended by an analysis; set aside is set aside by whatever rule."""
    return _CORRECTED_OUTCOME if store_format >= _WITH_CORRECTIONS else _OUTCOME


def analysed_trials(store_format: int) -> str:
    """The columns of the view trial_list, of trials as analyses other than LIVE judged them."""
    return f"SELECT {_JUDGED}, {_outcome(store_format)}, l.duration_s FROM {_JUDGED_SOURCE}"  # noqa: S608 - constants


def analysed_averages(store_format: int) -> str:
    """As of the view trial_averages, with `note` and `analysis`."""
    return f"""SELECT {_JUDGED}, {_outcome(store_format)},
  {", ".join(f"a.{name}" for name in (*_FIGURES, *_NORMALISED))},
  coalesce(h.title, a.channel) AS title, coalesce(h.quantity, '') AS quantity,
  coalesce(h.place, '') AS place,
  round(a.window_start_s - t.started_s, 6) AS window_start_s,
  round(a.window_end_s - t.started_s, 6) AS window_end_s,
  coalesce(json_extract(n.rule_json, '$."' || j.trial_id || '"'), n.rule_json) AS rule_json
  FROM {_JUDGED_SOURCE}
  JOIN averages a ON a.trial_id = j.trial_id AND a.analysis_id = j.analysis_id
  LEFT JOIN channels h ON h.id = a.channel_id"""  # noqa: S608 - constants


@dataclass(frozen=True, slots=True)
class AverageRows:
    """One average as rows: its own in the order of the columns, and its contributions'."""

    channel: str
    figures: tuple[SqlValue, ...]
    contributions: tuple[tuple[SqlValue, ...], ...]


def average_rows(result: TrialResult) -> list[AverageRows]:
    """Make the rows of a trial's averages; what is not finite becomes NULL.

    Raises:
        ValueError: If a mean or a window is not finite: that is no average.
    """
    return [_average_rows(average) for average in result.averages]


def _average_rows(average: TrialAverage) -> AverageRows:
    window = (float(average.window.start_s), float(average.window.end_s))
    if not all(map(math.isfinite, (average.mean, average.plain_mean, *window))):
        msg = f"average of {average.channel}: mean and window must be finite"
        raise ValueError(msg)
    figures = (
        _sql_value(kind, getattr(average, name)) for name, kind in _FIGURES.items()
    )
    return AverageRows(
        average.channel,
        (*figures, *_normalised_cells(average.normalised), *window),
        tuple(
            (
                part.name,
                part.kind.value,
                part.distribution.value,
                part.detail,
                _sql_value(float, part.std_uncertainty),
                _sql_value(float, part.degrees_of_freedom),
            )
            for part in average.contributions
        ),
    )


def _normalised_cells(by: NormalisedBy | None) -> tuple[SqlValue, ...]:
    if by is None:
        return (None,) * len(_NORMALISED)
    return tuple(_sql_value(f.type, getattr(by, f.name)) for f in fields(NormalisedBy))


def _sql_value(kind: object, value: Any) -> SqlValue:  # noqa: ANN401 - a field of any of these kinds
    # Converted, because SQLite keeps a NumPy integer as eight raw bytes.
    if kind is str:
        return str(value)
    if kind is float:
        return float(value) if math.isfinite(value) else None
    return int(value)


def insert_averages(
    connection: sqlite3.Connection,
    trial: int,
    rows: Sequence[AverageRows],
    *,
    analysis: int = LIVE,
) -> None:
    """Write a trial's averages of one analysis; all earlier ones of that analysis are replaced."""
    columns = ", ".join(_AVERAGE_COLUMNS)
    marks = ", ".join(f"?{n}" for n in range(1, len(_AVERAGE_COLUMNS) + 1))
    last = len(_AVERAGE_COLUMNS) + 2
    channel = _AVERAGE_COLUMNS.index("channel") + 1
    unit = _AVERAGE_COLUMNS.index("unit") + 1
    # Contributions go with the average they belong to: ON DELETE CASCADE.
    connection.execute(
        "DELETE FROM averages WHERE trial_id = ? AND analysis_id = ?", (trial, analysis)
    )
    connection.executemany(
        f"INSERT INTO averages ({columns}, trial_id, analysis_id, channel_id)"  # noqa: S608 - constants
        f" VALUES ({marks}, ?{last - 1}, ?{last}, (SELECT max(c.id) FROM channels c"
        f" JOIN trials t ON t.id = ?{last - 1} WHERE c.name = ?{channel}"
        f" AND c.unit = ?{unit} AND c.id <= coalesce(t.newest_channel_id, c.id)))",
        [(*each.figures, trial, analysis) for each in rows],
    )
    connection.executemany(
        "INSERT INTO contributions (trial_id, channel, analysis_id, position,"  # noqa: S608 - constants
        f" {CONTRIBUTION_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (trial, each.channel, analysis, position, *part)
            for each in rows
            for position, part in enumerate(each.contributions, 1)
        ],
    )


def averages_of(
    connection: sqlite3.Connection, trial: int, *, analysis: int = LIVE
) -> tuple[TrialAverage, ...]:
    """Averages of one trial as they were written, to the bit, in that order."""
    rows = connection.execute(
        f"SELECT {', '.join(_AVERAGE_COLUMNS)} FROM averages"  # noqa: S608 - constants
        " WHERE trial_id = ? AND analysis_id = ? ORDER BY rowid",
        (trial, analysis),
    ).fetchall()
    parts = _contributions_of(connection, trial, analysis)
    channel = _AVERAGE_COLUMNS.index("channel")
    return tuple(_average(row, tuple(parts.get(row[channel], ()))) for row in rows)


def _contributions_of(
    connection: sqlite3.Connection, trial: int, analysis: int
) -> dict[str, list[Contribution]]:
    found: dict[str, list[Contribution]] = {}
    for channel, *columns in connection.execute(
        f"SELECT channel, {CONTRIBUTION_COLUMNS} FROM contributions"  # noqa: S608 - constants
        " WHERE trial_id = ? AND analysis_id = ? ORDER BY channel, position",
        (trial, analysis),
    ):
        found.setdefault(channel, []).append(contribution_of(columns))
    return found


def contribution_of(columns: Sequence[Any]) -> Contribution:
    """A contribution out of its columns, in the order of CONTRIBUTION_COLUMNS."""
    name, kind, distribution, detail, std_uncertainty, degrees_of_freedom = columns
    return Contribution(
        math.inf if std_uncertainty is None else std_uncertainty,
        math.inf if degrees_of_freedom is None else degrees_of_freedom,
        name,
        Evaluation(kind),
        Distribution(distribution),
        detail,
    )


def _average(row: Sequence[Any], parts: tuple[Contribution, ...]) -> TrialAverage:
    *cells, start_s, end_s = row
    figures, normalised = cells[: len(_FIGURES)], cells[len(_FIGURES) :]
    named: dict[str, Any] = {
        name: math.inf if value is None else value
        for name, value in zip(_FIGURES, figures, strict=True)
    }
    named["required"] = bool(named["required"])
    return TrialAverage(
        window=Window(start_s, end_s),
        contributions=parts,
        normalised=_normalised_by(normalised),
        **named,
    )


def _normalised_by(cells: Sequence[Any]) -> NormalisedBy | None:
    """Out of the columns _NORMALISED."""
    reference, reference_v, exponent, std_uncertainty, freedom, mean_voltage_v = cells
    if reference is None:
        return None
    return NormalisedBy(
        reference,
        reference_v,
        exponent,
        std_uncertainty,
        math.inf if freedom is None else freedom,
        mean_voltage_v,
    )


def insert_analysis(
    connection: sqlite3.Connection,
    *,
    session: int,
    software: str,
    rule_json: str,
    note: str = "",
) -> int:
    """Begin an analysis of a session's readings; returns its number."""
    (number,) = connection.execute(
        "INSERT INTO analyses (session_id, created_utc, software, rule_json, note)"
        " VALUES (?, strftime('%Y-%m-%dT%H:%M:%fZ', 'now'), ?, ?, ?) RETURNING id",
        (session, software, rule_json, note),
    ).fetchone()
    return int(number)


def insert_analysed_trial(
    connection: sqlite3.Connection, analysis: int, trial: int, result: TrialResult
) -> None:
    """Write how a trial ends by an analysis, with its averages.

    Raises:
        ValueError: If a mean or a window is not finite.
    """
    rows = average_rows(result)
    window = result.averages[0].window if result.averages else None
    connection.execute(
        "INSERT INTO analysed_trials"
        " (analysis_id, trial_id, state, window_start_s, window_end_s, note)"
        " VALUES (?, ?, ?, ?, ?, ?)",
        (
            analysis,
            trial,
            result.state.value,
            window and float(window.start_s),
            window and float(window.end_s),
            result.note,
        ),
    )
    insert_averages(connection, trial, rows, analysis=analysis)
