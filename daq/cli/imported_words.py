"""What `daq import` says: how clocks were set and by which switchings, what the logs held, what came of the trials."""

import json
import math
import shlex
from collections.abc import Iterator
from typing import Any

from daq.cli.counted import counted
from daq.cli.imported_columns import has_stated_accuracy
from daq.cli.imported_into import ClockSet, ImportedInto
from daq.cli.imported_logs import Log, alignment_facts
from daq.cli.imported_new import MadeSession
from daq.cli.reanalysed import render_json as render_reanalysis_json
from daq.cli.reanalysed import render_words as render_reanalysis
from daq.records import TrialState
from daq.wording import shown_average, trial_name

FORMAT = 1
_FEW_S = 5.0
"""An offset surer than this cannot move a settled window off its trial [s]."""

_ONE_RUN = 2
"""Switchings of a run [1]."""


# ---- into a session that is there


def render_into(made: ImportedInto) -> str:
    """What was added to a session, and what came of its trials."""
    lines = [line for clock in made.clocks for line in _clock_lines(clock)]
    lines += [""]
    if made.differing:
        numbers = ", ".join(map(str, made.differing))
        lines.append(
            f"Trial {numbers}: averages of other channels changed, for the log's readings close the rule's bins at other moments."
        )
    else:
        lines.append("What was averaged before came out the same, to the bit.")
    if made.found.analysis is None:
        ending = "Nothing was kept. To keep it: the same command without --dry-run.\n"
    else:
        ending = ""
    return "\n".join(lines) + "\n" + render_reanalysis(made.found) + ending


def render_into_json(made: ImportedInto) -> str:
    """The same for programs."""
    return _json(
        {
            "format": FORMAT,
            "session": made.session.recorded.number,
            "logs": [_clock_facts(clock) for clock in made.clocks],
            "trials_with_other_averages": list(made.differing),
            "reanalysis": json.loads(render_reanalysis_json(made.found)),
        }
    )


# ---- a session of its own


def render_made(made: MadeSession, store: str) -> str:
    """What runs were found, and what became of them."""
    return "".join(f"{line}\n" for line in _made_lines(made, store))


def _made_lines(made: MadeSession, store: str) -> Iterator[str]:
    yield f"{made.start_log.file}: {counted(len(made.runs), 'run')} by channel {made.plan.rules.start.channel}; its clock is the session's."
    yield from _log_lines(made.start_log)
    for clock in made.clocks:
        yield from _clock_lines(clock)
    yield from (f"Note: {note}." for note in made.notes)
    yield ""
    taken = {run.number for run, _ in made.assigned.pairs}
    trials = iter(made.trials)
    for run in made.runs:
        head = f"Run {run.number}, from {made.shown(run.on.latest_s)}, {run.end_s - run.on.latest_s:.0f} s"
        if run.number not in taken:
            yield f"{head}: left out"
            continue
        result = next(trials).result
        yield f"{head}: {trial_name(result.planned)}, {result.state}"
        yield from (
            f"  {a.channel}: {shown_average(a.mean, a.expanded_uncertainty, a.unit)}"
            for a in result.averages
        )
        if result.note:
            yield f"  {result.note}"
    yield ""
    yield from _end_lines(made, store)


def _end_lines(made: MadeSession, store: str) -> Iterator[str]:
    is_finished = made.logged.ended_utc is not None
    state = "finished" if is_finished else "open: lines of the plan are left to be done"
    if made.number is None:
        yield f"Nothing was kept. The session would be {state}. To keep it: the same command without --dry-run."
        return
    yield f"Kept as session {made.number} in {store}, {state}."
    yield f"To compare its conditions: daq compare {shlex.quote(store)} --session {made.number}"


def render_made_json(made: MadeSession) -> str:
    """The same for programs."""
    return _json(
        {
            "format": FORMAT,
            "session": made.number,
            "is_finished": made.logged.ended_utc is not None,
            "logs": [_log_facts(made.start_log), *map(_clock_facts, made.clocks)],
            "runs": [
                {
                    "run": run.number,
                    "on_s": run.on.latest_s,
                    "off_s": None if run.off is None else run.off.latest_s,
                }
                for run in made.runs
            ],
            "trials": [
                {
                    "run": run.number,
                    "position": line.position,
                    "condition": line.condition,
                    "repeat": line.repeat,
                    "state": trial.result.state.value,
                    "note": trial.result.note,
                    "averages": [
                        {
                            "channel": a.channel,
                            "unit": a.unit,
                            "mean": a.mean,
                            "expanded_uncertainty": _finite(a.expanded_uncertainty),
                        }
                        for a in trial.result.averages
                    ],
                }
                for (run, line), trial in zip(
                    made.assigned.pairs, made.trials, strict=True
                )
            ],
            "notes": list(made.notes),
        }
    )


def is_settled(made: MadeSession) -> bool:
    """Every line has settled."""
    return made.logged.ended_utc is not None and all(
        trial.result.state is TrialState.FINISHED for trial in made.trials
    )


# ---- logs and clocks


def _clock_lines(clock: ClockSet) -> Iterator[str]:
    alignment, file = clock.alignment, clock.log.file
    seen = len(alignment.matched)
    if alignment.is_stated:
        yield f"{file}: {alignment.offset_s:+.2f} s are added to its times, as stated; they are the session's time then."
        yield from _checked_lines(clock)
    else:
        u_s = alignment.expanded_uncertainty_s(alignment.reference_s)
        yield (
            f"{file}: {alignment.offset_s:+.2f} s ± {u_s:.2f} s are added to its times, found from {seen} of"
            f" {seen + alignment.missed} switchings in column {clock.edges_column}; they are the session's time then."
        )
        if seen == _ONE_RUN:
            yield "  One run alone: another of the same length would fit as well. Is it the log of this session?"
        yield f"  {_drift_words(clock)}"
        yield from _edge_lines(clock)
    worst_s = max(map(alignment.expanded_uncertainty_s, clock.log.span_s(clock.base_s)))
    far = (
        ""
        if worst_s <= _FEW_S
        else f"; up to ± {worst_s:.1f} s is much, look at the switchings"
    )
    yield (
        "  The offset matters only where readings change quickly, at the switchings; a settled window's average does"
        f" not depend on it{far}."
    )
    yield from _log_lines(clock.log)


def _checked_lines(clock: ClockSet) -> Iterator[str]:
    """What switchings say of an offset that somebody stated."""
    alignment = clock.alignment
    seen = len(alignment.matched)
    every = seen + alignment.missed
    if not clock.edges_column or not every:
        yield "  No switching of the log tells whether that is so."
        return
    doubt = ": it is kept as said again" if clock.caution else ""
    yield f"  {seen} of {every} switchings agree with it within some seconds{doubt}."
    yield from _edge_lines(clock)


def _drift_words(clock: ClockSet) -> str:
    alignment = clock.alignment
    if not alignment.tells_drift:
        return "Whether its clock gains or loses, so few switchings or such near ones do not tell."
    u = alignment.coverage_factor * alignment.std_uncertainty_drift
    return (
        f"Against it the session's clock gains {1e6 * alignment.drift:+.0f} ± {1e6 * u:.0f} parts in a million,"
        " which is taken out too."
    )


def _edge_lines(clock: ClockSet) -> Iterator[str]:
    for edge in clock.alignment.matched:
        yield (
            f"    {edge.to:<3} at {clock.log.time_text(clock.base_s + edge.log_s)} of the log: {edge.residual_s:+.2f} s from where it should be,"
            f" readings leave ± {edge.half_width_s:.2f} s"
        )


def _log_lines(log: Log) -> Iterator[str]:
    table = log.table
    yield f"  {counted(len(table.times_s), 'reading')}, one each {table.interval_s:.3g} s; {table.stamps.written} in column {table.time_column}."
    yield from (f"  Note: {note}." for note in table.notes)
    bad = len({bad.line for bad in table.bad})
    told = (
        (bad, "could not be read: gaps"),
        (table.doubled, "twice in the file: left out once"),
        (table.same_times, "with the time of the line before: kept"),
        (table.backwards, "back in time: left out"),
    )
    yield from (f"  {counted(n, 'line')} {words}." for n, words in told if n)
    yield from (
        f"  {c.name}: the accuracy of its meter is not stated (--accuracy); its uncertainty holds scatter and display only."
        for c in log.channels
        if not has_stated_accuracy(c)
    )


def _clock_facts(clock: ClockSet) -> dict[str, Any]:
    edges = [
        {
            "to": edge.to.value,
            "log_s": edge.log_s,
            "residual_s": edge.residual_s,
            "half_width_s": edge.half_width_s,
            "expanded_uncertainty_s": None
            if clock.alignment.is_stated
            else clock.alignment.expanded_uncertainty_s(edge.log_s),
        }
        for edge in clock.alignment.matched
    ]
    return {
        **_log_facts(clock.log),
        **alignment_facts(clock.alignment),
        "edges_column": clock.edges_column,
        "edges": edges,
    }


def _log_facts(log: Log) -> dict[str, Any]:
    table = log.table
    return {
        "file": log.file,
        "meter": log.instrument,
        "sha256": log.sha256,
        "channels": [c.name for c in log.channels],
        "readings": len(table.times_s),
        "interval_s": table.interval_s,
        "bad_lines": len({bad.line for bad in table.bad}),
        "doubled_lines": table.doubled,
        "same_time_lines": table.same_times,
        "backward_lines": table.backwards,
        "notes": list(table.notes),
    }


def _finite(figure: float) -> float | None:
    return figure if math.isfinite(figure) else None


def _json(facts: dict[str, Any]) -> str:
    return json.dumps(facts, ensure_ascii=False, allow_nan=False, indent=1) + "\n"
