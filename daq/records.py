"""What travels through the program: frozen records, no behaviour beyond what they say.

Knows no wire, no file and no clock. Times named `*_s` are seconds of the bench's
monotonic clock (see runtime/clock.py) unless a name says otherwise.
"""

from dataclasses import dataclass
from enum import StrEnum


class GapReason(StrEnum):
    """Why a reading that was due did not come."""

    NO_REPLY = "no reply"
    CUT = "reply cut short"
    GARBLED = "reply garbled"
    FOREIGN = "reply of another unit or to another question"
    REFUSED = "instrument reports an error"
    IMPLAUSIBLE = "value outside the instrument's range"
    PORT_LOST = "port lost"
    MISSED = "line was busy"


AFTER_DRAIN = 1
"""Flag of a reading taken just after the line had to be drained."""


def unusable_bit(index: int) -> int:
    """Flag saying that value number `index` of a reading is overrange or not a number."""
    return 2 << index


@dataclass(frozen=True, slots=True)
class Reading:
    """One poll (or one streamed line) of one instrument.

    Attributes:
        instrument: Name of the instrument on the bench.
        at_s: When the values were true [s].
        values: One value a field, in the order and units of the instrument's profile;
            None where the instrument reported overrange or not-a-number.
        flags: AFTER_DRAIN and `unusable_bit`s.
    """

    instrument: str
    at_s: float
    values: tuple[float | None, ...]
    flags: int = 0


@dataclass(frozen=True, slots=True)
class Gap:
    """A reading that did not come, and why."""

    instrument: str
    at_s: float
    reason: GapReason
    detail: str = ""


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A maker's accuracy statement for one field, as the profile gives it.

    Attributes:
        percent_of_reading: [%] of the value shown.
        percent_of_range: [%] of `full_scale`.
        counts: [1] digits of the display, each worth one `resolution`.
        resolution: Smallest step shown [unit of the field].
        full_scale: End of the range [unit of the field]; needed with percent_of_range.
        absolute: Constant part [unit of the field].
    """

    percent_of_reading: float = 0.0
    percent_of_range: float = 0.0
    counts: float = 0.0
    resolution: float = 0.0
    full_scale: float = 0.0
    absolute: float = 0.0


@dataclass(frozen=True, slots=True)
class Channel:
    """One quantity from one instrument.

    Attributes:
        name: Unique on the bench; letters, digits and underscores.
        title: For people.
        quantity: One of units.QUANTITIES.
        unit: One of units.UNITS; values of the channel are in it everywhere.
        place: "supply end", "machine end", "duct", "outlet", "room" …
        instrument: Name of the instrument.
        field_index: Which value of the instrument's readings it is.
        accuracy: The maker's statement.
        interval_s: Expected spacing of its readings [s].
    """

    name: str
    title: str
    quantity: str
    unit: str
    place: str
    instrument: str
    field_index: int
    accuracy: Accuracy
    interval_s: float


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of a trial that is averaged [s]."""

    start_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class TrialAverage:
    """What one channel averaged to in one trial.

    Attributes:
        channel: Name of the channel.
        unit: Unit of every figure that has one.
        required: Whether the plan waits for this channel to settle.
        mean: Best estimate of the settled level.
        plain_mean: Mean of the window's bins, no correction for drift.
        std_uncertainty_type_a: From the readings' own scatter and drift.
        degrees_of_freedom_a: [1] of type A.
        std_uncertainty_type_b: From the maker's statement and the display's step.
        std_uncertainty: Combined.
        degrees_of_freedom: [1] effective, Welch and Satterthwaite; may be inf.
        coverage_factor: [1] k for 95 %.
        expanded_uncertainty: k times the combined standard uncertainty.
        count: [1] readings in the window.
        effective_count: [1] independent readings worth as much.
        window: What was averaged.
    """

    channel: str
    unit: str
    required: bool
    mean: float
    plain_mean: float
    std_uncertainty_type_a: float
    degrees_of_freedom_a: float
    std_uncertainty_type_b: float
    std_uncertainty: float
    degrees_of_freedom: float
    coverage_factor: float
    expanded_uncertainty: float
    count: int
    effective_count: float
    window: Window


class TrialState(StrEnum):
    """How a trial stands or ended."""

    RUNNING = "running"
    FINISHED = "finished"
    UNFINISHED = "unfinished"
    NOT_SETTLED = "not settled"
    LIMIT_BROKEN = "limit broken"


@dataclass(frozen=True, slots=True)
class PlannedTrial:
    """One line of the session's order: which condition, for the how-manieth time."""

    position: int
    condition: str
    repeat: int
    baseline: bool


@dataclass(frozen=True, slots=True)
class TrialResult:
    """A trial that has ended, however it ended.

    Attributes:
        trial_id: UUID; a repeat of the same message is recognised by it.
        planned: The line of the order it belongs to.
        attempt: [1] counts up when a condition has to be asked for again.
        state: Never RUNNING.
        started_s: Switch-on [s].
        ended_s: Switch-off [s].
        averages: Empty unless the trial settled.
        note: Why it ended as it did, for people; empty where there is nothing to say.
    """

    trial_id: str
    planned: PlannedTrial
    attempt: int
    state: TrialState
    started_s: float
    ended_s: float
    averages: tuple[TrialAverage, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class SessionFacts:
    """What identifies a session, for results and exports.

    Attributes:
        session_id: UUID.
        number: [1] counts up in one store.
        bench: Name of the bench.
        plan: Name of the plan.
        machine: The machine under test.
        started_utc: RFC 3339.
        speed: [1] bench seconds a real second; 1 unless it is a demonstration.
        software: Name and version.
    """

    session_id: str
    number: int
    bench: str
    plan: str
    machine: str
    started_utc: str
    speed: float
    software: str
