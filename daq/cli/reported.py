"""Collects what a report is made of: the comparison, the trials' readings, bench and plan, and every finding."""

import json
import platform
import shlex
import tomllib
from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

from daq.advice.shown import signed_average
from daq.checklist.kept import parse_entry_text
from daq.cli.compare import compared
from daq.cli.reported_findings import findings_of
from daq.comparison.nameplate import machine_channels
from daq.comparison.session import SessionComparison
from daq.comparison.trial_inputs import MACHINE_END
from daq.comparison_words import MINUS
from daq.config.plan import Plan, parse_stored_plan
from daq.records import Channel
from daq.report.content import (
    INSTRUCTION,
    Budget,
    Checked,
    Fact,
    Instrument,
    ReportContent,
)
from daq.runtime.beginning import SOFTWARE
from daq.runtime.store import TrialBudgets, read_budgets
from daq.runtime.store.events import CHECK, read_events
from daq.runtime.store.imported import StoredLog, read_imported_logs
from daq.runtime.store.traces import read_channels, read_session_files, read_traces
from daq.trials.limits import Limit
from daq.trials.order import OrderKind
from daq.wording import normalising_sentence, unit_symbol

_ORDERS = {
    OrderKind.AS_WRITTEN: "as written in the plan",
    OrderKind.RANDOMISED: "shuffled anew in each round",
    OrderKind.BASELINE_FIRST_AND_LAST: "the baseline before everything and once more after it",
}


def report_content(store: Path, session: int | None, *, analysis: int) -> ReportContent:
    """Everything that a report of a stored session says.

    Raises:
        InputError: If there is no such session, or its plan asks for what it does not have.
        ConfigurationError: If the session's plan or bench cannot be read by this version.
        StoreError: If the file is not there, not ours, too new or cannot be read.
    """
    comparison = compared(store, session, analysis=analysis)
    number = comparison.figures.number
    budgets = read_budgets(store, session=number, analysis=analysis)
    plan_text, bench_text = read_session_files(store, number)
    described = read_channels(store)
    plan = parse_stored_plan(plan_text, session=number, channels=described)
    instruments = (
        *_instruments(bench_text),
        *_logs(read_imported_logs(store, number), comparison, described),
    )
    there = {each.name for each in instruments}
    channels = tuple(each for each in described if each.instrument in there)
    findings = findings_of(store, comparison)
    return ReportContent(
        comparison=comparison,
        instruments=instruments,
        channels=channels,
        plan=tuple(_plan_facts(plan, channels)),
        checked=tuple(_checked(store, number)),
        rule=tuple(_rule_facts(budgets)),
        traces=read_traces(store, budgets),
        budgets=tuple(_budgets(comparison, budgets)),
        findings=findings.by_topic,
        cautions=findings.cautions,
        unchecked=findings.unchecked,
        curves=findings.curves,
        machine_voltage=_machine_voltage(comparison),
        commands=tuple(_commands(store, comparison)),
        software=SOFTWARE,
        host=platform.node(),
        store=str(store),
        speed=budgets[0].trial.speed if budgets else 1.0,
    )


def _instruments(bench_text: str) -> Iterator[Instrument]:
    """Meters by the bench file as it was, which was checked when it was new."""
    bench: dict[str, Any] = tomllib.loads(bench_text)
    for each in bench.get("instrument", []):
        yield Instrument(
            name=str(each.get("name", "")),
            profile=str(each.get("profile", "")),
            port=str(each.get("port", "")),
            place=str(each.get("place", "")),
            interval_s=each.get("interval_s"),
        )
    for each in bench.get("typed", []):
        yield Instrument(
            name=str(each.get("name", "")),
            profile="typed",
            place=str(each.get("place", "")),
            is_typed=True,
        )


def _logs(
    logs: Sequence[StoredLog],
    comparison: SessionComparison,
    described: Sequence[Channel],
) -> Iterator[Instrument]:
    """Meters that kept their own log, where an average of theirs is compared."""
    places = {channel.name: channel.place for channel in described}
    for log in logs:
        compared_ones = [
            name for name in log.channels if name in comparison.figures.observations
        ]
        if compared_ones:
            yield Instrument(
                name=log.meter,
                profile="",
                place=", ".join(dict.fromkeys(places[n] for n in compared_ones)),
                log=log.file,
                clock=_clock(log),
            )


def _clock(log: StoredLog) -> str:
    if log.offset_s is None:
        return "its clock is that of the session"
    if log.offset_u_s is None:
        shown = f"{log.offset_s:+z.6g}".replace("-", MINUS)
        return f"its clock was moved by {shown} s, as stated at the import"
    shown = signed_average(log.offset_s, log.offset_u_s, "s")
    return f"its clock was moved by {shown} (95 %), by the switchings that both saw"


def _machine_voltage(comparison: SessionComparison) -> str:
    """Name of the voltage that is measured at the machine's end; empty for none."""
    figures = comparison.figures
    there = machine_channels(figures.quantities, "voltage", figures.second_choice)
    return next((q.name for q in there if q.place == MACHINE_END), "")


def _checked(store: Path, session: int) -> Iterator[Checked]:
    """What the record has of the walk before the session; on another day it was asked for again."""
    lines = [each.text for each in read_events(store, session) if each.kind == CHECK]
    for line in dict.fromkeys(lines):
        entry = parse_entry_text(line)
        if entry is None:
            yield Checked("not read", line)
            continue
        figures = ", ".join(f"{k} = {v:.6g}" for k, v in entry.figures.items())
        answer = f"{entry.answer}: {figures}" if figures else entry.answer
        yield Checked(entry.item, answer, entry.utc, entry.about)


# ---- the plan


def _plan_facts(plan: Plan, channels: Sequence[Channel]) -> Iterator[Fact]:
    rules = plan.rules
    yield "machine", plan.machine
    yield "baseline", plan.baseline
    for name, instruction in plan.instructions.items():
        yield "condition", name
        if instruction != f"Fit {name}":
            yield INSTRUCTION, instruction
    seed = (
        f", seed {plan.seed}"
        if plan.order_kind is OrderKind.RANDOMISED and plan.seed is not None
        else ""
    )
    yield "order", f"{_ORDERS[plan.order_kind]}; repeats: {plan.repeats}{seed}"
    tolerances = ", ".join(
        f"{name} within {100.0 * rules.tolerances[name]:g} %" for name in rules.required
    )
    yield "a trial waits for", tolerances
    if rules.target is not None:
        yield "averaged until", f"U of the scatter is below {100.0 * rules.target:g} %"
    yield "voltage", normalising_sentence(rules)
    units = {channel.name: unit_symbol(channel.unit) for channel in channels}
    for limit in rules.limits:
        yield "limit", _limit(limit, units.get(limit.channel, ""))
    comparison = plan.facts.rules
    yield (
        "drift between baselines",
        "taken out" if comparison.bracketing else "left in",
    )


def _limit(limit: Limit, unit: str) -> str:
    bounds = [
        f"{word} {bound:g} {unit}".rstrip()
        for word, bound in (("above", limit.above), ("below", limit.below))
        if bound is not None
    ]
    return (
        f"{limit.channel} {' or '.join(bounds)} for {limit.for_s:g} s: {limit.reason}"
    )


# ---- rule, budgets, commands


def _rule_facts(budgets: Sequence[TrialBudgets]) -> Iterator[Fact]:
    """The rule's parameters; those of the first trial where trials differ, as after a change of version."""
    texts = [each.average.rule_json for trial in budgets for each in trial.averages]
    with suppress(StopIteration, ValueError, KeyError, TypeError, AttributeError):
        rule = json.loads(next(text for text in texts if text))
        for name, value in rule["parameters"].items():
            yield name, json.dumps(value)


def _budgets(
    comparison: SessionComparison, budgets: Sequence[TrialBudgets]
) -> Iterator[Budget]:
    """Of the baseline's first trial that is compared."""
    counted = [
        number
        for each in comparison.levels
        if each.condition == comparison.figures.baseline
        for number in each.trials
    ]
    for trial in budgets:
        if not counted or trial.trial.trial != min(counted):
            continue
        for each in trial.averages:
            average = each.average
            yield Budget(
                channel=average.channel,
                title=average.title,
                unit=average.unit,
                trial=average.trial,
                mean=average.mean,
                std_uncertainty=average.std_uncertainty,
                contributions=each.contributions,
            )


def _commands(store: Path, comparison: SessionComparison) -> Iterator[str]:
    number, analysis = comparison.figures.number, comparison.figures.analysis
    which = f"{shlex.quote(str(store))} --session {number}"
    of_analysis = f" --analysis {analysis}" if analysis else ""
    yield f"daq compare {which}{of_analysis}"
    yield f"daq budget {which}{of_analysis}"
    yield f"daq reanalyse {which} --dry-run"
    yield f"daq report {which}{of_analysis} -o report.html"
