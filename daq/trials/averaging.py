"""Levels of a settled window into trial averages: type A from the readings, type B from the maker's statement."""

import math

from daq.records import Channel, TrialAverage, Window
from daq.settling.confirmation import LevelEstimate
from daq.uncertainty import Contribution, combine, std_uncertainty_of_accuracy


def trial_average(
    channel: Channel, level: LevelEstimate, window: Window, *, required: bool
) -> TrialAverage:
    r"""One channel's average of one trial.

    .. math:: u_B^2 = u_\mathrm{accuracy}^2 + Q^2/3, \quad u_c^2 = u_A^2 + u_B^2

    Args:
        channel: With its accuracy statement.
        level: Settled level with its type A uncertainty [unit of the channel].
        window: What was averaged [s].
        required: Whether the plan waited for this channel.

    Returns:
        Mean with standard, combined and expanded uncertainty [unit of the channel].

    Validity:
        Where the accuracy is stated in counts it contains the display's step, and Q is left out.

    Source:
        JCGM 100:2008 (GUM), 4.3.7, 5.1.2 and G.4.
    """
    stated = std_uncertainty_of_accuracy(level.mean, channel.accuracy)
    rounding = 0.0 if channel.accuracy.counts else level.half_step / math.sqrt(3.0)
    type_b = math.hypot(stated, rounding)
    combined = combine(
        [
            Contribution(level.std_uncertainty, level.degrees_of_freedom),
            Contribution(type_b),
        ]
    )
    return TrialAverage(
        channel=channel.name,
        unit=channel.unit,
        required=required,
        mean=level.mean,
        plain_mean=level.plain_mean,
        std_uncertainty_type_a=level.std_uncertainty,
        degrees_of_freedom_a=level.degrees_of_freedom,
        std_uncertainty_type_b=type_b,
        std_uncertainty=combined.std_uncertainty,
        degrees_of_freedom=combined.degrees_of_freedom,
        coverage_factor=combined.coverage_factor,
        expanded_uncertainty=combined.expanded_uncertainty,
        count=level.count,
        effective_count=level.effective_count,
        window=window,
    )
