"""The zero of an airflow meter with the machine off and the inlet capped: refused where it is not still.

Still means that neither the readings' spread nor their drift over the stretch is beyond what the meter states at
zero. A meter that states nothing there is held to two steps of its display.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from daq.checklist.items import Item, ItemVerdict
from daq.checklist.kept import Entry
from daq.records import Accuracy, Channel
from daq.stats import estimate_mean, sample_std_dev, student_t_quantile
from daq.uncertainty import Contribution, combine, contributions_of_accuracy
from daq.wording import shown_average, unit_symbol

LEAST_READINGS = 20
_STEPS = 2.0
_FAR_STEPS = 10.0
_FAR_SHARE = 0.05
"""Of full scale; a zero beyond it is air that moves, or a meter at fault."""
REASON = (
    "An airflow meter that does not show its zero without flow is off by as much in every trial, and air that still moves"
    " would be taken off as zero."
)


@dataclass(frozen=True, slots=True)
class Zero:
    """What a meter shows without flow, in the unit of its channel.

    Attributes:
        mean: Of the readings.
        expanded_uncertainty: Of the mean, from scatter and display step.
        std_dev: Of single readings.
        drift: Change over the stretch by a straight line; 0 where it is lost in the scatter.
        count: Readings [1].
    """

    mean: float
    expanded_uncertainty: float
    std_dev: float
    drift: float
    count: int


def measured_zero(readings: Sequence[tuple[float, float]], resolution: float) -> Zero:
    """Sum up readings taken without flow.

    Args:
        readings: Times [s] and values, oldest first, at least four.
        resolution: Step of the display, in the values' unit; 0 where it is not known.
    """
    values = [value for _, value in readings]
    mean = estimate_mean(values)
    # A still zero does not scatter over the display's step, which is uniform over its width (GUM, F.2.2.1).
    found = combine(
        [
            Contribution(mean.std_uncertainty, mean.degrees_of_freedom),
            Contribution(resolution / math.sqrt(12.0)),
        ]
    )
    return Zero(
        mean.mean,
        found.expanded_uncertainty,
        sample_std_dev(values),
        _drift(readings),
        len(values),
    )


def _drift(readings: Sequence[tuple[float, float]]) -> float:
    """Slope of the least-squares line times the stretch, where the slope is surely none of the scatter's."""
    n = len(readings)
    mid_s = math.fsum(at_s for at_s, _ in readings) / n
    mean = math.fsum(value for _, value in readings) / n
    spread = math.fsum((at_s - mid_s) ** 2 for at_s, _ in readings)
    if n < 4 or spread <= 0.0:
        return 0.0
    slope = math.fsum((at_s - mid_s) * (v - mean) for at_s, v in readings) / spread
    left = math.fsum((v - mean - slope * (at_s - mid_s)) ** 2 for at_s, v in readings)
    u = math.sqrt(left / (n - 2) / spread)
    if abs(slope) <= student_t_quantile(0.975, n - 2) * u:
        return 0.0
    return slope * (readings[-1][0] - readings[0][0])


def allowed_at_zero(accuracy: Accuracy) -> float:
    """What a meter may show without flow: its stated error there, at least two steps of its display."""
    stated = contributions_of_accuracy(0.0, accuracy)
    error = combine(stated).expanded_uncertainty if stated else 0.0
    return max(error, _STEPS * accuracy.resolution)


def judge_zero_readings(
    name: str, readings: Sequence[tuple[float, float]], channel: Channel
) -> Item:
    """What readings without flow say; refused where there are too few."""
    if len(readings) < LEAST_READINGS:
        finding = (
            f"{len(readings)} readings of {channel.name} came, expected {LEAST_READINGS}: see what the check says of its"
            " meter, then read again"
        )
        return Item(name, ItemVerdict.REFUSED, finding, REASON)
    return judge_zero(
        name, measured_zero(readings, channel.accuracy.resolution), channel
    )


def judge_zero(name: str, zero: Zero, channel: Channel) -> Item:
    """Whether the zero is still, and one."""
    unit = unit_symbol(channel.unit)
    shown = shown_average(zero.mean, zero.expanded_uncertainty, channel.unit)
    finding = f"{channel.name} shows {shown} without flow, {zero.count} readings"

    def item(verdict: ItemVerdict, words: str) -> Item:
        figures: dict[str, float | int | str | None] = {
            **figures_of(zero),
            "unit": channel.unit,
        }
        return Item(name, verdict, f"{finding}; {words}", REASON, figures)

    allowed = allowed_at_zero(channel.accuracy)
    if restless := _restless(zero, allowed, unit):
        words = f"not still: {restless}; see that the machine is off, its inlet capped and no draught there, then read again"
        return item(ItemVerdict.REFUSED, words)
    far = max(_FAR_STEPS * allowed, _FAR_SHARE * channel.accuracy.full_scale)
    if abs(zero.mean) > far:
        words = "that is no zero: air moves through it, or the meter is at fault"
        return item(ItemVerdict.REFUSED, words)
    if abs(zero.mean) - zero.expanded_uncertainty <= allowed:
        return item(ItemVerdict.DONE, f"still, within the {allowed:.2g} {unit} allowed")
    if channel.subtract_idle:
        return item(ItemVerdict.DONE, "still; its zero is taken off (subtract_idle)")
    words = f"still, but more than {allowed:.2g} {unit}: zero the meter by its key, or set subtract_idle = true for it"
    return item(ItemVerdict.TO_DO, words)


def _restless(zero: Zero, allowed: float, unit: str) -> str:
    """What moves, in words; empty where nothing does."""
    if zero.std_dev > allowed:
        return f"readings spread by {zero.std_dev:.2g} {unit}, at most {allowed:.2g} expected"
    if abs(zero.drift) > allowed:
        return f"it drifted by {zero.drift:.2g} {unit}, at most {allowed:.2g} expected"
    return ""


def figures_of(zero: Zero) -> dict[str, float]:
    """For programs and for the file of what is kept, in the channel's unit."""
    return {
        "mean": zero.mean,
        "expanded_uncertainty": zero.expanded_uncertainty,
        "std_dev": zero.std_dev,
        "drift": zero.drift,
        "count": zero.count,
    }


def zero_of_entry(entry: Entry) -> Zero | None:
    """The zero that was kept; None where the entry lacks a figure."""
    kept = entry.figures
    try:
        return Zero(
            mean=kept["mean"],
            expanded_uncertainty=kept["expanded_uncertainty"],
            std_dev=kept["std_dev"],
            drift=kept["drift"],
            count=int(kept["count"]),
        )
    except KeyError:
        return None
