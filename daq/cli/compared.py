"""The words of `daq compare`: the answer first, then the figures it rests on."""

import textwrap
from collections.abc import Iterable, Iterator

from daq.cli.repeats import repeats_sentence
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
    explanations,
    left_out_sentence,
    quoted,
    rests_on,
)

_WIDTH = 80


def render_words(
    comparison: SessionComparison,
    *,
    detect_percent: float | None,
    paragraphs: Iterable[Paragraph] = (),
) -> str:
    """Render a comparison for people.

    Args:
        comparison: Of a session.
        detect_percent: Size of a difference that matters [% of the baseline]; None where none is asked about.
        paragraphs: What else follows from the session.
    """
    return "\n".join(_lines(comparison, detect_percent, paragraphs)) + "\n"


def _lines(
    comparison: SessionComparison,
    detect_percent: float | None,
    paragraphs: Iterable[Paragraph],
) -> Iterator[str]:
    figures = comparison.figures
    yield from _wrapped(
        f"{figures.machine}: session {figures.number}, plan {figures.plan}, compared with {quoted(figures.baseline)}"
    )
    yield ""
    for sentence in answer_sentences(comparison):
        yield from _wrapped(sentence)
    yield from _repeats(comparison, detect_percent)
    for quantity, rows in tables_by_quantity(comparison):
        yield ""
        yield plain_text(titled(quantity))
        yield from (f"  {line}" for line in texts_aligned(rows))
        compared = comparison.of(quantity.name)
        if compared and compared.differences:
            yield from _wrapped(rests_on(compared), indent="  ")
    for paragraph in paragraphs:
        yield from ("", paragraph.title)
        if paragraph.table:
            yield from (f"  {line}" for line in texts_aligned(paragraph.table))
        for sentence in paragraph.sentences:
            yield from _wrapped(sentence, indent="  ")
    yield from _notes(comparison)


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


def _notes(comparison: SessionComparison) -> Iterator[str]:
    for paragraph in explanations(comparison):
        yield ""
        yield from _wrapped(paragraph)
    titled = (
        ("Notes:", comparison.figures.remarks),
        ("Not compared:", map(left_out_sentence, comparison.figures.left_out)),
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
