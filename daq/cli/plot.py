"""Draws one record with what the settling rule made of it: readings, window, mean and bands.

Above the whole record, below a close-up, because a tolerance of half a percent is thinner than a line beside the
inrush. The drawing library is an optional extra and is loaded only here. An SVG file of the same record is the same
to the byte, and its text stays text.
"""

import bisect
import io
import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from daq.errors import InputError
from daq.settling.record import RecordVerdict
from daq.wording import decimals_of_uncertainty

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.typing import RcKeyType

KINDS = ("svg", "png")
"""File name extensions that can be drawn."""

# The colours of the live page: ink on paper, and colour for what is meant only.
_PAPER, _INK, _SOFT, _RULE = "#f8f6f1", "#1c1a17", "#5d574e", "#cdc6b9"
_SETTLED, _NOT_SETTLED, _MOMENT = "#1c6a36", "#8a4b00", "#0b559f"

_MOST_DRAWN = 3000
"""More readings than this are drawn by the lowest and highest of each stretch."""
_LAST_STRETCH_S = 60.0
"""Where nothing is settled, the close-up shows the level of this last stretch."""

_STYLE: "dict[RcKeyType, Any]" = {
    "svg.hashsalt": "steadybench",
    "svg.fonttype": "none",
    # A column may be called what it likes.
    "text.parse_math": False,
    "font.size": 10.0,
    "text.color": _INK,
    "axes.labelcolor": _INK,
    "axes.edgecolor": _RULE,
    "axes.facecolor": _PAPER,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.formatter.useoffset": False,
    "figure.constrained_layout.w_pad": 0.12,
    "figure.facecolor": _PAPER,
    "savefig.facecolor": _PAPER,
    "xtick.color": _SOFT,
    "ytick.color": _SOFT,
    "legend.frameon": False,
}


@dataclass(frozen=True, slots=True)
class Picture:
    """What is drawn.

    Attributes:
        title: The verdict in a line.
        subtitle: By what it was judged.
        time_label: Of the horizontal axis.
        value_label: Of the vertical axes.
        times_s: Of the readings [s].
        values: Likewise [unit of the record].
        tolerance: Relative half-width of the band [1].
        verdict: What the rule says.
        even_so: A mean that has not settled is drawn too.
    """

    title: str
    subtitle: str
    time_label: str
    value_label: str
    times_s: Sequence[float]
    values: Sequence[float]
    tolerance: float
    verdict: RecordVerdict
    even_so: bool = False


@dataclass(frozen=True, slots=True)
class _Level:
    """Where the close-up is; with a name also a horizontal line, and its band.

    Attributes:
        value: [unit of the record]
        half_width: Of the band [same]; None where there is none.
        colour: Of line and band.
        name: In the legend; None where nothing is drawn, for it would look like a result.
    """

    value: float
    half_width: float | None
    colour: str
    name: str | None


def render_plot(picture: Picture, *, kind: str) -> bytes:
    """Draw it.

    Args:
        picture: What to draw.
        kind: One of KINDS.

    Raises:
        InputError: If the drawing library is not installed.
    """
    try:
        import matplotlib as mpl  # a second of loading, and not everybody has it
        from matplotlib.figure import Figure
    except ImportError as exc:
        msg = "--plot needs a library that is not installed, expected: pip install matplotlib"
        raise InputError(msg) from exc
    drawn = io.BytesIO()
    # Neither the date nor the library's version belongs into a picture of the same readings.
    metadata = {"Date": None, "Creator": None} if kind == "svg" else {"Software": None}
    with mpl.rc_context():
        # Nor the user's own settings of the library.
        mpl.rcdefaults()
        mpl.rcParams.update(_STYLE)
        figure = Figure(figsize=(9.6, 6.4), layout="constrained")
        _draw(figure, picture)
        figure.savefig(drawn, format=kind, dpi=150, metadata=metadata)
    return drawn.getvalue()


def save_plot(picture: Picture, path: Path) -> None:
    """Write it to a file, whole or not at all.

    Raises:
        InputError: If it cannot be written.
    """
    content = render_plot(picture, kind=path.suffix[1:].lower())
    try:
        path.write_bytes(content)
    except OSError as exc:
        msg = f"{path}: cannot be written: {exc.strerror or exc}"
        raise InputError(msg) from exc


def _draw(figure: "Figure", picture: Picture) -> None:
    whole, close = figure.subplots(
        2, 1, sharex=True, gridspec_kw={"height_ratios": [1.0, 2.4]}
    )
    mark = _SETTLED if picture.verdict.settled else _NOT_SETTLED
    figure.suptitle(
        picture.title, x=0.015, ha="left", fontsize=15, fontweight="bold", color=mark
    )
    whole.set_title(picture.subtitle, loc="left", fontsize=9.5, color=_SOFT)
    times_s, values = _thinned(picture.times_s, picture.values)
    for axes in (whole, close):
        axes.plot(times_s, values, color=_INK, linewidth=0.7, label="readings")
        axes.grid(axis="y", color=_RULE, linewidth=0.4)
        axes.margins(x=0.01)
        _shade_window(axes, picture.verdict)
    level = _level(picture)
    _bands(close, picture, level)
    low, high = _close_up(picture, level)
    close.set_ylim(low, high)
    _moments(whole, close, picture.verdict)
    shown = whole.axhspan(low, high, color=_MOMENT, alpha=0.08, linewidth=0.0)
    whole.set_ylabel("whole record")
    close.set_ylabel(picture.value_label)
    close.set_xlabel(picture.time_label)
    handles, labels = close.get_legend_handles_labels()
    figure.legend(
        [*handles, shown],
        [*labels, "shown enlarged below"],
        loc="outside lower center",
        ncols=3,
    )


def _shade_window(axes: "Axes", verdict: RecordVerdict) -> None:
    window = verdict.window
    if window is not None:
        axes.axvspan(
            window.start_s,
            window.end_s,
            color=_SETTLED,
            alpha=0.10,
            linewidth=0.0,
            label="settled window",
        )


def _bands(axes: "Axes", picture: Picture, level: _Level) -> None:
    verdict, end_s = picture.verdict, picture.times_s[-1]
    window = (verdict.window or verdict.unsettled_window) if level.name else None
    from_s, to_s = _last_stretch(picture)
    if window is not None:
        from_s, to_s = window.start_s, window.end_s
    half = abs(level.value) * picture.tolerance
    edges = [level.value - half, level.value + half]
    axes.hlines(
        edges,
        # About a mean that has not settled it must not look like a verdict on the whole record.
        picture.times_s[0] if verdict.settled else from_s,
        end_s if verdict.settled else to_s,
        colors=_SOFT,
        linewidths=0.9,
        linestyles=(0, (6, 4)),
        label="tolerance" if level.name else "tolerance, about the last readings",
    )
    if level.name is None:
        return
    # Below the readings, which a flat record would else hide behind it.
    axes.plot(
        [from_s, to_s],
        [level.value, level.value],
        color=level.colour,
        linewidth=2.6,
        label=level.name,
        zorder=1.5,
    )
    if level.half_width is not None:
        axes.fill_between(
            [from_s, to_s],
            level.value - level.half_width,
            level.value + level.half_width,
            color=level.colour,
            alpha=0.25,
            linewidth=0.0,
            label="± U (95 %)",
        )


def _moments(whole: "Axes", close: "Axes", verdict: RecordVerdict) -> None:
    """Vertical lines, named at the top of the close-up."""
    moments = [
        (verdict.started_s, "switched on"),
        (verdict.declared_s, "declared"),
        (verdict.confirmed_s, "confirmed"),
    ]
    for at_s, word in moments:
        if at_s is None:
            continue
        for axes in (whole, close):
            axes.axvline(at_s, color=_MOMENT, linewidth=0.9, linestyle=":")
        close.annotate(
            word,
            (at_s, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(3, -3),
            textcoords="offset points",
            rotation=90,
            ha="left",
            va="top",
            fontsize=8.5,
            color=_MOMENT,
        )


def _level(picture: Picture) -> _Level:
    """The mean with U; where nothing is settled what there is instead."""
    verdict = picture.verdict
    expanded = verdict.expanded_uncertainty
    if verdict.mean is not None:
        name = f"mean {_rounded(verdict.mean, expanded)}"
        return _Level(verdict.mean, expanded, _SETTLED, name)
    mean, expanded = verdict.unsettled_mean, verdict.unsettled_uncertainty
    if picture.even_so and mean is not None:
        name = f"mean of the last stretch {_rounded(mean, expanded)}, NOT SETTLED"
        return _Level(mean, expanded, _NOT_SETTLED, name)
    last = sorted(_between(picture, *_last_stretch(picture)))
    return _Level(last[len(last) // 2], None, _NOT_SETTLED, None)


def _last_stretch(picture: Picture) -> tuple[float, float]:
    """From when to when the run that was judged came to its end [s]."""
    verdict, end_s = picture.verdict, picture.times_s[-1]
    if verdict.switched_off_s is not None:
        # The reading before it is the last one of the run.
        after = bisect.bisect_left(picture.times_s, verdict.switched_off_s)
        end_s = picture.times_s[max(after - 1, 0)]
    elif verdict.silence is not None:
        end_s = verdict.silence.start_s
    return end_s - _LAST_STRETCH_S, end_s


def _rounded(mean: float, expanded: float | None) -> str:
    return f"{mean:.{decimals_of_uncertainty(expanded or 0.0)}f}"


def _close_up(picture: Picture, level: _Level) -> tuple[float, float]:
    """Vertical range in which the bands, and most of what came after the run-up, can be told apart."""
    room = 2.5 * max(abs(level.value) * picture.tolerance, level.half_width or 0.0)
    start_s = picture.verdict.started_s
    window = picture.verdict.window
    from_s = picture.times_s[0] if start_s is None else start_s
    from_s += 0.25 * (picture.times_s[-1] - from_s)
    after_s = from_s if window is None else window.start_s
    seen = sorted(_between(picture, after_s, window.end_s if window else math.inf))
    # Drift may fill the picture, but must not make the tolerance invisible.
    farthest = 8.0 * room or 1.0
    edges = (seen[int(0.01 * (len(seen) - 1))], seen[int(0.99 * (len(seen) - 1))])
    low, high = (min(max(edge - level.value, -farthest), farthest) for edge in edges)
    spare = 0.05 * (high - low)
    low, high = min(low - spare, -room), max(high + spare, room)
    return level.value + low, level.value + (high if high > low else low + farthest)


def _between(picture: Picture, from_s: float, to_s: float) -> Sequence[float]:
    first = bisect.bisect_left(picture.times_s, from_s)
    return picture.values[first : bisect.bisect_right(picture.times_s, to_s)]


def _thinned(
    times_s: Sequence[float], values: Sequence[float]
) -> tuple[Sequence[float], Sequence[float]]:
    """No more readings than can be seen, with every peak among them."""
    if len(values) <= _MOST_DRAWN:
        return times_s, values
    kept = list(itertools.chain.from_iterable(_extremes(values)))
    return [times_s[i] for i in kept], [values[i] for i in kept]


def _extremes(values: Sequence[float]) -> Iterator[list[int]]:
    """Positions of the lowest and the highest of each stretch, in order."""
    length = -(-2 * len(values) // _MOST_DRAWN)
    for first in range(0, len(values), length):
        stretch = range(first, min(first + length, len(values)))
        yield sorted(
            {min(stretch, key=values.__getitem__), max(stretch, key=values.__getitem__)}
        )
