"""How the machine follows the voltage at its own terminals: what was measured, and the fit where there is one."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from daq.comparison.levels import ConditionLevel
from daq.comparison.observations import Quantity
from daq.comparison.session import SessionComparison
from daq.report.content import FittedCurve, ReportContent
from daq.report.drawing import (
    ACTION,
    INK,
    RULE,
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


@dataclass(frozen=True, slots=True)
class _Drawing:
    """One quantity against the voltage at the machine: pairs of voltage and level, and the curve."""

    quantity: Quantity
    pairs: tuple[tuple[ConditionLevel, ConditionLevel], ...]
    baseline: str
    curve: FittedCurve | None


def voltage_plots(content: ReportContent) -> list[Markup]:
    """Airflow, power and current against the voltage at the machine, with the fit where there is one."""
    comparison = content.comparison
    curves = {curve.quantity: curve for curve in content.curves}
    voltage = _levels(comparison, content.machine_voltage)
    if len(voltage) < 2:
        return []
    found = []
    for quantity in _followed(comparison, set(curves)):
        levels = _levels(comparison, quantity.name)
        pairs = tuple(
            (voltage[name], levels[name]) for name in voltage if name in levels
        )
        if len(pairs) > 1:
            curve = curves.get(quantity.name)
            found.append(
                _plot(_Drawing(quantity, pairs, comparison.figures.baseline, curve))
            )
    return found


def _levels(comparison: SessionComparison, name: str) -> dict[str, ConditionLevel]:
    return {each.condition: each for each in comparison.levels if each.quantity == name}


def _followed(comparison: SessionComparison, fitted: set[str]) -> list[Quantity]:
    """What was fitted; without a fit the answer and what the machine takes up."""
    quantities = comparison.figures.quantities
    if fitted:
        return [q for q in quantities if q.name in fitted]
    return [
        q
        for q in quantities
        if q.name == comparison.answer
        or (not q.formula and q.quantity in {"power", "current"})
    ]


def _plot(drawing: _Drawing) -> Markup:
    title = drawing.quantity.title
    fit = " and the fit with its interval" if drawing.curve else ""
    return figure_of(
        drawn(
            lambda figure: _draw(figure, drawing),
            name=f"{drawing.quantity.name} by voltage",
            height_in=2.6,
            says=f"{title} against the voltage at the machine: each condition's mean with its uncertainty{fit}",
        )
    )


def _draw(figure: "Figure", drawing: _Drawing) -> None:
    axes = figure.add_axes((0.17, 0.18, 0.8, 0.7))
    axes.set_title(shortened(drawing.quantity.title), fontweight="bold")
    if curve := drawing.curve:
        axes.fill_between(
            curve.voltages_v,
            curve.low,
            curve.high,
            color=ACTION,
            alpha=0.14,
            linewidth=0.0,
        )
        axes.plot(curve.voltages_v, curve.values, color=ACTION, linewidth=1.3)
    _draw_points(axes, drawing.pairs, drawing.baseline)
    axes.grid(color=RULE, linewidth=0.4)
    axes.margins(0.06)
    axes.set_xlabel("voltage at the machine / V")
    axes.set_ylabel(unit_symbol(drawing.quantity.unit) or "1")
    few_ticks(axes)


def _draw_points(
    axes: "Axes",
    pairs: Sequence[tuple[ConditionLevel, ConditionLevel]],
    baseline: str,
) -> None:
    for voltage, level in pairs:
        is_base = level.condition == baseline
        axes.errorbar(
            voltage.mean,
            level.mean,
            xerr=voltage.expanded_uncertainty,
            yerr=level.expanded_uncertainty,
            fmt="s" if is_base else "o",
            color=INK,
            markerfacecolor=INK if is_base else "white",
            markersize=5.5,
            linewidth=0.8,
        )
