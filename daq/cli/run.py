"""`daq run BENCH PLAN`."""

import argparse
import asyncio
import json
import sys
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

from daq.cli.arguments import number_between
from daq.cli.files import load_bench_and_plan
from daq.cli.screens import display_for
from daq.errors import InputError
from daq.records import TrialState
from daq.runtime.clock import Clock
from daq.runtime.daemon import Outcome, run_session


def run(arguments: Sequence[str]) -> int:
    """Carry out a plan in the foreground."""
    options = _parser().parse_args(arguments)
    bench_path = Path(options.bench)
    bench, plan = load_bench_and_plan(bench_path, Path(options.plan))
    base = bench_path.resolve().parent
    store_path = Path(options.store) if options.store else base / bench.store
    with display_for(plain=options.plain, to_stderr=options.json) as display:
        if plan.rules.start.channel is None and not display.has_keyboard:
            msg = (
                f"{options.plan}: without a start channel the Enter key starts a trial, and there is no keyboard here; "
                "run it in a terminal without --plain, or give the plan a [start] channel"
            )
            raise InputError(msg)
        outcome = asyncio.run(
            run_session(
                bench,
                plan,
                store_path=store_path,
                base=base,
                clock=Clock(speed=options.speed),
                display=display,
                new_session=options.new,
            )
        )
    if options.json:
        sys.stdout.write(outcome_json(outcome, store_path) + "\n")
    else:
        display.finished(outcome)
        sys.stdout.write(
            f"Results are in {store_path}; daq compare {store_path} says what was lost, daq report makes a page of it.\n"
        )
    return exit_code(outcome)


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
    parser = argparse.ArgumentParser(
        prog="daq run",
        description="Carry out a plan hands-off. An unfinished session of the same plan goes on where it stopped.",
        epilog="Never leave a running machine alone; switch off at the plug. This program only reads.",
    )
    parser.add_argument("bench", metavar="BENCH", help="bench file (TOML)")
    parser.add_argument("plan", metavar="PLAN", help="plan file (TOML)")
    parser.add_argument(
        "--store", metavar="FILE", help="results file; the bench's own if absent"
    )
    parser.add_argument(
        "--new",
        action="store_true",
        help="begin a new session even where one is unfinished",
    )
    parser.add_argument(
        "--plain", action="store_true", help="plain lines instead of the live table"
    )
    parser.add_argument(
        "--json",
        action="store_true",
        help="print the outcome as JSON on standard output",
    )
    parser.add_argument(
        "--speed",
        type=number_between(1.0, 60.0),
        default=1.0,
        help="bench seconds a real second, 1 to 60; 1 is life, more only with simulators at the same speed",
    )
    return parser
