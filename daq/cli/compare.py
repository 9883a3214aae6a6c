"""`daq compare STORE`: what each condition costs against the baseline, and whether that is real."""

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from daq.cli.arguments import CommandParser, number_between
from daq.cli.compared import render_words
from daq.cli.repeats import repeats_content
from daq.cli.session_findings import findings_content, paragraphs, session_findings
from daq.comparison.session import SessionComparison, compare_session
from daq.comparison_tables import (
    render_comparison_csv,
    render_comparison_json,
    render_comparison_markdown,
)
from daq.errors import InputError
from daq.runtime.store.compared import read_session_figures
from daq.runtime.store.reading import read_analyses


def run(arguments: Sequence[str]) -> int:
    """Compare the conditions of a stored session."""
    options = _parser().parse_args(arguments)
    comparison = compared(
        Path(options.store), options.session, analysis=options.analysis
    )
    detect = options.detect or comparison.figures.facts.rules.detect_percent
    if options.csv:
        text = render_comparison_csv(comparison)
    else:
        text = _with_findings(options, comparison, detect)
    sys.stdout.write(text)
    return 0 if any(c.differences for c in comparison.comparisons) else 1


def _with_findings(
    options: argparse.Namespace, comparison: SessionComparison, detect: float | None
) -> str:
    found = session_findings(Path(options.store), comparison)
    if options.json:
        return render_comparison_json(
            comparison,
            repeats=repeats_content(comparison, detect),
            findings=findings_content(found),
        )
    if options.markdown:
        return render_comparison_markdown(comparison, paragraphs=paragraphs(found))
    return render_words(
        comparison,
        detect_percent=detect,
        paragraphs=paragraphs(found),
        is_brief=not options.all,
        analyses=read_analyses(Path(options.store)),
    )


def compared(store: Path, session: int | None, *, analysis: int) -> SessionComparison:
    """A stored session compared.

    Raises:
        InputError: If there is no such session, or its plan asks for what it does not have.
        ConfigurationError, StoreError: As of `read_session_figures`.
    """
    figures = read_session_figures(store, session, analysis=analysis)
    try:
        return compare_session(figures)
    except ValueError as exc:
        msg = f"{store}: {exc}"
        raise InputError(msg) from exc


def _parser() -> argparse.ArgumentParser:
    parser = CommandParser(
        prog="daq compare",
        description=(
            "Each condition of a stored session against the baseline: difference and ratio with their uncertainties,"
            " whether the difference is real, and what the session could have shown."
        ),
        epilog="Exit code 1 where nothing could be held against a baseline.",
    )
    add_store_arguments(parser)
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="the same facts for programs")
    form.add_argument(
        "--csv", action="store_true", help="a line a quantity and condition"
    )
    form.add_argument(
        "--all",
        action="store_true",
        help="every quantity, drift, and what was assumed; if absent, what the plan requires and what follows",
    )
    form.add_argument(
        "--markdown", action="store_true", help="answer and tables to paste"
    )
    parser.add_argument(
        "--detect",
        type=number_between(0.01, 100.0),
        metavar="PERCENT",
        help=(
            "how many repeats would show a difference of this size; the plan's [comparison] detect_percent if absent"
        ),
    )
    return parser


def add_store_arguments(parser: argparse.ArgumentParser) -> None:
    """Which session of which store."""
    parser.add_argument("store", metavar="STORE", help="results file")
    parser.add_argument(
        "--session",
        type=int,
        metavar="N",
        help="number of the session; that of the analysis, or the newest with averages, if absent",
    )
    parser.add_argument(
        "--analysis",
        type=int,
        default=0,
        metavar="N",
        help="number of the analysis whose averages are compared; 0, what was averaged live, if absent",
    )
