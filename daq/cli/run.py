"""`daq run BENCH PLAN`."""

import argparse
import asyncio
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from daq.cli.arguments import CommandParser
from daq.cli.closing import LastSight, closing_of_run, telling_of_the_machine
from daq.cli.files import load_bench_and_plan
from daq.cli.said import fitted
from daq.cli.screens import display_for
from daq.cli.serving import add_service_options, surroundings
from daq.config.bench import Bench
from daq.config.plan import Plan
from daq.errors import InputError, OperationRefusedError, Refusal
from daq.operations import SameAsBefore
from daq.records import TrialState
from daq.runtime.daemon import run_session
from daq.runtime.display import Outcome
from daq.wording import sentence


def run(arguments: Sequence[str]) -> int:
    """Carry out a plan in the foreground."""
    options = _parser().parse_args(arguments)
    bench, plan = load_bench_and_plan(Path(options.bench), Path(options.plan))
    same = SameAsBefore(machine=True, meters=True, room=True) if options.same else None
    try:
        with telling_of_the_machine() as sight:
            outcome, store_path = _carried_out_once_asked(
                options, bench, plan, same, sight
            )
    except OperationRefusedError as exc:
        raise InputError(str(exc)) from exc
    if options.json:
        sys.stdout.write(outcome_json(outcome, store_path) + "\n")
    else:
        closing = closing_of_run(
            outcome,
            bench=options.bench,
            plan=options.plan,
            store=store_path,
            stated_store=options.store,
            speed=options.speed,
        )
        sys.stdout.write(fitted(closing, sys.stdout))
    return exit_code(outcome)


def _carried_out_once_asked(
    options: argparse.Namespace,
    bench: Bench,
    plan: Plan,
    same: SameAsBefore | None,
    sight: LastSight,
) -> tuple[Outcome, Path]:
    """As `_carried_out`; on another day what is the same is asked first."""
    try:
        return _carried_out(options, bench, plan, same, sight)
    except OperationRefusedError as exc:
        if exc.code is not Refusal.ANOTHER_DAY:
            raise
        same = _asked_what_is_the_same(exc)
    return _carried_out(options, bench, plan, same, sight)


def _carried_out(
    options: argparse.Namespace,
    bench: Bench,
    plan: Plan,
    same: SameAsBefore | None,
    sight: LastSight,
) -> tuple[Outcome, Path]:
    """How it ended, and where the results are.

    Raises:
        OperationRefusedError: If the session is taken up on another day, and `same` says nothing of that.
    """
    with display_for(
        options.bench, plain=options.plain, to_stderr=options.json
    ) as display:
        sight.of(display)
        if plan.rules.start.channel is None and not display.has_keyboard:
            msg = (
                f"{options.plan}: without a start channel the Enter key starts a trial, and there is no keyboard here; "
                "run it in a terminal without --plain, or give the plan a [start] channel"
            )
            raise InputError(msg)
        around = surroundings(options, bench, display)
        outcome = asyncio.run(
            run_session(around, plan, new_session=options.new, same=same)
        )
        if not options.json:
            display.finished(outcome)
    return outcome, around.store_path


def _asked_what_is_the_same(refused: OperationRefusedError) -> SameAsBefore:
    """Ask at the terminal.

    Raises:
        InputError: If there is nobody to ask.
    """
    if not (sys.stdin.isatty() and sys.stderr.isatty()):
        msg = f"{refused}; say --same if they are, --new to begin anew"
        raise InputError(msg) from refused
    sys.stderr.write(f"{sentence(str(refused))}\n")
    for what in (
        "the machine",
        "every meter, with its range,",
        "the room, with its outlet,",
    ):
        if not _is_yes(f"Is {what} the same? [y/n] "):
            msg = "its trials could not be compared with what comes now: begin anew with --new"
            raise InputError(msg)
    return SameAsBefore(machine=True, meters=True, room=True)


def _is_yes(question: str) -> bool:
    while True:
        sys.stderr.write(question)
        sys.stderr.flush()
        answer = sys.stdin.readline().strip().lower()
        if answer in {"y", "yes", "n", "no"}:
            return answer.startswith("y")
        if not answer:
            return False


def exit_code(outcome: Outcome) -> int:
    """What the command line ends with."""
    if outcome.stopped_by is not None:
        return 128 + outcome.stopped_by
    states = {r.planned.position: r.state for r in outcome.results}
    complete = all(
        states.get(line.position) is TrialState.FINISHED for line in outcome.order
    )
    return 0 if complete else 1


def outcome_json(outcome: Outcome, store_path: Path) -> str:
    """The outcome for programs."""
    trials = [
        {
            **asdict(result.planned),
            "attempt": result.attempt,
            "state": result.state.value,
            "note": result.note,
            "averages": [
                {
                    "channel": a.channel,
                    "unit": a.unit,
                    "mean": a.mean,
                    "plain_mean": a.plain_mean,
                    "normalised_to_v": a.normalised.reference_v
                    if a.normalised
                    else None,
                    "expanded_uncertainty": a.expanded_uncertainty,
                    "coverage_factor": a.coverage_factor,
                }
                for a in result.averages
            ],
        }
        for result in outcome.results
    ]
    stopped_by = outcome.stopped_by.name if outcome.stopped_by is not None else None
    facts = {
        "format": 1,
        "store": str(store_path),
        "session": outcome.session,
        "stopped_by": stopped_by,
        "trials": trials,
    }
    return json.dumps(facts, ensure_ascii=False, allow_nan=False, indent=1)


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq run",
        description="Carry out a plan hands-off. An unfinished session of the same plan goes on where it stopped.",
        epilog="Never leave a running machine alone; switch off at the plug. This program only reads.",
    )
    parser.add_argument("bench", metavar="BENCH", help="bench file (TOML)")
    parser.add_argument("plan", metavar="PLAN", help="plan file (TOML)")
    parser.add_argument(
        "--new",
        action="store_true",
        help="begin a new session even where one is unfinished",
    )
    parser.add_argument(
        "--same",
        action="store_true",
        help="a session taken up on another day: machine, meters with their ranges and room are the same",
    )
    parser.add_argument(
        "--json",
        action="store_true",
        help="print the outcome as JSON on standard output",
    )
    add_service_options(parser)
    return parser
