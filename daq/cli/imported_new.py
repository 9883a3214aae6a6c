"""`daq import NEW.db --plan PLAN FILE…`: a whole session from log files alone."""

import argparse
import uuid
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path

from daq.cli.files import load_bench, read_text
from daq.cli.imported_doubts import expect_places, expect_sizes
from daq.cli.imported_into import ClockSet, set_clock, stated_offsets
from daq.cli.imported_logs import Log, alignment_facts
from daq.config.bench import Bench
from daq.config.plan import Plan, parse_stored_plan
from daq.errors import InputError
from daq.logs.alignment import Alignment
from daq.logs.carried import CarriedTrial, carry_out
from daq.logs.edges import Edge
from daq.logs.runs import Assigned, Run, assign_runs, find_runs, split_order
from daq.logs.stamps import Stamps
from daq.records import PlannedTrial, Reading, SessionFacts, TrialState
from daq.runtime.beginning import SOFTWARE
from daq.runtime.clock import Clock
from daq.runtime.store.importing import ImportedLog
from daq.runtime.store.importing_session import (
    LoggedSession,
    add_session,
    expect_not_imported,
)
from daq.trials.judging import render_rule
from daq.trials.order import OrderKind

_UNSTATED_BENCH = "logs"
_NO_CHANGE = Alignment(
    offset_s=0.0,
    reference_s=0.0,
    drift=0.0,
    std_uncertainty_s=0.0,
    std_uncertainty_drift=0.0,
    coverage_factor=2.0,
    is_stated=True,
    matched=(),
    missed=0,
)
"""Of the log whose clock is the session's."""


@dataclass(frozen=True, slots=True)
class MadeSession:
    """What came of it.

    Attributes:
        clocks: One a log whose clock was set by that of the first.
        start_log: The log that has the start channel; its clock is the session's.
        plan: As it was read.
        runs: Found in it, also those left out.
        assigned: Which run is which line.
        trials: How they ended.
        logged: What was, or would be, written.
        shown: A time of the session in words.
        notes: What had to be decided, in words.
        number: Of the session in its store; None where nothing was kept.
    """

    clocks: tuple[ClockSet, ...]
    start_log: Log
    plan: Plan
    runs: tuple[Run, ...]
    assigned: Assigned
    trials: tuple[CarriedTrial, ...]
    logged: LoggedSession
    shown: Callable[[float], str]
    notes: tuple[str, ...]
    number: int | None


def make_session(options: argparse.Namespace, logs: Sequence[Log]) -> MadeSession:
    """Make a session of logs.

    Raises:
        InputError: If runs and plan do not go together, with every run's time.
        ConfigurationError: With every fault of plan and bench.
        StoreError: If the store cannot be used.
    """
    for log in logs:
        expect_not_imported(Path(options.store), log.sha256)
    bench, plan = _bench_and_plan(options, logs)
    start_log = _start_log(logs, plan)
    base_s = start_log.table.times_s[0]

    def shown(at_s: float) -> str:
        return start_log.time_text(base_s + at_s)

    runs = find_runs(*_start_readings(start_log, plan, base_s), plan.rules.start)
    assigned = assign_runs(
        runs,
        _planned(options, plan),
        order=_stated_order(options, plan),
        skipped=options.skip_run,
        shown=shown,
    )
    clocks = tuple(_clocks(options, logs, start_log, runs, base_s))
    imported = [_imported(log, clocks, base_s) for log in logs]
    readings = _merged(imported, first=start_log.instrument)
    trials = _carried_out(
        options, plan, runs, assigned, logs=imported, readings=readings
    )
    stamps = start_log.table.stamps
    began_s, notes = _began_s(options, stamps, base_s, readings[-1].at_s)
    logged = _logged(
        plan,
        bench,
        assigned,
        trials=trials,
        readings=readings,
        logs=imported,
        began_s=began_s,
    )
    return MadeSession(
        clocks=tuple(c for c in clocks if c.log is not start_log),
        start_log=start_log,
        plan=plan,
        runs=runs,
        assigned=assigned,
        trials=trials,
        logged=logged,
        shown=shown,
        notes=notes,
        number=None if options.dry_run else add_session(Path(options.store), logged),
    )


def _bench_and_plan(
    options: argparse.Namespace, logs: Sequence[Log]
) -> tuple[Bench | None, Plan]:
    """As the files say, once the logs' channels fit them."""
    bench = load_bench(Path(options.bench)) if options.bench else None
    channels = tuple(c for log in logs for c in log.channels)
    places = [c.place for c in bench.channels] if bench else []
    expect_places(channels, places)
    plan = parse_stored_plan(
        read_text(Path(options.plan)),
        session=0,
        channels=channels,
        file=options.plan,
    )
    return bench, plan


def _carried_out(
    options: argparse.Namespace,
    plan: Plan,
    runs: Sequence[Run],
    assigned: Assigned,
    *,
    logs: Sequence[ImportedLog],
    readings: Sequence[Reading],
) -> tuple[CarriedTrial, ...]:
    """The trials, with what speaks against the logs in their notes."""
    trials = carry_out(
        readings,
        runs,
        assigned.pairs,
        plan.rules,
        new_trial_id=lambda: str(uuid.uuid4()),
    )
    channels = [channel for log in logs for channel in log.channels]
    expect_sizes(
        [channel.name for channel in channels],
        channels,
        [trial.result.averages for trial in trials],
        options.as_stated,
    )
    cautions = [log.caution for log in logs]
    return tuple(_noted(trial, cautions) for trial in trials)


def _noted(trial: CarriedTrial, more: Sequence[str]) -> CarriedTrial:
    note = "; ".join(filter(None, (trial.result.note, *more)))
    return replace(trial, result=replace(trial.result, note=note))


def _start_log(logs: Sequence[Log], plan: Plan) -> Log:
    name = plan.rules.start.channel
    if name is None:
        msg = "the plan names no start channel, expected [start] with channel, on_above and off_below: a log has no key"
        raise InputError(msg)
    return next(log for log in logs if name in log.columns)


def _start_readings(
    log: Log, plan: Plan, base_s: float
) -> tuple[list[float], tuple[float, ...]]:
    """Times [s of the session] and values of the start channel."""
    times_s, values = log.table.present(log.columns[plan.rules.start.channel or ""])
    return [at_s - base_s for at_s in times_s], values


def _planned(options: argparse.Namespace, plan: Plan) -> tuple[PlannedTrial, ...]:
    is_drawn = plan.order_kind is OrderKind.RANDOMISED and plan.seed is None
    if is_drawn and options.order is None:
        msg = "the plan's order is shuffled and no seed is stated, expected --order with the conditions as they were run"
        raise InputError(msg)
    return plan.order(plan.seed or 0)


def _stated_order(options: argparse.Namespace, plan: Plan) -> list[str] | None:
    if options.order is None:
        return None
    return split_order(options.order, list(plan.instructions))


def _clocks(
    options: argparse.Namespace,
    logs: Sequence[Log],
    start_log: Log,
    runs: Sequence[Run],
    base_s: float,
) -> list[ClockSet]:
    reference: list[Edge] = [e for run in runs for e in (run.on, run.off) if e]
    clocks = []
    for log, stated_s in zip(logs, stated_offsets(options, len(logs)), strict=True):
        if log is start_log:
            clocks.append(ClockSet(log, _NO_CHANGE, "", base_s))
            continue
        both = log.table.stamps.is_absolute and start_log.table.stamps.is_absolute
        clocks.append(
            set_clock(
                options,
                log,
                reference,
                base_s=base_s if both else 0.0,
                stated_s=stated_s,
            )
        )
    return clocks


def _imported(log: Log, clocks: Sequence[ClockSet], base_s: float) -> ImportedLog:
    clock = next(c for c in clocks if c.log is log)
    is_own = clock.base_s == base_s and clock.alignment is _NO_CHANGE
    facts = {"sets_clock": True} if is_own else alignment_facts(clock.alignment)
    return log.imported(
        lambda at_s: clock.alignment.bench_s(at_s - clock.base_s),
        facts,
        caution=clock.caution,
    )


def _merged(logs: Sequence[ImportedLog], *, first: str) -> tuple[Reading, ...]:
    """In order of time; of one moment, the start channel's first."""
    every = [reading for log in logs for reading in log.readings]
    return tuple(sorted(every, key=lambda r: (r.at_s, r.instrument != first)))


def _logged(
    plan: Plan,
    bench: Bench | None,
    assigned: Assigned,
    *,
    trials: Sequence[CarriedTrial],
    readings: tuple[Reading, ...],
    logs: Sequence[ImportedLog],
    began_s: float,
) -> LoggedSession:
    done = {t.result.planned.position for t in trials if _is_done(t)}
    is_finished = done == {line.position for line in assigned.order}
    sha = str(logs[0].detail["sha256"])
    return LoggedSession(
        facts=SessionFacts(
            session_id=str(uuid.uuid4()),
            number=0,
            bench=bench.name if bench else _UNSTATED_BENCH,
            plan=plan.name,
            machine=plan.machine,
            started_utc=_utc_text(began_s),
            speed=1.0,
            software=SOFTWARE,
        ),
        plan_digest=sha256(plan.text.encode()).hexdigest(),
        plan_text=plan.text,
        bench_text=bench.text if bench else "",
        order=assigned.order,
        trials=tuple(trials),
        readings=readings,
        gaps=tuple(gap for log in logs for gap in log.gaps),
        rule_json=render_rule(plan.rules),
        logs=tuple(logs),
        began_utc_us=round(began_s * 1e6),
        clock=f"log {sha[:16]}",
        ended_utc=_utc_text(began_s + readings[-1].at_s) if is_finished else None,
    )


def _is_done(trial: CarriedTrial) -> bool:
    return trial.result.state is not TrialState.UNFINISHED


def _began_s(
    options: argparse.Namespace, stamps: Stamps, base_s: float, length_s: float
) -> tuple[float, tuple[str, ...]]:
    """When the session's time was zero [s since 1970], and what was taken for granted."""
    if options.began is not None:
        return options.began, ()
    if stamps.is_absolute and stamps.has_zone:
        return base_s, ()
    if stamps.is_absolute:
        return base_s, (
            "the log's times name no zone, they were taken as UTC; --began tells otherwise",
        )
    now_s = datetime.fromisoformat(Clock().utc_text()).timestamp()
    note = "the log tells no date: the session is dated as if it had ended now; --began tells otherwise"
    return now_s - length_s, (note,)


def _utc_text(at_s: float) -> str:
    text = datetime.fromtimestamp(at_s, UTC).isoformat(timespec="milliseconds")
    return text.replace("+00:00", "Z")
