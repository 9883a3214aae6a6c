"""One moment as the screens show it: plain records, and their JSON for the page."""

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass


@dataclass(frozen=True, slots=True)
class ClockLine:
    """Bench time, UTC and how fast bench time runs."""

    now_s: float
    utc: str
    speed: float


@dataclass(frozen=True, slots=True)
class SessionLine:
    """How far the session is."""

    number: int
    state: str
    done: int
    total: int


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
class ChannelLine:
    """One channel: its newest value and how settled it is."""

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


@dataclass(frozen=True, slots=True)
class AverageLine:
    """One channel's average in one trial."""

    mean: float
    expanded_uncertainty: float
    unit: str
    decimals: int


@dataclass(frozen=True, slots=True)
class SlipLine:
    """One line of the order with what came of it."""

    position: int
    condition: str
    repeat: int
    baseline: bool
    state: str
    averages: Mapping[str, AverageLine]
    note: str | None


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
    """Everything a screen shows at one moment."""

    format: int
    bench: str
    plan: str
    machine: str
    clock: ClockLine
    session: SessionLine
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

    def as_json(self) -> str:
        """The snapshot for the page."""
        return json.dumps(asdict(self), ensure_ascii=False, allow_nan=False)
