"""Each condition against the baseline, and the session's drift from trial to trial."""

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from daq.comparison.observations import Observation, Quantity
from daq.comparison.session import SessionComparison
from daq.comparison.verdicts import Difference, QuantityComparison, Verdict
from daq.comparison_words import quoted
from daq.report.drawing import (
    INK,
    RULE,
    SHADE,
    SOFT,
    drawn,
    few_ticks,
    figure_of,
    shortened,
)
from daq.report.markup import Markup
from daq.wording import unit_symbol

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_PLOTTED = 6
"""Quantities beyond these stand in the tables only."""

_FACES = {
    Verdict.REAL: ("o", INK),
    Verdict.NOT_SHOWN: ("o", "white"),
    Verdict.UNDECIDED: ("D", "white"),
}


def plotted_comparisons(comparison: SessionComparison) -> list[QuantityComparison]:
    """The quantities worth a drawing: the answer, what trials waited for, what is derived, then the rest."""
    with_differences = [c for c in comparison.comparisons if c.differences]
    in_order = sorted(
        with_differences,
        key=lambda c: (
            c.quantity.name != comparison.answer,
            not c.quantity.required,
            not c.quantity.formula,
        ),
    )
    return in_order[:MOST_PLOTTED]


def comparison_plot(compared: QuantityComparison) -> Markup:
    """Differences of one quantity with their intervals."""
    title = compared.quantity.title
    rows = len(compared.differences)
    return figure_of(
        drawn(
            lambda figure: _draw_differences(figure, compared),
            name=f"differences of {compared.quantity.name}",
            height_in=0.8 + 0.52 * rows,
            says=f"{title}: difference of each condition to {compared.baseline}, with intervals of 95 %; the same figures as in the table",
        )
    )


def _draw_differences(figure: "Figure", compared: QuantityComparison) -> None:
    scale, unit = _scale(compared)
    rows = len(compared.differences)
    height = 0.8 + 0.52 * rows
    axes = figure.add_axes(
        (0.04, 0.48 / height, 0.92, 1.0 - (0.48 + 0.24) / height),
    )
    axes.set_title(shortened(compared.quantity.title), fontweight="bold")
    for row, difference in enumerate(compared.differences):
        _draw_difference(axes, row, difference, scale)
    axes.set_ylim(rows - 0.45, -0.75)
    axes.spines["left"].set_visible(False)
    axes.margins(x=0.06)
    axes.set_xlabel(f"difference to {quoted(shortened(compared.baseline))} / {unit}")
    few_ticks(axes, x=6)
    axes.set_yticks([])


def _draw_difference(
    axes: "Axes", row: int, difference: Difference, scale: float
) -> None:
    at = difference.difference * scale
    half = difference.expanded_uncertainty * scale
    marker, face = _FACES[difference.verdict]
    # No line through the names: the baseline is marked in each row.
    axes.plot([0.0, 0.0], [row - 0.2, row + 0.24], color=INK, linewidth=1.0)
    if difference.least_real is not None:
        edge = difference.least_real * scale
        axes.fill_betweenx(
            [row - 0.16, row + 0.16], -edge, edge, color=SHADE, linewidth=0.0
        )
    axes.errorbar(
        at,
        row,
        xerr=half,
        fmt=marker,
        color=INK,
        markerfacecolor=face,
        markersize=6.0,
        capsize=3.5,
        linewidth=1.2,
    )
    axes.text(
        0.0,
        row - 0.24,
        shortened(difference.condition),
        transform=axes.get_yaxis_transform(),
        fontsize=9.5,
        va="bottom",
    )


def _scale(compared: QuantityComparison) -> tuple[float, str]:
    """Percent of the baseline where that has a meaning for all, else the quantity's unit."""
    has_ratio = all(d.ratio is not None for d in compared.differences)
    if has_ratio and compared.baseline_mean:
        return 100.0 / abs(compared.baseline_mean), "%"
    return 1.0, unit_symbol(compared.quantity.unit) or "1"


# ---- drift over the session


def drift_plots(comparison: SessionComparison) -> list[Markup]:
    """What can be seen of the session's drift: supply and room trial by trial, the answer against its own repeats."""
    figures = comparison.figures
    found = []
    for quantity in figures.quantities:
        seen = figures.observations.get(quantity.name, ())
        if quantity.name == comparison.answer:
            repeated = _against_own_mean(seen)
            if repeated:
                found.append(_drift_plot(quantity, repeated, figures.baseline, _OF_OWN))
        elif _is_surrounding(quantity) and len(seen) > 1:
            plain = [(o, o.mean, 2.0 * o.std_uncertainty_within) for o in seen]
            unit = unit_symbol(quantity.unit)
            found.append(_drift_plot(quantity, plain, figures.baseline, unit))
    return found


_OF_OWN = "% from its\ncondition's mean"
_Point = tuple[Observation, float, float]


def _is_surrounding(quantity: Quantity) -> bool:
    """Whether the conditions leave it alone, so that its change is the session's."""
    return not quantity.formula and quantity.place in {"supply end", "room"}


def _against_own_mean(seen: Sequence[Observation]) -> list[_Point]:
    """Trials of conditions that were repeated, in percent of their own condition's mean."""
    points = []
    for condition in dict.fromkeys(o.condition for o in seen):
        mine = [o for o in seen if o.condition == condition]
        mean = sum(o.mean for o in mine) / len(mine)
        if len(mine) > 1 and mean:
            points += [
                (
                    o,
                    100.0 * (o.mean / mean - 1.0),
                    200.0 * o.std_uncertainty_within / abs(mean),
                )
                for o in mine
            ]
    return points


def _drift_plot(
    quantity: Quantity, points: Sequence[_Point], baseline: str, unit: str
) -> Markup:
    where = f", {quantity.place}" if quantity.place else ""
    what = f"{quantity.title}{where}"
    return figure_of(
        drawn(
            lambda figure: _draw_drift(figure, points, baseline, (what, unit)),
            name=f"drift of {quantity.name}",
            height_in=2.0,
            says=f"{what}, trial by trial over the session",
        )
    )


def _draw_drift(
    figure: "Figure", points: Sequence[_Point], baseline: str, words: tuple[str, str]
) -> None:
    what, unit = words
    axes = figure.add_axes((0.18, 0.24, 0.79, 0.6))
    axes.set_title(shortened(what), fontweight="bold")
    first_s = min(o.at_s for o, *_ in points)
    base = sorted((o.at_s, y) for o, y, _ in points if o.condition == baseline)
    axes.plot(
        [(at - first_s) / 60.0 for at, _ in base],
        [y for _, y in base],
        color=SOFT,
        linewidth=0.9,
        zorder=1.0,
    )
    _draw_trials(axes, points, first_s, baseline)
    axes.margins(x=0.04, y=0.12)
    axes.grid(axis="y", color=RULE, linewidth=0.4)
    axes.set_ylabel(unit)
    axes.set_xlabel("time since the first trial's window / min")
    few_ticks(axes)


def _draw_trials(
    axes: "Axes", points: Iterable[_Point], first_s: float, baseline: str
) -> None:
    for observation, y, half in points:
        is_base = observation.condition == baseline
        axes.errorbar(
            (observation.at_s - first_s) / 60.0,
            y,
            yerr=half,
            fmt="s" if is_base else "o",
            color=INK if is_base else SOFT,
            markerfacecolor=INK if is_base else "white",
            markersize=5.0,
            capsize=2.0,
            linewidth=0.8,
        )
