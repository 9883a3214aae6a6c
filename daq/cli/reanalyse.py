"""`daq reanalyse STORE`: the settling rule on stored readings, beside what was averaged live."""

import argparse
import json
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from daq.cli.reanalysed import (
    Reanalysis,
    TrialAgain,
    exit_code,
    render_json,
    render_words,
)
from daq.config.plan import parse_stored_plan
from daq.errors import InputError
from daq.records import Channel
from daq.runtime.beginning import SOFTWARE
from daq.runtime.store.replay import (
    RecordedSession,
    RecordedTrial,
    Replay,
    replaying,
)
from daq.settling.options import (
    OptionError,
    checked_option,
    options_from_words,
    with_options,
)
from daq.settling.parameters import Parameters
from daq.settling.presets import PRESETS
from daq.trials.judging import (
    SessionRules,
    reading_order,
    recorded_channels,
    render_rule,
    with_recorded_rule,
)
from daq.trials.reanalysis import is_reproduced, judge_again


def run(arguments: Sequence[str]) -> int:
    """Judge a session's trials again."""
    parser = _parser()
    options = parser.parse_args(arguments)
    try:
        changes = options_from_words(options.rule)
        for name, value in changes.items():
            checked_option(name, value)  # refused before a file is touched
    except OptionError as exc:
        parser.error(f"argument --rule: {exc}")
    with replaying(Path(options.store), keeping=not options.dry_run) as replay:
        found = _reanalyse(replay, options, changes)
    render = render_json if options.json else render_words
    sys.stdout.write(render(found))
    return exit_code(found)


def _reanalyse(
    replay: Replay, options: argparse.Namespace, changes: dict[str, object]
) -> Reanalysis:
    session = replay.session(options.session)
    if not session.trials:
        msg = f"{options.store}: session {session.number} has no trial yet"
        raise InputError(msg)
    base = PRESETS[options.preset].parameters if options.preset else None
    trials = tuple(
        _again(replay, session, trial, base, changes, even_so=options.even_so)
        for trial in session.trials
    )
    preset = [f"preset {options.preset}"] if options.preset else []
    found = Reanalysis(
        store=options.store,
        session=session,
        software=SOFTWARE,
        changed=tuple(preset + options.rule),
        even_so=options.even_so,
        trials=trials,
    )
    return found if options.dry_run else _kept(replay, found)


def _kept(replay: Replay, found: Reanalysis) -> Reanalysis:
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
    replay: Replay,
    session: RecordedSession,
    trial: RecordedTrial,
    base: Parameters | None,
    changes: dict[str, object],
    *,
    even_so: bool,
) -> TrialAgain:
    rules = _rules_on_paper(session, _channels(replay, session, trial))
    is_other = False
    try:
        rules = with_recorded_rule(rules, trial.rule_json or "{}")
    except OptionError:
        is_other = True
    rules = replace(rules, parameters=_changed(base or rules.parameters, changes))
    in_order = reading_order(rules)
    result = judge_again(
        trial.result,
        rules,
        lambda: replay.blocks(trial, in_order),
        idle=replay.idle(trial, rules.channels),
        even_so=even_so,
    )
    is_comparable = base is None and not changes and not is_other
    return TrialAgain(
        recorded=trial,
        channels=rules.channels,
        result=result,
        rule_json=render_rule(rules),
        by_another_version=is_other,
        reproduced=is_reproduced(trial.result, result) if is_comparable else None,
    )


def _changed(parameters: Parameters, changes: dict[str, object]) -> Parameters:
    try:
        return with_options(parameters, changes)
    except OptionError as exc:
        msg = f"--rule {exc}"
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
    replay: Replay, session: RecordedSession, trial: RecordedTrial
) -> tuple[Channel, ...]:
    """The channels that the bench had, in its order."""
    known = {channel.name: channel for channel in replay.channels(trial)}
    names = next(_names(trial, *session.trials), ())
    return tuple(known[name] for name in names)


def _names(*trials: RecordedTrial) -> Iterator[tuple[str, ...]]:
    """Of the trial, or of another of its session where a killed program of an earlier version wrote none."""
    for trial in trials:
        if trial.rule_json and (names := recorded_channels(trial.rule_json)):
            yield names


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
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
