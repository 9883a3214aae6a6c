"""`daq import STORE FILE…`: the readings of a log into a session that is there, which is then analysed again."""

import argparse
import json
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path

from daq.cli.imported_doubts import expect_places, expect_sizes
from daq.cli.imported_logs import Log, alignment_facts, one_a_file
from daq.cli.reanalysed import Reanalysis, TrialAgain
from daq.config.plan import parse_stored_plan
from daq.errors import InputError
from daq.logs.alignment import (
    LEAST_SHARE,
    Alignment,
    find_alignment,
    state_alignment,
)
from daq.logs.edges import Edge
from daq.logs.judged import LoggedReadings, judge_with_log, with_channels
from daq.records import Channel
from daq.runtime.beginning import SOFTWARE
from daq.runtime.store.imported import PlacedSession, PlacedTrial
from daq.runtime.store.importing import Importing, importing
from daq.settling.options import OptionError
from daq.trials.judging import (
    SessionRules,
    reading_order,
    recorded_channels,
    render_rule,
    with_recorded_rule,
)
from daq.trials.reanalysis import OtherRule, is_reproduced
from daq.trials.switching import Switch

FOUND = "found"
OFFSET_IS_RIGHT = "--offset-is-right"
_KEY_INTERVAL_S = 2.0
"""How far a switching that a key told may be from the truth [s]."""


@dataclass(frozen=True, slots=True)
class ClockSet:
    """A log and how its clock was set.

    Attributes:
        log: As it was read.
        alignment: Of its clock to the session's.
        edges_column: The column whose switchings told it; empty where none tells.
        base_s: What the log's times were counted from [s of the log].
        readings: That were kept [1].
    """

    log: Log
    alignment: Alignment
    edges_column: str
    base_s: float
    readings: int = 0

    @property
    def caution(self) -> str:
        """What switchings say against an offset that somebody stated; empty where they say nothing."""
        seen = len(self.alignment.matched)
        every = seen + self.alignment.missed
        is_judged = self.alignment.is_stated and self.edges_column
        if not is_judged or seen >= LEAST_SHARE * every:
            return ""
        return (
            f"{Path(self.log.file).name}: {self.alignment.offset_s:+.2f} s are added to its times as stated, though only"
            f" {seen} of {every} switchings agree"
        )


@dataclass(frozen=True, slots=True)
class ImportedInto:
    """What came of it.

    Attributes:
        clocks: One a log.
        session: Into which.
        found: Its trials before and after.
        differing: Numbers of the trials whose other channels' averages changed with the log among them.
    """

    clocks: tuple[ClockSet, ...]
    session: PlacedSession
    found: Reanalysis
    differing: tuple[int, ...]


def import_into(options: argparse.Namespace, logs: Sequence[Log]) -> ImportedInto:
    """Add logs to a session.

    Raises:
        InputError: If it does not fit, with what to do.
        StoreError: If the store cannot be used.
    """
    with importing(Path(options.store), keeping=not options.dry_run) as store:
        session = store.replay.placed(options.session)
        _expect_known_places(store, session, logs)
        bench_edges = _bench_edges(store, session)
        clocks = []
        for log, stated in zip(logs, stated_offsets(options, len(logs)), strict=True):
            number = session.recorded.number
            store.expect_new(number, log.sha256, list(log.columns.values()))
            base_s = session.started_utc_s if log.table.stamps.is_absolute else 0.0
            clock = set_clock(options, log, bench_edges, base_s=base_s, stated_s=stated)
            clocks.append(_written(store, session, clock))
        found = _analysed(options, store, session, clocks)
    return ImportedInto(tuple(clocks), session, found, _differing(found))


def _expect_known_places(
    store: Importing,
    session: PlacedSession,
    logs: Sequence[Log],
) -> None:
    number = session.recorded.number
    own = [c for t in session.trials for c in store.replay.own_channels(t.recorded)]
    there = [*own, *store.replay.imported_channels(number)]
    imported = [channel for log in logs for channel in log.channels]
    expect_places(imported, [c.place for c in there])


def stated_offsets(options: argparse.Namespace, count: int) -> list[float | None]:
    """The offset of every log [s]; None for one that is to be found.

    Raises:
        InputError: If there are neither one nor as many as logs.
    """
    stated: list[float | None] = list(options.offset) or [None]
    hint = f", {FOUND!r} for what shall be found"
    return one_a_file("--offset", stated, count, hint=hint)


def set_clock(
    options: argparse.Namespace,
    log: Log,
    reference: Sequence[Edge],
    *,
    base_s: float,
    stated_s: float | None,
) -> ClockSet:
    """Set a log's clock by switchings, or by somebody's word.

    Raises:
        InputError: If the switchings do not tell, or gainsay what was stated only once.
    """
    span_s = log.span_s(base_s)
    column, edges = "", tuple[Edge, ...]()
    try:
        column, edges = log.edges(base_s, options.on_above, options.off_below)
    except InputError:
        if stated_s is None:
            raise
    if stated_s is not None:
        alignment = state_alignment(stated_s, reference, edges, span_s=span_s)
        clock = ClockSet(log, alignment, column, base_s)
        if clock.caution and not options.offset_is_right:
            msg = (
                f"{clock.caution} in column {column!r}; leave --offset out to have it looked for, correct it, or add"
                f" {OFFSET_IS_RIGHT} if it is right all the same"
            )
            raise InputError(msg)
        return clock
    try:
        alignment = find_alignment(
            reference,
            edges,
            span_s=span_s,
            step_s=log.table.stamps.step_s,
            is_dated=log.table.stamps.is_absolute,
        )
    except InputError as exc:
        msg = f"{log.file}, column {column!r}: {exc}"
        raise InputError(msg) from exc
    return ClockSet(log, alignment, column, base_s)


def _written(store: Importing, session: PlacedSession, clock: ClockSet) -> ClockSet:
    imported = clock.log.imported(
        lambda at_s: clock.alignment.bench_s(at_s - clock.base_s),
        alignment_facts(clock.alignment),
        caution=clock.caution,
    )
    store.expect_free(session.recorded.number, imported)
    kept = store.add_log(session, imported)
    if not kept:
        msg = (
            f"{clock.log.file}: no reading of it is near a trial of session {session.recorded.number}"
            " with its clock set so, check --offset and --session"
        )
        raise InputError(msg)
    return replace(clock, readings=kept)


def _bench_edges(store: Importing, session: PlacedSession) -> list[Edge]:
    """Switch-on and switch-off of every trial; each was seen between two readings of the start channel."""
    edges = []
    for trial in session.trials:
        channels = store.replay.own_channels(trial.recorded)
        plan = _plan_rules(session, channels)
        interval_s = next(
            (c.interval_s for c in channels if c.name == plan.start.channel),
            _KEY_INTERVAL_S,
        )
        edges += [
            Edge(to, at_s - interval_s, at_s)
            for to, at_s in ((Switch.ON, trial.started_s), (Switch.OFF, trial.ended_s))
        ]
    return edges


def _plan_rules(session: PlacedSession, channels: tuple[Channel, ...]) -> SessionRules:
    recorded = session.recorded
    return parse_stored_plan(
        recorded.plan_text, session=recorded.number, channels=channels
    ).rules


def _analysed(
    options: argparse.Namespace,
    store: Importing,
    session: PlacedSession,
    clocks: Sequence[ClockSet],
) -> Reanalysis:
    logs = [clock.log for clock in clocks]
    logged = store.replay.logged(session.recorded)
    other = OtherRule(required=tuple(dict.fromkeys(options.required)))
    trials = tuple(
        _again(store, session, trial, logged[trial.recorded.number], other)
        for trial in session.trials
    )
    files = ", ".join(Path(log.file).name for log in logs)
    imported = [c.name for log in logs for c in log.channels]
    expect_sizes(
        imported,
        [channel for again in trials for channel in again.channels],
        [again.result.averages for again in trials],
        options.as_stated,
    )
    names = ", ".join(imported)
    changed = [f"the rule that each trial was run with, {names} imported from {files}"]
    changed += [f"required {' and '.join(other.required)}"] if other.required else []
    changed += [clock.caution for clock in clocks if clock.caution]
    found = Reanalysis(
        store=options.store,
        session=session.recorded,
        software=SOFTWARE,
        changed=tuple(changed),
        even_so=False,
        trials=trials,
    )
    return found if options.dry_run else _kept(store, session, found)


def _kept(store: Importing, session: PlacedSession, found: Reanalysis) -> Reanalysis:
    rules = dict.fromkeys(again.rule_json for again in found.trials)
    by_trial = {str(t.recorded.number): json.loads(t.rule_json) for t in found.trials}
    number = store.replay.keep(
        {again.recorded.number: again.result for again in found.trials},
        session=session.recorded.number,
        software=found.software,
        rule_json=next(iter(rules)) if len(rules) == 1 else json.dumps(by_trial),
        note=found.in_words,
    )
    return replace(found, analysis=number)


def _again(
    store: Importing,
    session: PlacedSession,
    trial: PlacedTrial,
    logged: Sequence[LoggedReadings],
    other: OtherRule,
) -> TrialAgain:
    recorded = trial.recorded
    rules, is_by_another = _recorded_rules(store, session, trial)
    in_order = reading_order(rules)
    known = rules.channels
    rules = with_channels(rules, [each.channel for each in logged])
    try:
        rules = other.instead_of(rules)
    except OptionError as exc:
        msg = f"--required: {exc}"
        raise InputError(msg) from exc
    result = judge_with_log(
        recorded.result,
        rules,
        lambda: store.replay.blocks(recorded, in_order),
        logged,
        idle=store.replay.idle(recorded, known),
    )
    return TrialAgain(
        recorded=recorded,
        channels=rules.channels,
        result=result,
        rule_json=render_rule(rules),
        by_another_version=is_by_another,
        reproduced=None,
    )


def _recorded_rules(
    store: Importing, session: PlacedSession, trial: PlacedTrial
) -> tuple[SessionRules, bool]:
    """The rules that a trial was run with; the plan's where another version's rule was recorded."""
    described = {c.name: c for c in store.replay.own_channels(trial.recorded)}
    written = (t.recorded.rule_json for t in chain([trial], session.trials))
    names = next((recorded_channels(text) for text in written if text), ())
    channels = tuple(described[name] for name in names if name in described)
    rules = _plan_rules(session, channels or tuple(described.values()))
    try:
        return with_recorded_rule(rules, trial.recorded.rule_json or "{}"), False
    except OptionError:
        return rules, True


def _differing(found: Reanalysis) -> tuple[int, ...]:
    """Trials whose other averages are not what they were."""
    differing = []
    for again in found.trials:
        before = {a.channel for a in again.recorded.result.averages}
        same = tuple(a for a in again.result.averages if a.channel in before)
        if not is_reproduced(
            again.recorded.result, replace(again.result, averages=same)
        ):
            differing.append(again.recorded.number)
    return tuple(differing)
