"""`daq reanalyse STORE`: the settling rule on stored readings, beside what was averaged live."""

import argparse
import json
import math
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from daq.cli.arguments import CommandParser
from daq.cli.reanalysed import (
    Reanalysis,
    TrialAgain,
    exit_code,
    render_json,
    render_words,
)
from daq.config.plan import parse_stored_plan
from daq.errors import InputError
from daq.logs.judged import LoggedReadings, judge_with_log, with_channels
from daq.records import Channel
from daq.runtime.beginning import SOFTWARE
from daq.runtime.store.imported import ReplayWithLogs, replaying_with_logs
from daq.runtime.store.replay import RecordedSession, RecordedTrial
from daq.runtime.store.spoilt import reading_record, record_spoilt
from daq.settling.options import (
    OptionError,
    checked_option,
    options_from_words,
)
from daq.settling.presets import PRESETS
from daq.trials.judging import (
    SessionRules,
    reading_order,
    recorded_channels,
    render_rule,
    with_recorded_rule,
)
from daq.trials.reanalysis import (
    OtherRule,
    ReadingBlock,
    is_reproduced,
    judge_again,
)


def run(arguments: Sequence[str]) -> int:
    """Judge a session's trials again."""
    parser = _parser()
    options = parser.parse_args(arguments)
    other = _other_rule(parser, options)
    with replaying_with_logs(
        Path(options.store), keeping=not options.dry_run
    ) as replay:
        found = _reanalyse(replay, options, other)
    render = render_json if options.json else render_words
    sys.stdout.write(render(found))
    return exit_code(found)


def _reanalyse(
    replay: ReplayWithLogs, options: argparse.Namespace, other: OtherRule
) -> Reanalysis:
    session = replay.session(options.session)
    if not session.trials:
        msg = f"{options.store}: session {session.number} has no trial yet"
        raise InputError(msg)
    logged = replay.logged(session)
    trials = tuple(
        _again(
            replay,
            session,
            trial,
            other,
            logged=logged.get(trial.number, ()),
            even_so=options.even_so,
        )
        for trial in session.trials
    )
    found = Reanalysis(
        store=options.store,
        session=session,
        software=SOFTWARE,
        changed=tuple(
            _in_words(options, other, replay.imported_channels(session.number))
        ),
        even_so=options.even_so,
        trials=trials,
    )
    return found if options.dry_run else _kept(replay, found)


def _other_rule(
    parser: argparse.ArgumentParser, options: argparse.Namespace
) -> OtherRule:
    """What is asked otherwise; refused before a file is touched where it cannot be."""
    try:
        changes = options_from_words(options.rule)
        for name, value in changes.items():
            checked_option(name, value)
    except OptionError as exc:
        parser.error(f"argument --rule: {exc}")
    tolerances: dict[str | None, float] = {}
    for channel, share in options.tol:
        if channel in tolerances:
            which = channel or "a tolerance for all"
            parser.error(f"argument --tol: {which} given twice, expected it once")
        tolerances[channel] = share
    return OtherRule(
        base=PRESETS[options.preset].parameters if options.preset else None,
        changes=changes,
        tolerance=tolerances.pop(None, None),
        tolerances={name: share for name, share in tolerances.items() if name},
        target=None if options.target is None else options.target / 100.0,
        required=tuple(dict.fromkeys(options.required)),
    )


def _in_words(
    options: argparse.Namespace, other: OtherRule, imported: Sequence[Channel]
) -> Iterator[str]:
    """What is asked otherwise, as people are told and as it is kept with the analysis."""
    if options.preset:
        yield f"preset {options.preset}"
    yield from options.rule
    if other.tolerance is not None:
        yield f"tolerance {100.0 * other.tolerance:g} %"
    for name, share in other.tolerances.items():
        yield f"tolerance of {name} {100.0 * share:g} %"
    if options.target is not None:
        yield f"target {options.target:g} %"
    if other.required:
        yield f"required {' and '.join(other.required)}"
    if imported:
        if other.is_the_recorded:
            yield "the rule that each trial was run with"
        yield f"with {' and '.join(c.name for c in imported)} imported"


def _kept(replay: ReplayWithLogs, found: Reanalysis) -> Reanalysis:
    rules = dict.fromkeys(again.rule_json for again in found.trials)
    by_trial = {str(t.recorded.number): json.loads(t.rule_json) for t in found.trials}
    number = replay.keep(
        {again.recorded.number: again.result for again in found.trials},
        session=found.session.number,
        software=found.software,
        rule_json=next(iter(rules)) if len(rules) == 1 else json.dumps(by_trial),
        note=found.in_words,
    )
    return replace(found, analysis=number)


def _again(
    replay: ReplayWithLogs,
    session: RecordedSession,
    trial: RecordedTrial,
    other: OtherRule,
    *,
    logged: Sequence[LoggedReadings],
    even_so: bool,
) -> TrialAgain:
    own = _rules_on_paper(session, _channels(replay, session, trial))
    is_by_another = False
    with reading_record(f"trial {trial.number}"):
        try:
            own = with_recorded_rule(own, trial.rule_json or "{}")
        except OptionError:
            is_by_another = True
    rules = _instead_of(with_channels(own, [each.channel for each in logged]), other)
    # Readings of logs have no place in the order of arrival: they are put among these by time.
    in_order, idle = reading_order(own), replay.idle(trial, own.channels)

    def blocks() -> Iterator[ReadingBlock]:
        return replay.blocks(trial, in_order)

    if logged:
        result = judge_with_log(
            trial.result, rules, blocks, logged, idle=idle, even_so=even_so
        )
    else:
        result = judge_again(trial.result, rules, blocks, idle=idle, even_so=even_so)
    reproduced = None
    if other.is_the_recorded and not is_by_another and not trial.result.was_cut_off:
        # What was averaged live was averaged without the logs.
        live = (
            judge_again(trial.result, own, blocks, idle=idle, even_so=even_so)
            if logged
            else result
        )
        reproduced = is_reproduced(trial.result, live)
    return TrialAgain(
        recorded=trial,
        channels=rules.channels,
        result=result,
        rule_json=render_rule(rules),
        by_another_version=is_by_another,
        reproduced=reproduced,
    )


def _instead_of(rules: SessionRules, other: OtherRule) -> SessionRules:
    try:
        return other.instead_of(rules)
    except OptionError as exc:
        msg = f"--rule {exc}" if exc.name else str(exc)
        raise InputError(msg) from exc


def _rules_on_paper(
    session: RecordedSession, channels: tuple[Channel, ...]
) -> SessionRules:
    """What the session's plan says, read by this version."""
    plan = parse_stored_plan(
        session.plan_text, session=session.number, channels=channels
    )
    return plan.rules


def _channels(
    replay: ReplayWithLogs, session: RecordedSession, trial: RecordedTrial
) -> tuple[Channel, ...]:
    """The channels that the bench had, in its order."""
    known = {channel.name: channel for channel in replay.channels(trial)}
    names = next(_names(trial, *session.trials), ())
    lost = [name for name in names if name not in known]
    if lost:
        channel = f"channel {lost[0]}"
        raise record_spoilt(channel, "it is lost")
    return tuple(known[name] for name in names)


def _names(*trials: RecordedTrial) -> Iterator[tuple[str, ...]]:
    """Of the trial, or of another of its session where a killed program of an earlier version wrote none."""
    for trial in trials:
        with reading_record(f"trial {trial.number}"):
            names = recorded_channels(trial.rule_json or "{}")
        if names:
            yield names


def _tolerance(text: str) -> tuple[str | None, float]:
    """Of a channel, or of all (None): the share [1]."""
    channel, has_name, share = text.rpartition("=")
    expected = (
        "a share above 0 and below 1, like 0.005 for half a percent, or CHANNEL=SHARE"
    )
    number = _number(share, f"got {text}, expected {expected}")
    if not 0.0 < number < 1.0 or (has_name and not channel):
        msg = f"got {text}, expected {expected}"
        raise argparse.ArgumentTypeError(msg)
    return channel or None, number


def _percent(text: str) -> float:
    msg = f"got {text}, expected percent of the mean above 0, like 0.2"
    number = _number(text, msg)
    if number <= 0.0:
        raise argparse.ArgumentTypeError(msg)
    return number


def _number(text: str, problem: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise argparse.ArgumentTypeError(problem)
    return number


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq reanalyse",
        description=(
            "Judge the trials of a stored session again from their readings, by the rule they were run with or by"
            " another, and show what changes. Earlier averages stay; the new ones are kept as an analysis of their own."
        ),
        epilog=(
            "With no rule options the live averages must come out again to the bit; where they do not, that is said"
            " and the exit code is 1, as it is where a trial did not settle."
        ),
    )
    parser.add_argument("store", metavar="STORE", help="results file")
    parser.add_argument(
        "--session",
        type=int,
        metavar="N",
        help="number of the session; the newest that has trials, if absent",
    )
    parser.add_argument(
        "--preset",
        choices=list(PRESETS),
        help="start from this preset instead of the rule that each trial was run with",
    )
    parser.add_argument(
        "--rule",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="set a parameter of the rule; may be given several times",
    )
    parser.add_argument(
        "--tol",
        action="append",
        type=_tolerance,
        default=[],
        metavar="[CHANNEL=]SHARE",
        help="drift that still counts as settled, as a share of the level: of all channels, or of one; may be repeated",
    )
    parser.add_argument(
        "--target",
        type=_percent,
        metavar="PERCENT",
        help="averaging may stop once the scatter's expanded uncertainty is so small",
    )
    parser.add_argument(
        "--required",
        action="append",
        default=[],
        metavar="CHANNEL",
        help="wait for this channel, and for no other that is not named so too; may be repeated",
    )
    parser.add_argument(
        "--even-so",
        action="store_true",
        help=(
            "average trials that did not settle all the same: marked as not settled,"
            " with the drift in their uncertainty"
        ),
    )
    parser.add_argument(
        "--dry-run", action="store_true", help="show what would come out, keep nothing"
    )
    parser.add_argument(
        "--json", action="store_true", help="the same facts for programs"
    )
    return parser
