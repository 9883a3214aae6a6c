"""The words of `daq compare`: the answer first, then the figures it rests on."""

import textwrap
from collections.abc import Iterable, Iterator
from dataclasses import replace

from daq.cli.repeats import repeats_sentence
from daq.comparison.observations import Quantity
from daq.comparison.session import SessionComparison
from daq.comparison_tables import (
    Paragraph,
    plain_text,
    tables_by_quantity,
    texts_aligned,
    titled,
)
from daq.comparison_words import (
    answer_sentences,
    below_table,
    cautions_ahead,
    explanations,
    left_out_sentences,
    quoted,
)
from daq.export import AnalysisSummary

_WIDTH = 80
_TAKEN_BY_LEAD = "voltage_drop"
_MORE = "--all shows every quantity, why a lead cannot be told, drift, assumptions."


def render_words(
    comparison: SessionComparison,
    *,
    detect_percent: float | None,
    paragraphs: Iterable[Paragraph] = (),
    is_brief: bool = False,
    analyses: Iterable[AnalysisSummary] = (),
) -> str:
    """Render a comparison for people.

    Args:
        comparison: Of a session.
        detect_percent: Size of a difference that matters [% of the baseline]; None where none is asked about.
        paragraphs: What else follows from the session.
        is_brief: Only what the answer is about, what the trials waited for, what was typed or imported, what a lead takes, and
            what follows; the last line says how to see the rest.
        analyses: Of the store; the newest other one of this session is named, for a log that was imported is only there.
    """
    shown = [*paragraphs]
    if is_brief:
        shown = [replace(p, details=()) for p in shown if not p.is_detail]
    lines = [*_lines(comparison, detect_percent, shown, is_brief=is_brief)]
    figures = comparison.figures
    newer = [
        each
        for each in analyses
        if each.session == figures.number and each.analysis > figures.analysis
    ]
    if newer:
        told = f"Analysis {newer[-1].analysis} of this session ({newer[-1].note}) is newer: --analysis {newer[-1].analysis} compares it."
        lines += ["", *_wrapped(told)]
    return "\n".join(lines) + "\n"


def _lines(
    comparison: SessionComparison,
    detect_percent: float | None,
    paragraphs: Iterable[Paragraph],
    *,
    is_brief: bool,
) -> Iterator[str]:
    figures = comparison.figures
    yield from _wrapped(
        f"{figures.machine}: session {figures.number}, plan {figures.plan}, compared with {quoted(figures.baseline)}"
    )
    yield ""
    for sentence in answer_sentences(comparison):
        yield from _wrapped(sentence)
    for caution in cautions_ahead(comparison):
        yield ""
        yield from _wrapped(caution)
    yield from _repeats(comparison, detect_percent)
    for quantity, rows in tables_by_quantity(comparison):
        if is_brief and not _is_wanted(quantity, comparison):
            continue
        yield ""
        yield plain_text(titled(quantity))
        yield from (f"  {line}" for line in texts_aligned(rows))
        for line in below_table(comparison, quantity):
            yield from _wrapped(line, indent="  ")
    for paragraph in paragraphs:
        yield from _paragraph_lines(paragraph)
    yield from _notes(comparison, is_brief=is_brief)
    if is_brief:
        yield from ("", _MORE)


def _paragraph_lines(paragraph: Paragraph) -> Iterator[str]:
    yield from ("", paragraph.title)
    if paragraph.table:
        yield from (f"  {line}" for line in texts_aligned(paragraph.table))
    for sentence in (*paragraph.sentences, *paragraph.details):
        yield from _wrapped(sentence, indent="  ")


def _is_wanted(quantity: Quantity, comparison: SessionComparison) -> bool:
    """Whether a quantity stands in a brief comparison."""
    return (
        quantity.required
        or quantity.name in {comparison.answer, _TAKEN_BY_LEAD}
        or quantity.name in comparison.figures.second_choice
    )


def _repeats(
    comparison: SessionComparison, detect_percent: float | None
) -> Iterator[str]:
    answer = comparison.of(comparison.answer) if comparison.answer else None
    if answer is None or not answer.differences:
        return
    if detect_percent is not None:
        yield ""
        yield from _wrapped(repeats_sentence(comparison, answer, detect_percent))
    elif answer.spread is None:
        yield ""
        yield from _wrapped(
            "--detect PERCENT tells how many repeats would show a difference of that size."
        )


def _notes(comparison: SessionComparison, *, is_brief: bool) -> Iterator[str]:
    for paragraph in explanations(comparison, is_brief=is_brief):
        yield ""
        yield from _wrapped(paragraph)
    titled = (
        ("Notes:", comparison.figures.remarks),
        ("Not compared:", left_out_sentences(comparison.figures)),
    )
    for title, items in titled:
        lines = [line for item in items for line in _wrapped(item, indent="  ")]
        if lines:
            yield from ("", title, *lines)


def _wrapped(text: str, *, indent: str = "") -> list[str]:
    return textwrap.wrap(
        plain_text(text),
        _WIDTH,
        initial_indent=indent,
        subsequent_indent=indent + "  ",
    )
