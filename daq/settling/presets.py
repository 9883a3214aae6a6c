"""Named presets of the rule: how long a trial may take, and how sure its average must be."""

from collections.abc import Mapping
from dataclasses import dataclass

from daq.settling.parameters import STANDARD, Parameters


@dataclass(frozen=True, slots=True)
class Preset:
    """A preset with what was measured of it on simulated start-ups.

    Attributes:
        name: In plans and commands.
        purpose: When to use it.
        parameters: Of the rule.
        false_settle_percent: Records declared settled that were not [%].
        time_to_result_s: Median time from true settling to the finished average [s].
        uncertainty_percent: Median expanded uncertainty, without the instrument's accuracy [% of reading].
        study: What these figures were measured on.
    """

    name: str
    purpose: str
    parameters: Parameters
    false_settle_percent: float
    time_to_result_s: float
    uncertainty_percent: float
    study: str


QUICK = Parameters(
    windows_s=(24.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 120.0, 150.0),
    tau_max_s=60.0,
    risk=0.3,
    least_s=16.0,
    longest_s=90.0,
    goal=0.5,
    refuse=1.0,
    accept_probability=0.3,
    kappas=((0.03, 1.0), (1.0, 0.4)),
    start_max=4.0,
    white_weight=3.0,
    floor=0.05,
    scale=0.7,
    # Its shortest window: no more is asked than what a window lasts anyhow.
    quiet_least_s=24.0,
)
"""For a minute's trial: it cannot exclude a drift of minutes, so judge by 1 or 2 %."""

THOROUGH = Parameters(
    tau_max_s=190.0,
    risk=0.2,
    amplitude=0.6,
    least_s=120.0,
    longest_s=400.0,
    goal=0.25,
    accept_probability=0.2,
    scale=0.75,
)

_PLAIN = "tests/benchmarks/settling.py --family plain --seeds 21 22 23 24 25 26 27 28 --per-kind 18"

PRESETS: Mapping[str, Preset] = {
    preset.name: preset
    for preset in (
        Preset(
            name="quick",
            purpose="a minute's trial, a coarse meter; judge by 2 % (as here) or 1 %",
            parameters=QUICK,
            false_settle_percent=1.5,
            time_to_result_s=52.0,
            uncertainty_percent=0.71,
            study=f"{_PLAIN} --preset quick --widen 4",
        ),
        Preset(
            name="standard",
            purpose="an ordinary trial of three to five minutes",
            parameters=STANDARD,
            false_settle_percent=0.3,
            time_to_result_s=162.0,
            uncertainty_percent=0.17,
            study=_PLAIN,
        ),
        Preset(
            name="thorough",
            purpose="a laboratory's trial: longer, surer, finer",
            parameters=THOROUGH,
            false_settle_percent=0.0,
            time_to_result_s=283.0,
            uncertainty_percent=0.14,
            study=f"{_PLAIN} --preset thorough",
        ),
    )
}
