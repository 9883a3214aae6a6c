"""Words shared by the rule, those who ask it and those who show it: channels, phases, progress."""

from dataclasses import dataclass
from enum import StrEnum

from daq.settling.verdicts import HeldBackBy


@dataclass(frozen=True, slots=True)
class ChannelSetup:
    """How one channel takes part.

    Attributes:
        name: Of the channel.
        tolerance: Largest relative drift that still counts as settled [1].
        resolution: Display's step [unit of the channel].
        interval_s: Expected spacing of readings [s].
        required: Whether the trial waits for it to settle.
    """

    name: str
    tolerance: float
    resolution: float
    interval_s: float
    required: bool


class Phase(StrEnum):
    """Where the group stands."""

    RUN_UP = "run-up"
    SETTLING = "settling"
    AVERAGING = "averaging"
    CONFIRMED = "confirmed"


@dataclass(frozen=True, slots=True)
class PhaseChange:
    """The group entered a phase.

    Attributes:
        phase: The new one.
        at_s: End of the bin that brought it [s].
        reason: Why a declaration was withdrawn; None otherwise.
        channels: Those that it was withdrawn for, for that reason.
    """

    phase: Phase
    at_s: float
    reason: HeldBackBy | None = None
    channels: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class FunnelPoint:
    """What the rule has of one required channel at one bin: a point of the funnel that closes in on the tolerance.

    Attributes:
        channel: Its name.
        at_s: End of the bin [s].
        mean: Of the window that is judged; once declared, of the one that is averaged [unit of the channel]; None
            where no bin holds a reading yet.
        bound: Half-width of the drift that is still possible, as the rule compares it with the tolerance [same]; None
            where nothing can be compared.
        tolerance: Half-width of the band that the bound must fit [same].
    """

    channel: str
    at_s: float
    mean: float | None
    bound: float | None
    tolerance: float


@dataclass(frozen=True, slots=True)
class ChannelProgress:
    """What a screen shows of one required channel.

    Attributes:
        held_back_by: What keeps it from being settled, while it is not.
        mean: Of the window so far, provisional until confirmed [unit of the channel].
        expanded_uncertainty: Once confirmed, without the instrument's own accuracy [same].
    """

    held_back_by: HeldBackBy | None
    mean: float | None
    expanded_uncertainty: float | None
