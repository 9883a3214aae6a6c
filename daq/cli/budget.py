"""`daq budget STORE`: what the uncertainty of each average is made of."""

import argparse
import json
import math
import sys
import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path

from daq.cli.arguments import CommandParser
from daq.export import StoredAverage
from daq.printable import printable
from daq.records import Contribution, Evaluation, PlannedTrial
from daq.runtime.store import AverageBudget, TrialBudgets, read_budgets
from daq.wording import (
    decimals_of_uncertainty,
    shown_average,
    shown_value,
    trial_name,
    unit_symbol,
)

FORMAT = 1
_LINE = "  {:<24}{:<5}{:<13}{:>12}{:>15}{:>9}"
_NOT_SPLIT = "what type B is made of was not recorded by the version that measured this"
_MANY = 10_000
_WIDTH = 80


def run(arguments: Sequence[str]) -> int:
    """Print the uncertainty budgets of a stored session."""
    options = _parser().parse_args(arguments)
    trials = read_budgets(
        Path(options.store),
        session=options.session,
        trial=options.trial,
        analysis=options.analysis,
    )
    sys.stdout.write(
        _as_json(trials, options.analysis)
        if options.json
        else printable(_as_text(trials))
    )
    asked_in_vain = options.trial is not None and not trials[0].averages
    return 1 if asked_in_vain else 0


# ---- for people


def _as_text(trials: Sequence[TrialBudgets]) -> str:
    if not trials:
        return "No trial is stored yet, so there is no average to account for.\n"
    first = trials[0].trial
    of_which = f", analysis {first.analysis}" if first.analysis else ""
    head = f"Session {first.session}{of_which}: {first.machine}, plan {first.plan}\n"
    return head + "".join(part for each in trials for part in _trial_text(each))


def _trial_text(budgets: TrialBudgets) -> Iterator[str]:
    trial = budgets.trial
    planned = PlannedTrial(
        trial.position, trial.condition, trial.repeat, trial.baseline
    )
    attempt = f", attempt {trial.attempt}" if trial.attempt > 1 else ""
    yield f"\nTrial {trial.trial}: {trial_name(planned)}{attempt} ({trial.state})\n"
    if not budgets.averages:
        yield _wrapped(f"No average{': ' if trial.note else '.'}{trial.note}")
    elif trial.note:
        yield _wrapped(trial.note)
    for each in budgets.averages:
        yield "\n" + "".join(f"{line}\n" for line in _average_lines(each))


def _wrapped(text: str) -> str:
    indent = "  "
    lines = textwrap.wrap(text, _WIDTH, initial_indent=indent, subsequent_indent=indent)
    return "".join(f"{line}\n" for line in lines)


def _average_lines(budget: AverageBudget) -> Iterator[str]:
    a = budget.average
    place = f", {a.place}" if a.place else ""
    yield f"  {a.title}{place} ({a.channel})"
    if math.isfinite(a.expanded_uncertainty):
        shown = shown_average(a.mean, a.expanded_uncertainty, a.unit)
        yield f"  {shown}   (k = {_factor(a.coverage_factor)}, 95 %)"
    else:
        yield f"  {a.mean:g} {unit_symbol(a.unit)}, uncertainty not finite"
    if a.normalised_by is not None:
        plain = shown_value(
            a.plain_mean, a.unit, decimals_of_uncertainty(a.expanded_uncertainty)
        )
        yield f"  at {a.reference_v:g} V by {a.normalised_by}; plain mean {plain}"
    yield ""
    heading = f"u / {unit_symbol(a.unit)}" if unit_symbol(a.unit) else "u"
    header = _LINE.format(
        "contribution", "kind", "distribution", heading, "deg. freedom", "share"
    )
    yield header
    yield "  " + "-" * (len(header) - 2)
    parts = _parts(budget)
    figures = _aligned(
        [
            *(part.std_uncertainty for part in parts),
            a.std_uncertainty,
            a.expanded_uncertainty,
        ]
    )
    for part, figure in zip(parts, figures, strict=False):
        yield _LINE.format(
            part.name,
            part.kind.value,
            part.distribution.value if budget.contributions else "",
            figure,
            _freedom(part.degrees_of_freedom),
            _share_text(part, a),
        )
    freedom = _freedom(a.degrees_of_freedom)
    yield _LINE.format("combined", "", "", figures[-2], freedom, "").rstrip()
    expanded = f"expanded, k = {_factor(a.coverage_factor)}"
    yield _LINE.format(expanded, "", "", figures[-1], "", "").rstrip()
    yield ""
    yield from _details(budget)


def _details(budget: AverageBudget) -> Iterator[str]:
    for part in budget.contributions:
        if part.detail:
            yield f"  {part.name}: {part.detail}"
    if not budget.contributions:
        yield f"  {_NOT_SPLIT}"


def _parts(budget: AverageBudget) -> tuple[Contribution, ...]:
    """The contributions; types A and B as a whole where only these were recorded."""
    a = budget.average
    return budget.contributions or (
        Contribution(
            a.std_uncertainty_type_a,
            a.degrees_of_freedom_a,
            name="type A",
            kind=Evaluation.TYPE_A,
        ),
        Contribution(a.std_uncertainty_type_b, name="type B"),
    )


def _aligned(figures: Sequence[float]) -> list[str]:
    """Each with two significant digits (GUM 7.2.6), point under point."""
    texts = [_two_digits(figure) for figure in figures]
    after = [len(text) - text.index(".") if "." in text else 0 for text in texts]
    return [
        text + " " * (max(after) - own) for text, own in zip(texts, after, strict=True)
    ]


def _two_digits(figure: float) -> str:
    if not math.isfinite(figure):
        return "infinite"
    return f"{figure:.{decimals_of_uncertainty(figure)}f}" if figure > 0.0 else "0"


def _factor(factor: float) -> str:
    return f"{factor:.2f}"


def _freedom(degrees: float) -> str:
    """Whole degrees of freedom, truncated as the GUM advises (G.4.1)."""
    if math.isinf(degrees):
        return "infinite"
    return f"> {_MANY}" if degrees > _MANY else f"{int(degrees)}"


def _share(part: Contribution, average: StoredAverage) -> float | None:
    """Share of the combined variance [%]; None where there is no variance."""
    whole = average.std_uncertainty
    if not 0.0 < whole < math.inf:
        return None
    return 100.0 * (part.std_uncertainty / whole) ** 2


def _share_text(part: Contribution, average: StoredAverage) -> str:
    share = _share(part, average)
    return "" if share is None else f"{share:.1f} %"


# ---- for programs


def _as_json(trials: Sequence[TrialBudgets], analysis: int) -> str:
    facts = {
        "format": FORMAT,
        "session": trials[0].trial.session if trials else None,
        "analysis": analysis,
        "trials": [_trial_facts(each) for each in trials],
    }
    return json.dumps(facts, ensure_ascii=False, allow_nan=False, indent=1) + "\n"


def _trial_facts(budgets: TrialBudgets) -> dict[str, object]:
    trial = budgets.trial
    return {
        "trial": trial.trial,
        "trial_id": trial.trial_id,
        "condition": trial.condition,
        "repeat": trial.repeat,
        "attempt": trial.attempt,
        "baseline": trial.baseline,
        "state": trial.state,
        "note": trial.note,
        "averages": [_average_facts(each) for each in budgets.averages],
    }


def _average_facts(budget: AverageBudget) -> dict[str, object]:
    a = budget.average
    return {
        "channel": a.channel,
        "title": a.title,
        "place": a.place,
        "unit": a.unit,
        "mean": a.mean,
        "plain_mean": a.plain_mean,
        "normalised_by": a.normalised_by,
        "reference_v": a.reference_v,
        "zero_offset": budget.zero_offset,
        "std_uncertainty": _finite(a.std_uncertainty),
        "degrees_of_freedom": _finite(a.degrees_of_freedom),
        "coverage_factor": _finite(a.coverage_factor),
        "expanded_uncertainty": _finite(a.expanded_uncertainty),
        "recorded": bool(budget.contributions),
        "contributions": [
            {
                "name": part.name,
                "kind": part.kind.value,
                "distribution": part.distribution.value
                if budget.contributions
                else None,
                "std_uncertainty": _finite(part.std_uncertainty),
                "degrees_of_freedom": _finite(part.degrees_of_freedom),
                "share_percent": _share(part, a),
                "detail": part.detail,
            }
            for part in _parts(budget)
        ],
    }


def _finite(figure: float) -> float | None:
    return figure if math.isfinite(figure) else None


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq budget",
        description=(
            "The uncertainty budget of each average of a stored session: every contribution with its kind"
            " (A: from the scatter of readings, B: from elsewhere), standard uncertainty u, degrees of freedom"
            " and share of the combined variance."
        ),
    )
    parser.add_argument("store", metavar="STORE", help="results file")
    parser.add_argument(
        "--session",
        type=int,
        metavar="N",
        help="number of the session; that of the analysis or the newest with averages if absent",
    )
    parser.add_argument(
        "--analysis",
        type=int,
        default=0,
        metavar="N",
        help=(
            "number of the analysis whose averages are accounted for, as `daq export --table analyses` prints it;"
            " 0, what was averaged live, if absent"
        ),
    )
    parser.add_argument(
        "--trial",
        type=int,
        metavar="N",
        help="only the trial of that number, as `daq export` prints it",
    )
    parser.add_argument(
        "--json",
        action="store_true",
        help="print the same facts as JSON on standard output; null: infinite",
    )
    return parser
