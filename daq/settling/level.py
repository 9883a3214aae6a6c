"""What the rule gives for one channel over one window."""

from dataclasses import dataclass

from daq.records import NormalisedBy


@dataclass(frozen=True, slots=True)
class LevelEstimate:
    """The settled level of one channel over one window.

    Attributes:
        mean: The level [unit of the channel].
        plain_mean: Mean of the bins, whatever drift is left in them [same].
        std_uncertainty: Type A [same].
        degrees_of_freedom: [1] of it.
        half_step: How far rounding may hide the truth, Q of `undithered_half_step` [same].
        expanded_uncertainty: For 95 %, without the instrument's own accuracy [same].
        count: [1] readings.
        effective_count: [1] independent bins worth as much.
        normalised: How the mean was taken to a reference voltage; None where it was not. Its uncertainty is not
            in `std_uncertainty`, for it is a contribution of its own, but in `expanded_uncertainty`.
        open_drift: Standard uncertainty of the drift that may be left beyond what the readings tell [same]; likewise.
    """

    mean: float
    plain_mean: float
    std_uncertainty: float
    degrees_of_freedom: float
    half_step: float
    expanded_uncertainty: float
    count: int
    effective_count: float
    normalised: NormalisedBy | None = None
    open_drift: float = 0.0
