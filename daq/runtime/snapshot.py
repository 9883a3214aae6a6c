"""One moment as the screens show it: plain records, and their JSON for the page."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, fields, is_dataclass, replace

from daq.typed import TakenBack

FORMAT = 2
"""Of a snapshot as JSON."""


@dataclass(frozen=True, slots=True)
class ClockLine:
    """Bench time, UTC and how fast bench time runs."""

    now_s: float
    utc: str
    speed: float


@dataclass(frozen=True, slots=True)
class SessionLine:
    """How far the session is: "running", "paused" or "finished"; lines of the order that are done, left out, in all."""

    number: int
    state: str
    done: int
    total: int
    skipped: int = 0


@dataclass(frozen=True, slots=True)
class StageLine:
    """The stage, what ends it, how far it is, how much longer it is likely to take, and that in words."""

    name: str
    since_s: float | None
    progress: float | None
    seconds_left: float | None
    time_left: str
    sentence: str


@dataclass(frozen=True, slots=True)
class ConditionLine:
    """The condition in hand or called for."""

    name: str
    repeat: int
    position: int


@dataclass(frozen=True, slots=True)
class TrialLine:
    """The trial in hand."""

    number: int
    started_s: float
    run_up_end_s: float | None
    window_s: tuple[float, float] | None
    confirmed: bool


@dataclass(frozen=True, slots=True)
class AskingLine:
    """A reading that the operator is asked to type now.

    Attributes:
        channel: Its name.
        decimals: Digits behind the point that the display shows [1].
        number: Of the reading in this trial, from 1 on [1].
        least: Readings that an average needs [1].
        until_s: When it is given up, to be asked for again [s].
    """

    channel: str
    title: str
    unit: str
    place: str
    decimals: int
    number: int
    least: int
    since_s: float
    until_s: float


@dataclass(frozen=True, slots=True)
class TypedLine:
    """A reading that was typed in the trial in hand, and counts.

    Attributes:
        channel: Its name.
        decimals: Digits behind the point that the display shows [1].
        value: [unit].
        at_s: When it was typed [s].
    """

    channel: str
    title: str
    unit: str
    decimals: int
    value: float
    at_s: float


@dataclass(frozen=True, slots=True)
class RepeatLine:
    """A trial that lacks averages of typed channels: whether it is carried out once more is asked now.

    Attributes:
        position: Of its line.
        number: Of its line on the slip, from 1 on [1].
    """

    position: int
    number: int
    condition: str
    repeat: int


@dataclass(frozen=True, slots=True)
class ChannelLine:
    """One channel: its newest value and how settled it is; `typed`: the operator types it."""

    name: str
    title: str
    quantity: str
    unit: str
    place: str
    decimals: int
    required: bool
    instrument: str
    interval_s: float
    value: float | None
    at_s: float | None
    condition: str
    holding_back: str | None
    mean: float | None
    expanded_uncertainty: float | None
    typed: bool = False


@dataclass(frozen=True, slots=True)
class AverageLine:
    """One channel's average in one trial."""

    mean: float
    expanded_uncertainty: float
    unit: str
    decimals: int


@dataclass(frozen=True, slots=True)
class SlipLine:
    """One line of the order with what came of it.

    Attributes:
        position: Identity of the line; what stands first is called for first, whatever its position.
        state: "to come", "running", "done", "skipped", or how its newest trial ended.
        trial: Number in the store of its newest trial that has ended; None without one.
    """

    position: int
    condition: str
    repeat: int
    baseline: bool
    state: str
    averages: Mapping[str, AverageLine]
    note: str | None
    trial: int | None = None


@dataclass(frozen=True, slots=True)
class DifferenceLine:
    """What a condition costs of one quantity against the baseline, as far as the session has come.

    Attributes:
        channel: Name of the channel, or of what is derived from channels.
        difference: Condition less baseline [unit].
        expanded_uncertainty: Of the difference, 95 % [unit].
        percent: Difference as a share of the baseline [%]; None where that makes no sense.
        verdict: "real", "none found" or "undecided".
        words: What can be said of it, in a sentence.
    """

    condition: str
    channel: str
    difference: float
    expanded_uncertainty: float
    unit: str
    decimals: int
    percent: float | None
    verdict: str
    words: str


@dataclass(frozen=True, slots=True)
class ComparisonLine:
    """The growing comparison: differences, and the answer so far in sentences; `after_trials` finished trials are in it."""

    after_trials: int
    differences: tuple[DifferenceLine, ...]
    answer: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class InstrumentLine:
    """How one instrument fares."""

    name: str
    port: str
    state: str
    text: str
    readings: int
    gaps: int


@dataclass(frozen=True, slots=True)
class PartLine:
    """How store or broker fare."""

    state: str
    text: str


@dataclass(frozen=True, slots=True)
class AlarmLine:
    """Something that must be seen."""

    text: str
    since_s: float


@dataclass(frozen=True, slots=True)
class EventLine:
    """Something that happened."""

    utc: str
    at_s: float
    text: str


@dataclass(frozen=True, slots=True)
class Snapshot:
    """Everything a screen shows at one moment.

    Attributes:
        ends_with_session: The service ends by itself when the session is finished: its silence then is no ailment.
        asking: The reading that is wanted from the operator; None where none is.
        typed_readings: Those of the trial in hand that count and can be taken back, in the order of typing.
        missed: The reading that was not typed in time, until one is asked for again; None where none was.
        repeat_offer: The trial that could be carried out once more, for want of typed readings or because a limit broke it; None
            where none is.
        taken_back: Typed readings that were taken back lately: a chart that has them drops them.
        overdue: The machine has run longer than a trial may last, which the operator can acknowledge.
    """

    format: int
    bench: str
    plan: str
    machine: str
    clock: ClockLine
    session: SessionLine | None
    stage: StageLine
    instruction: str
    urgency: str
    condition: ConditionLine | None
    trial: TrialLine | None
    channels: tuple[ChannelLine, ...]
    slip: tuple[SlipLine, ...]
    instruments: tuple[InstrumentLine, ...]
    store: PartLine
    broker: PartLine
    alarms: tuple[AlarmLine, ...]
    events: tuple[EventLine, ...]
    comparison: ComparisonLine | None = None
    ends_with_session: bool = False
    asking: AskingLine | None = None
    typed_readings: tuple[TypedLine, ...] = ()
    missed: AskingLine | None = None
    repeat_offer: RepeatLine | None = None
    taken_back: tuple[TakenBack, ...] = ()
    overdue: bool = False

    def as_json(self) -> str:
        """The snapshot for the page."""
        return json.dumps(asdict(self), ensure_ascii=False, allow_nan=False)


class Pushes:
    """What is news in a snapshot to those who have followed so far: its parts at the top that have changed.

    Values of channels travel by themselves, reading by reading: a snapshot in which nothing else has changed does not repeat
    them. With hundreds of viewers this is most of what would be sent.
    """

    def __init__(self) -> None:
        self._before: dict[str, object] = {}

    def news(self, snapshot: Snapshot) -> str:
        """The changed parts as JSON, the clock always among them."""
        parts = {f.name: getattr(snapshot, f.name) for f in fields(snapshot)}
        compared = {**parts, "channels": _without_values(snapshot.channels)}
        changed = {
            name: _plain(part)
            for name, part in parts.items()
            if name == "clock"
            or name not in self._before
            or compared[name] != self._before[name]
        }
        self._before = compared
        return json.dumps(changed, ensure_ascii=False, allow_nan=False)


def _without_values(channels: tuple[ChannelLine, ...]) -> tuple[ChannelLine, ...]:
    # What is typed comes seldom, and can be taken back: no reading tells that.
    return tuple(
        channel if channel.typed else replace(channel, value=None, at_s=None)
        for channel in channels
    )


def _plain(part: object) -> object:
    """As JSON takes it."""
    if isinstance(part, tuple):
        return [_plain(each) for each in part]
    if is_dataclass(part) and not isinstance(part, type):
        return asdict(part)
    return part
