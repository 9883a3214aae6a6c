"""`daq plan PLAN --from STORE`: what a plan would show, by what an earlier session tells of the spread between trials."""

import argparse
import statistics
import sys
import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

from daq.assembling import StoredSessionParts, session_figures
from daq.cli.arguments import CommandParser, number_between
from daq.cli.files import read_text
from daq.cli.repeats import Obstacle, Repeats, repeats_for, systematic_of
from daq.comparison.designs import MOST_REPEATS, difference_shown
from daq.comparison.session import SessionComparison, compare_session
from daq.comparison.verdicts import QuantityComparison
from daq.comparison_tables import texts_aligned
from daq.comparison_words import quoted, share_of_baseline
from daq.config.plan import Plan, parse_stored_plan
from daq.errors import InputError
from daq.export import json_document
from daq.printable import printable
from daq.records import PlannedTrial, TrialState
from daq.runtime.store.compared import read_earlier_parts, read_session_parts

_WIDTH = 80


@dataclass(frozen=True, slots=True)
class Outlook:
    """What a plan would show of one quantity.

    Attributes:
        quantity: Name.
        unit: As on the bench.
        spread: Between trials [unit]; None where it is not known well enough.
        spread_degrees_of_freedom: [1].
        shown: Smallest difference to the baseline that is found 4 times in 5 [unit]; None likewise.
        wanted: Difference asked about [unit]; None where none is, or percents of the baseline mean nothing.
        repeats: [1] of each condition that show it 4 times in 5; None where that is unknown or too many.
        obstacle: Why there are none; None where nothing stands in the way.
    """

    quantity: str
    unit: str
    spread: float | None
    spread_degrees_of_freedom: float | None
    shown: float | None
    wanted: float | None
    repeats: int | None
    obstacle: str | None


def run(arguments: Sequence[str]) -> int:
    """Say what a plan would show before it is carried out."""
    options = _parser().parse_args(arguments)
    store, path = Path(options.store), Path(options.plan)
    parts = read_session_parts(store, options.session)
    if not parts.averages:
        msg = f"{store}: no trial of session {parts.number} was averaged, expected a session that has averages (--session)"
        raise InputError(msg)
    plan = _plan(path, parts, store)
    comparison = _by_the_plans_rules(plan, parts, store)
    order = plan.order(plan.seed or 0)
    detect = options.detect or plan.facts.rules.detect_percent
    found = [_outlook(comparison, c, order, detect) for c in comparison.comparisons]
    length_s = _length_s(parts, len(order))
    if options.json:
        text = json_document(
            {
                "plan": plan.name,
                "from_session": parts.number,
                "trials": len(order),
                "length_s": length_s,
                "percent": detect,
                "quantities": [asdict(each) for each in found],
            }
        )
    else:
        lines = _lines(comparison, order, found, length_s, detect)
        text = printable("\n".join(lines)) + "\n"
    sys.stdout.write(text)
    return 0 if any(each.shown is not None for each in found) else 1


def _plan(path: Path, parts: StoredSessionParts, store: Path) -> Plan:
    channels = tuple(
        {m.number: m.channel for a in parts.averages if (m := a.meter)}.values()
    )
    plan = parse_stored_plan(
        read_text(path), session=parts.number, channels=channels, file=str(path)
    )
    if plan.machine != parts.machine:
        msg = (
            f"{path}: the machine is {plan.machine!r}, session {parts.number} of {store} is of {parts.machine!r};"
            " name a session of the same machine with --session"
        )
        raise InputError(msg)
    return plan


def _by_the_plans_rules(
    plan: Plan, parts: StoredSessionParts, store: Path
) -> SessionComparison:
    """The session compared as the new plan has it: by its stated spreads, its shares, its leave to look back."""
    facts = plan.facts
    earlier = read_earlier_parts(store, parts) if facts.rules.earlier_sessions else ()
    figures = session_figures(replace(parts, facts=facts), earlier=earlier)
    return compare_session(figures)


def _outlook(
    comparison: SessionComparison,
    found: QuantityComparison,
    order: Sequence[PlannedTrial],
    detect: float | None,
) -> Outlook:
    counts: dict[str, int] = {}
    for trial in order:
        counts[trial.condition] = counts.get(trial.condition, 0) + 1
    baseline = next(trial.condition for trial in order if trial.baseline)
    others = [n for name, n in counts.items() if name != baseline]
    spread = found.spread
    shown = None
    if spread:
        shown = difference_shown(
            others,
            baseline_repeats=counts[baseline],
            std_dev=spread.std_dev,
            degrees_of_freedom=spread.degrees_of_freedom,
            systematic=systematic_of(comparison, found),
        )
    wanted: Repeats | None = None
    if detect is not None:
        wanted = repeats_for(comparison, found, detect, conditions=len(others))
    return Outlook(
        quantity=found.quantity.name,
        unit=found.quantity.unit,
        spread=spread.std_dev if spread else None,
        spread_degrees_of_freedom=spread.degrees_of_freedom if spread else None,
        shown=shown,
        wanted=wanted.size if wanted else None,
        repeats=wanted.repeats if wanted else None,
        obstacle=wanted.obstacle.value if wanted and wanted.obstacle else None,
    )


def _length_s(parts: StoredSessionParts, trials: int) -> float | None:
    """How long the machine is likely to run, by the trials that were finished [s]."""
    took = [
        trial.duration_s
        for trial in parts.trials
        if trial.duration_s is not None and trial.state == TrialState.FINISHED
    ]
    return trials * statistics.median(took) if took else None


def _lines(
    comparison: SessionComparison,
    order: Sequence[PlannedTrial],
    found: Sequence[Outlook],
    length_s: float | None,
    detect: float | None,
) -> Iterator[str]:
    yield from textwrap.wrap(
        f"{len(order)} trials as planned, by the spread between trials of session {comparison.figures.number}"
        f" ({comparison.figures.machine})",
        _WIDTH,
    )
    if length_s is not None:
        yield f"The machine would run for about {length_s / 60.0:.0f} min in all."
    yield ""
    if not found:
        yield from textwrap.wrap(
            f"No trial of the baseline {quoted(comparison.figures.baseline)} was averaged in that session: it tells nothing"
            " of differences to it.",
            _WIDTH,
        )
        return
    asked = () if detect is None else (f"repeats to show {detect:g} %",)
    rows = [("quantity", "spread", "found 4 times in 5", *asked)]
    for each in found:
        if compared := comparison.of(each.quantity):
            cells = (_shown(each.spread, compared), _shown(each.shown, compared))
            rows.append((each.quantity, *cells, *([_repeats(each)] if asked else ())))
    yield from texts_aligned(rows)
    yield ""
    yield from _legend(found)


def _shown(size: float | None, compared: QuantityComparison) -> str:
    return "not known" if size is None else share_of_baseline(size, compared)


def _repeats(each: Outlook) -> str:
    if each.wanted is None:
        return ""
    return str(each.repeats) if each.repeats else _OBSTACLES[each.obstacle or ""]


_OBSTACLES = {
    Obstacle.UNKNOWN.value: "not known",
    Obstacle.METERS.value: "none: the meters",
    Obstacle.SPREAD.value: f"over {MOST_REPEATS}",
}


def _legend(found: Sequence[Outlook]) -> Iterator[str]:
    yield "spread: standard deviation between trials of one condition"
    yield "found 4 times in 5: smallest difference to the baseline that this plan shows"
    if any(each.wanted is not None for each in found):
        yield "repeats: of each condition, to show that difference 4 times in 5"
    if any(each.obstacle == Obstacle.METERS for each in found):
        yield "the meters: what two conditions do not share of their errors hides it;"
        yield "  gain and offset stated apart in the profile, or a better meter, would help"
    if any(each.spread is None for each in found):
        yield "not known: the session repeats too little, and neither an earlier one nor"
        yield "  the plan ([comparison.spread.NAME]) tells how much trials spread"


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq plan",
        description=(
            "What a plan would show before it is carried out: the smallest difference that it finds 4 times in 5, and how many"
            " repeats would show a difference of a stated size, by the spread between trials that a stored session has."
        ),
        epilog="Exit code 1 where the session does not know the spread between trials well enough.",
    )
    parser.add_argument("plan", metavar="PLAN", help="plan file")
    parser.add_argument(
        "--from",
        dest="store",
        required=True,
        metavar="STORE",
        help="results file with a session of the same machine",
    )
    parser.add_argument(
        "--session",
        type=int,
        metavar="N",
        help="number of that session; the newest with averages if absent",
    )
    parser.add_argument(
        "--detect",
        type=number_between(0.01, 100.0),
        metavar="PERCENT",
        help="size of a difference that matters; the plan's [comparison] detect_percent if absent",
    )
    parser.add_argument(
        "--json", action="store_true", help="the same facts for programs"
    )
    return parser
