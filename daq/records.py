"""What travels through the program: frozen records, no behaviour beyond what they say.

Knows no wire, no file and no clock. Times named `*_s` are seconds of the bench's
monotonic clock (see runtime/clock.py) unless a name says otherwise.
"""

import math
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


MOST_VALUES = 62
"""Most values of one reading: its flags are a whole number of 64 bits with a sign in the results file, one is AFTER_DRAIN."""


def unusable_bit(index: int) -> int:
    """Flag saying that value number `index` of a reading, below MOST_VALUES, is overrange or not a number."""
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
    """A reading that did not come, and why; or several, of polls that could not be made.

    Attributes:
        instrument: Name on the bench.
        at_s: When that was known [s].
        reason: Its kind.
        detail: What happened, in words.
        polls: That it stands for [1]; where these could not be made `detail` begins with their number.
    """

    instrument: str
    at_s: float
    reason: GapReason
    detail: str = ""
    polls: int = 1


@dataclass(frozen=True, slots=True)
class Accuracy:
    """What is known of one field's errors, as the profile gives it; what is not stated is zero.

    The maker's limits come in one piece (percent of reading and range, counts, a constant), in parts
    (gain, offset, linearity, temperature), or a certificate states an expanded uncertainty.

    Attributes:
        percent_of_reading: [%] of the value shown.
        percent_of_range: [%] of `full_scale`.
        counts: [1] digits of the display, each worth one `resolution`.
        resolution: Smallest step shown [unit of the field].
        full_scale: End of the range [unit of the field]; needed with what is a share of the range.
        absolute: Constant part [unit of the field].
        gain_percent: [%] of the value shown.
        offset: The same at every value [unit of the field].
        linearity_percent: [%] of `full_scale`.
        temperature_percent_per_k: [%/K] of the value shown.
        temperature_span_k: The room stays within so much of the reference temperature [K].
        certificate_u: Expanded uncertainty of the calibration certificate [unit of the field].
        certificate_u_percent: The same where it is a share [%] of the value shown.
        certificate_k: [1] its coverage factor.
        certificate_degrees_of_freedom: [1] of the certificate; None where it states none.
    """

    percent_of_reading: float = 0.0
    percent_of_range: float = 0.0
    counts: float = 0.0
    resolution: float = 0.0
    full_scale: float = 0.0
    absolute: float = 0.0
    gain_percent: float = 0.0
    offset: float = 0.0
    linearity_percent: float = 0.0
    temperature_percent_per_k: float = 0.0
    temperature_span_k: float = 0.0
    certificate_u: float = 0.0
    certificate_u_percent: float = 0.0
    certificate_k: float = 1.0
    certificate_degrees_of_freedom: float | None = None


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
        subtract_idle: What it reads with the machine off is its zero and is taken off its averages.
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
    subtract_idle: bool = False


@dataclass(frozen=True, slots=True)
class Window:
    """A stretch of a trial that is averaged [s]."""

    start_s: float
    end_s: float


class Evaluation(StrEnum):
    """How a standard uncertainty was found (GUM 3.3.5): from the scatter of readings, or otherwise."""

    TYPE_A = "A"
    TYPE_B = "B"


class Distribution(StrEnum):
    """What the possible values of an error are taken to be spread like."""

    NORMAL = "normal"
    RECTANGULAR = "rectangular"


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of an uncertainty budget.

    Attributes:
        std_uncertainty: [unit of the average], sensitivity applied.
        degrees_of_freedom: [1]; inf where it is taken as exact.
        name: What it is, in a word or two.
        kind: How it was found.
        distribution: What it was taken to be spread like.
        detail: What it follows from, in words; empty where the name says it.
    """

    std_uncertainty: float
    degrees_of_freedom: float = math.inf
    name: str = ""
    kind: Evaluation = Evaluation.TYPE_B
    distribution: Distribution = Distribution.NORMAL
    detail: str = ""


@dataclass(frozen=True, slots=True)
class NormalisedBy:
    """How a mean was taken to a reference voltage, y (V0/V)^k.

    Attributes:
        reference: Name of the channel whose voltage it was.
        reference_v: V0, one for the whole session [V].
        exponent: k [1], fitted from the trial's own readings.
        std_uncertainty: Of the exponent [1].
        degrees_of_freedom: [1] of that.
        mean_voltage_v: Of the reference channel over the window [V].
    """

    reference: str
    reference_v: float
    exponent: float
    std_uncertainty: float
    degrees_of_freedom: float
    mean_voltage_v: float


@dataclass(frozen=True, slots=True)
class TrialAverage:
    """What one channel averaged to in one trial.

    Attributes:
        channel: Name of the channel.
        unit: Unit of every figure that has one.
        required: Whether the plan waits for this channel to settle.
        mean: Best estimate of the settled level, less `zero_offset`; at the reference voltage where `normalised` is.
        plain_mean: Mean of the window's bins, no correction for drift or voltage; less `zero_offset`.
        std_uncertainty_type_a: From the readings' own scatter and drift, and that of the zero.
        degrees_of_freedom_a: [1] of type A.
        std_uncertainty_type_b: From the maker's statement, a certificate and the display's step.
        std_uncertainty: Combined.
        degrees_of_freedom: [1] effective, Welch and Satterthwaite; may be inf.
        coverage_factor: [1] k for 95 %.
        expanded_uncertainty: k times the combined standard uncertainty.
        count: [1] readings in the window.
        effective_count: [1] independent readings worth as much.
        window: What was averaged.
        zero_offset: What the channel read with the machine off; 0 where that is not asked for.
        contributions: The budget; empty where it was not recorded (stores of format 1).
        normalised: How the mean was taken to a reference voltage; None where it was not.
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
    zero_offset: float = 0.0
    contributions: tuple[Contribution, ...] = ()
    normalised: NormalisedBy | None = None


class TrialState(StrEnum):
    """How a trial stands or ended."""

    RUNNING = "running"
    FINISHED = "finished"
    UNFINISHED = "unfinished"
    NOT_SETTLED = "not settled"
    LIMIT_BROKEN = "limit broken"
    SET_ASIDE = "set aside"


@dataclass(frozen=True, slots=True)
class PlannedTrial:
    """One line of the session's order: which condition, for the how-manieth time."""

    position: int
    condition: str
    repeat: int
    baseline: bool


CUT_OFF = "the program was stopped while it ran"
"""Note of a trial that nobody judged to its end: the program was killed, or the computer lost its power."""


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
        idle: When zeros were taken before it [s]; None where none was asked for or could be had.
    """

    trial_id: str
    planned: PlannedTrial
    attempt: int
    state: TrialState
    started_s: float
    ended_s: float
    averages: tuple[TrialAverage, ...] = ()
    note: str = ""
    idle: Window | None = None

    @property
    def was_cut_off(self) -> bool:
        """Whether it has no outcome but that of the program's end."""
        return self.state is TrialState.UNFINISHED and self.note == CUT_OFF


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
