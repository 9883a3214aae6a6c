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


_STUDY = "tests/benchmarks/settling.py"

PRESETS: Mapping[str, Preset] = {
    preset.name: preset
    for preset in (
        Preset("standard", "an ordinary trial", STANDARD, 0.1, 165.0, 0.17, _STUDY),
    )
}
