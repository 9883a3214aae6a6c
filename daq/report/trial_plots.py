"""Each trial as it went: readings, the window that was averaged, and the mean.

The heights of the axes are chosen by what came after the run-up: an inrush of five times the level would flatten all that
matters.
"""

from typing import TYPE_CHECKING

import numpy as np

from daq.report.content import ChannelTrace, TrialTrace
from daq.report.drawing import (
    INK,
    RULE,
    SETTLED,
    SHADE,
    SOFT,
    drawn,
    few_ticks,
    figure_of,
    shortened,
)
from daq.report.markup import Markup, element, joined
from daq.report.thinning import thinned
from daq.wording import shown_average, unit_symbol

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_POINTS = 45_000
"""Of all drawings together; a page must stay small enough to be sent."""
_FINEST, _COARSEST = 300, 60
_LONG_S = 300.0


def trial_plots(traces: tuple[TrialTrace, ...]) -> list[Markup]:
    """A drawing a trial; none of a trial without readings."""
    channels = sum(len(trace.channels) for trace in traces) or 1
    buckets = min(max(_POINTS // (2 * channels), _COARSEST), _FINEST)
    return [_plot(trace, buckets) for trace in traces if trace.channels]


def _plot(trace: TrialTrace, buckets: int) -> Markup:
    height = 0.48 + 1.0 * len(trace.channels)
    again = f", time {trace.repeat}" if trace.repeat > 1 else ""
    name = f"Trial {trace.number}: {trace.condition}{again}"
    ended = trace.state if trace.window_s is None else ""
    note = f"{ended}. {trace.note}".strip(". ") if trace.note or ended else ""
    svg = drawn(
        lambda figure: _draw(figure, trace, buckets, height),
        name=f"trial {trace.number}",
        height_in=height,
        says=f"{name}: readings from switch-on, the settled window and the mean",
    )
    head = element("p", element("b", name), joined([f"  {note}"] if note else []))
    return element("div", head, figure_of(svg), class_="trial")


def _draw(figure: "Figure", trace: TrialTrace, buckets: int, height: float) -> None:
    rows = len(trace.channels)
    ends = [c.elapsed_s[-1] for c in trace.channels if len(c.elapsed_s)]
    is_long = max(ends, default=0.0) > _LONG_S
    scale, unit = (60.0, "min") if is_long else (1.0, "s")
    for row, channel in enumerate(trace.channels):
        top = height - 0.22 - 1.0 * row
        axes = figure.add_axes((0.16, (top - 0.66) / height, 0.82, 0.66 / height))
        _draw_channel(axes, trace, channel, buckets, scale)
        axes.set_xlim(0.0, max(ends, default=1.0) / scale)
        if row < rows - 1:
            axes.set_xticklabels([])
        else:
            axes.set_xlabel(f"time since switch-on / {unit}", labelpad=2.0)


def _draw_channel(
    axes: "Axes",
    trace: TrialTrace,
    channel: ChannelTrace,
    buckets: int,
    scale: float,
) -> None:
    times, values = thinned(channel.elapsed_s, channel.values, buckets=buckets)
    axes.plot(times / scale, values, color=INK, linewidth=0.7)
    if trace.run_up_s is not None:
        axes.axvspan(0.0, trace.run_up_s / scale, color=SHADE, linewidth=0.0)
    if trace.window_s is not None:
        start, end = (each / scale for each in trace.window_s)
        axes.axvspan(start, end, color=SETTLED, alpha=0.12, linewidth=0.0)
        if channel.level is not None:
            axes.plot([start, end], [channel.level] * 2, color=SETTLED, linewidth=1.8)
    axes.set_ylim(*_range(trace, channel))
    axes.grid(axis="y", color=RULE, linewidth=0.4)
    few_ticks(axes, y=3)
    axes.tick_params(length=2.5, pad=2.0)
    axes.set_title(shortened(channel.title), color=SOFT, fontsize=9.0, pad=2.0)
    axes.set_title(
        _level(channel), loc="right", fontsize=9.0, pad=2.0, fontweight="bold"
    )


def _level(channel: ChannelTrace) -> str:
    if channel.mean is None:
        return unit_symbol(channel.unit)
    return shown_average(channel.mean, channel.expanded_uncertainty, channel.unit)


def _range(trace: TrialTrace, channel: ChannelTrace) -> tuple[float, float]:
    """What came between run-up and switch-off, a few wild readings apart, and the mean."""
    times = channel.elapsed_s
    last_s = trace.window_s[1] if trace.window_s else 0.98 * times[-1]
    after = channel.values[(times >= (trace.run_up_s or 0.0)) & (times <= last_s)]
    if not len(after):
        return 0.0, 1.0
    low, high = (float(each) for each in np.percentile(after, (2.0, 98.0)))
    if channel.level is not None:
        low, high = min(low, channel.level), max(high, channel.level)
    spare = 0.15 * (high - low) or 0.01 * abs(high) or 1.0
    return low - spare, high + spare
