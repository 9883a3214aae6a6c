"""Tables that a telephone can show too: there each row becomes a short list, and every cell tells its heading."""

from collections.abc import Iterable, Sequence

from daq.comparison.levels import ConditionLevel
from daq.comparison.observations import Quantity
from daq.comparison.session import SessionComparison
from daq.comparison.verdicts import Difference, Verdict
from daq.comparison_tables import difference_of
from daq.comparison_words import (
    shown_difference,
    shown_level,
    shown_percentage,
)
from daq.report.content import Fact
from daq.report.markup import Markup, element
from daq.wording import decimals_of_uncertainty, unit_symbol

MARKS = {Verdict.REAL: "●", Verdict.NOT_SHOWN: "○", Verdict.UNDECIDED: "◇"}
"""A verdict's shape, in tables as in drawings."""

_HEADING = ("condition", "mean ± U", "difference", "in %", "verdict", "rests on")


def table(
    heading: Sequence[str],
    rows: Iterable[Sequence[str]],
    *,
    class_: str = "",
    numbers: Sequence[int] = (),
) -> Markup:
    """A table.

    Args:
        heading: Of the columns.
        rows: Texts or markup; the first cell names the row.
        class_: For its looks.
        numbers: Columns whose figures stand flush right.
    """
    head = element(
        "tr",
        *(
            element("th", each, scope="col", class_="number" if i in numbers else "")
            for i, each in enumerate(heading)
        ),
    )
    body = [_row(heading, cells, numbers) for cells in rows]
    return element(
        "div",
        element(
            "table",
            element("thead", head),
            element("tbody", *body),
            class_=class_,
        ),
        class_="wide",
    )


def _row(
    heading: Sequence[str], cells: Sequence[str], numbers: Sequence[int]
) -> Markup:
    first, *others = cells
    written = [element("th", first, scope="row")]
    for place, (label, cell) in enumerate(zip(heading[1:], others, strict=False), 1):
        names = " ".join(
            name
            for name, applies in (("number", place in numbers), ("empty", not cell))
            if applies
        )
        written.append(element("td", cell, data_label=label, class_=names))
    return element("tr", *written)


def facts(pairs: Iterable[Fact], *, class_: str = "facts") -> Markup:
    """What is called what, as a list."""
    return element(
        "dl",
        *(
            element("div", element("dt", name), element("dd", value))
            for name, value in pairs
            if value
        ),
        class_=class_,
    )


def bullets(sentences: Iterable[str]) -> Markup:
    """Sentences below each other; nothing for none."""
    items = [element("li", sentence) for sentence in sentences]
    return element("ul", *items) if items else Markup()


def comparison_table(comparison: SessionComparison, quantity: Quantity) -> Markup:
    """One quantity, condition by condition."""
    baseline = comparison.figures.baseline
    levels = [each for each in comparison.levels if each.quantity == quantity.name]
    levels.sort(key=lambda each: each.condition != baseline)
    rows = [_compared(comparison, level, quantity) for level in levels]
    averaged = {level.condition for level in levels}
    rows += [
        (each.name, "not averaged", "", "", "", "see what was left out")
        for each in comparison.figures.facts.conditions
        if each.name not in averaged
    ]
    return table(_HEADING, rows, class_="comparison", numbers=(1, 2, 3))


def _compared(
    comparison: SessionComparison, level: ConditionLevel, quantity: Quantity
) -> tuple[str, ...]:
    shown = shown_level(level.mean, level.expanded_uncertainty, quantity.unit)
    found = difference_of(comparison, level.quantity, level.condition)
    if found is None:
        is_base = level.condition == comparison.figures.baseline
        word = "baseline" if is_base else "no baseline"
        return (level.condition, shown, "", "", word, _trials(level))
    return (
        level.condition,
        shown,
        shown_difference(found, quantity.unit),
        shown_percentage(found),
        verdict_cell(found.verdict),
        f"{_trials(level)}{_had_to_exceed(found, quantity.unit)}",
    )


def verdict_cell(verdict: Verdict) -> Markup:
    """A verdict by shape and word."""
    mark = element("span", MARKS[verdict], class_="mark", aria_hidden="true")
    return element("span", mark, " ", verdict.value)


def _trials(level: ConditionLevel) -> str:
    numbers = ", ".join(map(str, level.trials))
    return f"trial{'s' if len(level.trials) > 1 else ''} {numbers}"


def _had_to_exceed(found: Difference, unit: str) -> str:
    if found.least_real is None:
        return ""
    decimals = decimals_of_uncertainty(found.least_real)
    size = f"{found.least_real:.{decimals}f} {unit_symbol(unit)}".rstrip()
    return f"; real from {size} on"
