"""The settling rule on start-ups of known truth: how often it is wrong, how long it takes, what its uncertainty is worth.

    python tests/benchmarks/settling.py --family plain --seeds 11 12 13 14 --per-kind 20 [--kinds] [--jobs 2]
    python tests/benchmarks/settling.py --family foreign --only creep late_drift
    python tests/benchmarks/settling.py --folder DIR --goals plain

Records come from the project's own generator (tests/startups/) or from a folder of CSV files (`t_s`, `value`) with a
`manifest.json` as tests/startups/folders.py writes it; `--write DIR` writes the generator's records there instead of judging them.
What counts as false, missed or covered: tests/startups/verdicts.py. Bounds are for 95 %: Clopper and Pearson's for shares,
order statistics' for medians. A goal is met when the interval contains it or is better.
"""

import argparse
import functools
import multiprocessing
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.settling.presets import PRESETS
from tests.benchmarks.measuring import median, say, show_table
from tests.startups.bounds import Figure, mean, quantile, share
from tests.startups.folders import load_folder, write_folder
from tests.startups.records import StartUp, kinds, record
from tests.startups.verdicts import Judged, judge


@dataclass(frozen=True, slots=True)
class Row:
    """One figure of the study: its name, how it is found, its unit, and the goals by family."""

    words: str
    find: Callable[[Sequence[Judged]], Figure]
    unit: str
    goals: dict[str, float]
    at_least: bool = False

    def cells(self, judged: Sequence[Judged], family: str | None) -> tuple[str, ...]:
        """Name, figure with bounds, goal and verdict."""
        figure = self.find(judged)
        factor = 100.0 if self.unit == "%" else 1.0
        digits = 1 if self.unit == "s" else 3
        shown = f"{figure.text(factor=factor, digits=digits)} {self.unit}"
        goal = self.goals.get(family or "")
        if goal is None:
            return self.words, shown, "", ""
        allowed = figure.allows_at_least if self.at_least else figure.allows_at_most
        words = f"at {'least' if self.at_least else 'most'} {factor * goal:g}"
        if not allowed(goal):
            return self.words, shown, words, "MISSED"
        beaten = figure.value >= goal if self.at_least else figure.value <= goal
        return self.words, shown, words, "met" if beaten else "met within the bounds"


def _never(judged: Sequence[Judged]) -> list[Judged]:
    return [j for j in judged if j.never]


def _settling(judged: Sequence[Judged]) -> list[Judged]:
    return [j for j in judged if not j.never]


def _true(judged: Sequence[Judged]) -> list[Judged]:
    """Those declared that have a truth."""
    return [j for j in judged if j.error is not None]


def _delays(judged: Sequence[Judged]) -> list[float]:
    return [j.delay_s for j in judged if j.delay_s is not None]


def _to_results(judged: Sequence[Judged]) -> list[float]:
    return [j.to_result_s for j in judged if j.to_result_s is not None]


def _outside(judged: Judged) -> bool:
    return abs(judged.error or 0.0) > judged.tolerance


ROWS = (
    Row(
        "false settles",
        lambda js: share([j.false for j in js]),
        "%",
        {"plain": 0.003, "foreign": 0.04},
    ),
    Row(
        "  of those that never settle",
        lambda js: share([j.false for j in _never(js)]),
        "%",
        {},
    ),
    Row(
        "  of those that settle",
        lambda js: share([j.false for j in _settling(js)]),
        "%",
        {},
    ),
    Row(
        "missed",
        lambda js: share([j.missed for j in _settling(js)]),
        "%",
        {"plain": 0.01},
    ),
    Row(
        "delay, median",
        lambda js: quantile(_delays(js), 0.5),
        "s",
        {"plain": 85.0},
    ),
    Row("delay, 90 %", lambda js: quantile(_delays(js), 0.9), "s", {}),
    Row(
        "to result, median",
        lambda js: quantile(_to_results(js), 0.5),
        "s",
        {"plain": 160.0},
    ),
    Row("to result, 90 %", lambda js: quantile(_to_results(js), 0.9), "s", {}),
    Row(
        "covered",
        lambda js: share([j.covered for j in _true(js)]),
        "%",
        {"plain": 0.93, "foreign": 0.93},
        at_least=True,
    ),
    Row(
        "mean outside the tolerance",
        lambda js: share([_outside(j) for j in _true(js)]),
        "%",
        {},
    ),
    Row(
        "U, median",
        lambda js: quantile([j.u or 0.0 for j in _true(js)], 0.5),
        "%",
        {"plain": 0.0017},
    ),
    Row(
        "interval score",
        lambda js: mean([j.interval_score for j in _true(js)]),
        "%",
        {"plain": 0.0042, "foreign": 0.006},
    ),
    Row(
        "finished after a withdrawal",
        lambda js: share([j.withdrawn > 0 for j in js if j.declared]),
        "%",
        {"foreign": 0.10},
    ),
)


def show_figures(title: str, judged: Sequence[Judged], family: str | None) -> None:
    """All figures with bounds and goals."""
    show_table(
        f"{title}: {len(judged)} records",
        ("", "95 % bounds", "goal", ""),
        [row.cells(judged, family) for row in ROWS],
    )


def show_kinds(judged: Sequence[Judged]) -> None:
    """Counts and medians by kind."""
    names = dict.fromkeys(j.kind for j in judged)
    head = ("kind", "n", "false", "missed", "delay", "to result", "covered", "U/tol")
    rows = [_kind_row(kind, [j for j in judged if j.kind == kind]) for kind in names]
    show_table("By kind", (*head, "score %", "withdrawn"), rows)


def _kind_row(kind: str, judged: Sequence[Judged]) -> tuple[object, ...]:
    true = _true(judged)
    score = mean([j.interval_score for j in true]).value
    return (
        kind,
        len(judged),
        sum(j.false for j in judged),
        sum(j.missed for j in judged),
        f"{median(_delays(judged)):.0f}",
        f"{median(_to_results(judged)):.0f}",
        f"{sum(j.covered for j in true)}/{len(true)}",
        f"{median([(j.u or 0.0) / j.tolerance for j in true]):.2f}",
        f"{100.0 * score:.2f}",
        f"{sum(j.withdrawn > 0 for j in judged if j.declared)}/{sum(j.declared for j in judged)}",
    )


def show_wrong(judged: Sequence[Judged]) -> None:
    """Names of the records on which the rule was wrong."""
    for words, names in (
        ("false", [j.name for j in judged if j.false]),
        ("missed", [j.name for j in judged if j.missed]),
        ("not covered", [j.name for j in _true(judged) if not j.covered]),
    ):
        say(f"{words}: {' '.join(names) or '-'}")


def records_of(options: argparse.Namespace) -> Iterator[StartUp]:
    """What the command line asks for, seed by seed, kind by kind."""
    if options.folder is not None:
        for folder in options.folder:
            yield from load_folder(folder)
        return
    for seed in options.seeds:
        for kind in options.only or kinds(options.family):
            for index in range(options.per_kind):
                start_up = record(kind, seed, index, widen=options.widen)
                if not start_up.is_ambiguous:
                    yield start_up


def _options(arguments: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description="The settling rule against the truth.")
    parser.add_argument(
        "--folder",
        type=Path,
        nargs="+",
        metavar="DIR",
        help="records to judge, each folder with a manifest",
    )
    parser.add_argument("--family", choices=("plain", "foreign"), default="plain")
    parser.add_argument("--only", nargs="+", metavar="KIND", help="only these kinds")
    parser.add_argument("--seeds", type=int, nargs="+", default=[1], help="(1)")
    parser.add_argument("--per-kind", type=int, default=10, help="records a seed (10)")
    parser.add_argument("--preset", default="standard", help="of the rule (standard)")
    parser.add_argument(
        "--goals",
        choices=("plain", "foreign", "none"),
        help="which to hold the figures against (the family's; none for a folder)",
    )
    parser.add_argument(
        "--widen",
        type=float,
        default=1.0,
        help="judge by so many times the tolerance (1); records that may stay inside are left out",
    )
    parser.add_argument("--kinds", action="store_true", help="a table by kind as well")
    parser.add_argument("--wrong", action="store_true", help="name the wrong ones")
    parser.add_argument("--jobs", type=int, default=2, help="processes (2)")
    parser.add_argument("--write", type=Path, metavar="DIR", help="write, do not judge")
    return parser.parse_args(arguments)


def main(arguments: Sequence[str] | None = None) -> None:
    """Judge all records and print."""
    options = _options(arguments)
    if options.write is not None:
        say(f"{write_folder(options.write, records_of(options))} records")
        return
    chosen = PRESETS[options.preset].parameters
    with multiprocessing.get_context("spawn").Pool(options.jobs) as pool:
        run = functools.partial(judge, parameters=chosen)
        judged = list(pool.imap(run, records_of(options), chunksize=8))
    default = "none" if options.folder else options.family
    folders = [folder.name for folder in options.folder or ()]
    source = ", ".join(folders) or f"{options.family}, seeds {options.seeds}"
    show_figures(f"{source}, preset {options.preset}", judged, options.goals or default)
    if options.kinds:
        show_kinds(judged)
    if options.wrong:
        show_wrong(judged)


if __name__ == "__main__":
    main()
