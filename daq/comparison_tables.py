"""A comparison as flat rows, and these as CSV, JSON and Markdown: the same facts, full precision for programs."""

import dataclasses
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from daq.comparison.observations import Quantity
from daq.comparison.session import SessionComparison
from daq.comparison.verdicts import Difference, QuantityComparison
from daq.comparison_words import (
    answer_sentences,
    below_table,
    cautions_ahead,
    explanations,
    left_out_sentences,
    share_sentence,
    shown_difference,
    shown_level,
    shown_percentage,
)
from daq.export import csv_text, json_document
from daq.wording import unit_symbol


@dataclass(frozen=True, slots=True)
class ComparedRow:
    """One quantity under one condition, held against the baseline.

    Figures from `mean` to `vanishing_spread`, the ratio and its uncertainty apart, have `unit`.

    Attributes:
        session: Number of the session in its store.
        analysis: Whose averages; 0: live.
        quantity: Name of the channel, or of what is derived.
        title: For people.
        unit: As on the bench.
        condition: What was fitted.
        is_baseline: Whether it is the baseline itself; then what follows the mean's factor is None.
        trials: Numbers of its trials in the store, with spaces between.
        mean: Of the trial means.
        expanded_uncertainty: Of the mean, 95 %, with what is stated of the meters' errors.
        coverage_factor: [1] of that.
        difference: To the baseline.
        difference_expanded_uncertainty: 95 %; what both have in common counts once.
        ratio: [1] to the baseline; None where that may be zero.
        ratio_expanded_uncertainty: [1].
        verdict: One of comparison.verdicts.Verdict.
        least_real: What the difference had to exceed; None where undecided.
        detectable: Difference that is found 4 times in 5 by a session like this; None where undecided.
        vanishing_spread: Undecided: spread between trials at which the difference vanishes.
        spread: Between trials, that the verdict rests on; None where undecided.
        spread_degrees_of_freedom: [1].
        spread_source: One of comparison.spread.SpreadSource.
        is_drift_corrected: Whether the baseline's drift was taken out of the difference.
        other_difference: The difference the other way: with the correction where it was left out, without where it was
            made; None with a single baseline trial.
        other_difference_expanded_uncertainty: Of that.
        formula: How the quantity is derived; empty for a channel.
    """

    session: int
    analysis: int
    quantity: str
    title: str
    unit: str
    condition: str
    is_baseline: bool
    trials: str
    mean: float
    expanded_uncertainty: float
    coverage_factor: float
    difference: float | None = None
    difference_expanded_uncertainty: float | None = None
    ratio: float | None = None
    ratio_expanded_uncertainty: float | None = None
    verdict: str | None = None
    least_real: float | None = None
    detectable: float | None = None
    vanishing_spread: float | None = None
    spread: float | None = None
    spread_degrees_of_freedom: float | None = None
    spread_source: str | None = None
    is_drift_corrected: bool | None = None
    other_difference: float | None = None
    other_difference_expanded_uncertainty: float | None = None
    formula: str = ""


@dataclass(frozen=True, slots=True)
class Paragraph:
    """One topic in words.

    Attributes:
        title: Its heading.
        sentences: For people, each whole.
        table: Rows of texts, the heading first; empty for none.
        details: Sentences that can be left out: assumptions, and what is said of single trials.
        is_detail: Whether all of it can be left out.
    """

    title: str
    sentences: tuple[str, ...]
    table: tuple[Sequence[str], ...] = ()
    details: tuple[str, ...] = ()
    is_detail: bool = False


def compared_rows(comparison: SessionComparison) -> list[ComparedRow]:
    """Flatten a comparison: a row a quantity and condition, in the order of its levels."""
    figures = comparison.figures
    quantities = {quantity.name: quantity for quantity in figures.quantities}
    rows = []
    for level in comparison.levels:
        quantity = quantities[level.quantity]
        row = ComparedRow(
            session=figures.number,
            analysis=figures.analysis,
            quantity=quantity.name,
            title=quantity.title,
            unit=quantity.unit,
            condition=level.condition,
            is_baseline=level.condition == figures.baseline,
            trials=" ".join(map(str, level.trials)),
            mean=level.mean,
            expanded_uncertainty=level.expanded_uncertainty,
            coverage_factor=level.coverage_factor,
            formula=quantity.formula,
        )
        compared = comparison.of(level.quantity)
        found = difference_of(comparison, level.quantity, level.condition)
        rows.append(
            _with_difference(row, found, compared) if found and compared else row
        )
    return rows


def difference_of(
    comparison: SessionComparison, quantity: str, condition: str
) -> Difference | None:
    """A condition's difference to the baseline in one quantity; None where there is none."""
    compared = comparison.of(quantity)
    found = compared.differences if compared else ()
    return next((d for d in found if d.condition == condition), None)


def _with_difference(
    row: ComparedRow, found: Difference, compared: QuantityComparison
) -> ComparedRow:
    spread = compared.spread
    other = next(
        (d for d in compared.other_differences if d.condition == found.condition), None
    )
    return dataclasses.replace(
        row,
        difference=found.difference,
        difference_expanded_uncertainty=found.expanded_uncertainty,
        ratio=found.ratio,
        ratio_expanded_uncertainty=found.ratio_expanded_uncertainty,
        verdict=found.verdict.value,
        least_real=found.least_real,
        detectable=found.detectable,
        vanishing_spread=found.vanishing_spread,
        spread=spread.std_dev if spread else None,
        spread_degrees_of_freedom=spread.degrees_of_freedom if spread else None,
        spread_source=spread.source.value if spread else None,
        is_drift_corrected=found.is_corrected,
        other_difference=other.difference if other else None,
        other_difference_expanded_uncertainty=(
            other.expanded_uncertainty if other else None
        ),
    )


_NAMES = tuple(field.name for field in dataclasses.fields(ComparedRow))


def render_comparison_csv(comparison: SessionComparison) -> str:
    """Render a line a quantity and condition."""
    return csv_text(_NAMES, map(dataclasses.astuple, compared_rows(comparison)))


def comparison_content(comparison: SessionComparison) -> dict[str, object]:
    """The comparison as plain values, for a JSON document."""
    figures = comparison.figures
    return {
        "session": figures.number,
        "bench": figures.bench,
        "plan": figures.plan,
        "machine": figures.machine,
        "started_utc": figures.started_utc,
        "software": figures.software,
        "analysis": figures.analysis,
        "baseline": figures.baseline,
        "answer": {
            "quantity": comparison.answer,
            "sentences": answer_sentences(comparison),
        },
        "comparison": [
            {name: _finite(value) for name, value in dataclasses.asdict(row).items()}
            for row in compared_rows(comparison)
        ],
        "left_out": [dataclasses.asdict(each) for each in figures.left_out],
        "remarks": list(figures.remarks),
        "accuracy_not_stated": list(figures.unstated),
        "trials_with_losses": list(figures.lost_something),
        "stood_still": [dataclasses.asdict(each) for each in figures.stood_still],
        "assumptions": [share_sentence(figures.facts.rules.common_share)],
    }


def render_comparison_json(comparison: SessionComparison, **more: object) -> str:
    """Render the comparison as one JSON document.

    Args:
        comparison: Of a session.
        more: Further findings, plain values by name.
    """
    return json_document({**comparison_content(comparison), **more})


def render_comparison_markdown(
    comparison: SessionComparison, *, paragraphs: Iterable[Paragraph] = ()
) -> str:
    """Render the answer, a table a quantity with what its verdicts rest on, and what was left out.

    Args:
        comparison: Of a session.
        paragraphs: What else follows from the session.
    """
    figures = comparison.figures
    lines = [f"## {_cell(figures.machine)}: compared with {_cell(figures.baseline)}"]
    lines += ["", *_items(answer_sentences(comparison))]
    for caution in cautions_ahead(comparison):
        lines += ["", _cell(caution)]
    for quantity, rows in tables_by_quantity(comparison):
        lines += ["", f"### {_cell(titled(quantity))}", ""]
        lines += _table(rows)
        for line in below_table(comparison, quantity):
            lines += ["", _cell(line)]
    for paragraph in paragraphs:
        lines += _paragraph_lines(paragraph)
    for explanation in explanations(comparison):
        lines += ["", _cell(explanation)]
    for title, items in (
        ("Notes", figures.remarks),
        ("Not compared", _left_out(comparison)),
    ):
        if items:
            lines += ["", f"### {title}", "", *_items(items)]
    return "\n".join(lines) + "\n"


def _paragraph_lines(paragraph: Paragraph) -> list[str]:
    lines = ["", f"### {_cell(paragraph.title)}", ""]
    if paragraph.table:
        lines += [*_table(paragraph.table), ""]
    return [*lines, *_items((*paragraph.sentences, *paragraph.details))]


def _table(rows: Sequence[Sequence[str]]) -> list[str]:
    heading, *others = ["| " + " | ".join(map(_cell, row)) + " |" for row in rows]
    return [heading, "|" + " --- |" * len(rows[0]), *others]


def _left_out(comparison: SessionComparison) -> list[str]:
    return list(left_out_sentences(comparison.figures))


def _items(texts: Iterable[str]) -> list[str]:
    return [f"- {_cell(text)}" for text in texts]


def tables_by_quantity(
    comparison: SessionComparison,
) -> Iterator[tuple[Quantity, list[tuple[str, ...]]]]:
    """A table of texts a quantity, in its unit, with a heading first; the answer's before the others."""
    for quantity in sorted(
        comparison.figures.quantities, key=lambda q: q.name != comparison.answer
    ):
        rows: list[tuple[str, ...]] = [_HEADING]
        for level in comparison.levels:
            if level.quantity != quantity.name:
                continue
            shown = shown_level(level.mean, level.expanded_uncertainty, _NO_UNIT)
            found = difference_of(comparison, level.quantity, level.condition)
            rest = _shown(found) if found else _NOT_COMPARED
            if level.condition == comparison.figures.baseline:
                rest = ("", "", "baseline")
            rows.append((level.condition, shown, *rest))
        if len(rows) > 1:
            yield quantity, rows


def titled(quantity: Quantity) -> str:
    """A quantity's title with the unit of its table."""
    symbol = unit_symbol(quantity.unit)
    return f"{quantity.title} in {symbol}" if symbol else quantity.title


_HEADING = ("condition", "mean ± U", "difference", "in %", "verdict")
_NOT_COMPARED = ("", "", "no baseline")
_NO_UNIT = "1"


def _shown(found: Difference) -> tuple[str, str, str]:
    return (
        shown_difference(found, _NO_UNIT),
        shown_percentage(found).removesuffix(" %"),
        found.verdict.value,
    )


_MARKUP = frozenset("\\`*_[]|#<>&~$")


def _cell(text: str) -> str:
    """Text that Markdown takes as it is: no markup, no table edge, no HTML, no list where it begins."""
    escaped = "".join(f"\\{c}" if c in _MARKUP else c for c in plain_text(text))
    return re.sub(r"^(\d*)([-+.)])(?= |$)", r"\1\\\2", escaped)


def plain_text(text: str) -> str:
    """A text in one line, without what a terminal would obey."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _finite(value: object) -> object:
    return None if isinstance(value, float) and not math.isfinite(value) else value


def texts_aligned(rows: Sequence[Sequence[str]]) -> list[str]:
    """Lines of a table with its columns under each other."""
    texts = [[plain_text(cell) for cell in row] for row in rows]
    widths = [max(map(len, column)) for column in zip(*texts, strict=True)]
    return [
        "  ".join(
            cell.ljust(width) for cell, width in zip(row, widths, strict=True)
        ).rstrip()
        for row in texts
    ]
