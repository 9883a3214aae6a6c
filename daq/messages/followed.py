"""What the bench tells, taken apart again by whoever follows it.

The counterpart of the rendering functions: each takes a payload as it came from the broker and returns a record, or
raises InputError with the place and the key. Keys that are not known are passed over, as the format wants it; keys
that were added within the format may be absent.
"""

from dataclasses import dataclass

from daq.messages.form import Fields, parse_object
from daq.messages.told import (
    AlarmTold,
    AverageTold,
    BenchState,
    Health,
    InstrumentFacts,
    InstrumentHealth,
    LineTold,
    SessionTold,
    Slip,
)


@dataclass(frozen=True, slots=True)
class FollowedChannel:
    """What a follower needs of a channel; `interval_s` [s of the bench], `resolution` in the unit."""

    name: str
    title: str
    unit: str
    place: str
    instrument: str
    interval_s: float
    resolution: float


@dataclass(frozen=True, slots=True)
class FollowedBench:
    """What the bench consists of; `topics` tells on which topic each instrument speaks."""

    bench: str
    software: str
    speed: float
    instruments: tuple[InstrumentFacts, ...]
    topics: tuple[str, ...]
    channels: tuple[FollowedChannel, ...]


@dataclass(frozen=True, slots=True)
class FollowedResult:
    """One trial that has ended; the highest revision of an id holds."""

    trial_id: str
    revision: int
    session: int
    condition: str
    repeat: int
    state: str
    note: str
    decided_utc: str
    averages: tuple[AverageTold, ...]


def parse_status(payload: bytes | str) -> bool:
    """Whether the service is there."""
    fields = parse_object(payload, place="status")
    state = fields.text("state")
    if state not in {"online", "offline"}:
        raise fields.refusal(key="state", expected='"online" or "offline"')
    return state == "online"


def parse_description(payload: bytes | str) -> FollowedBench:
    """What the bench consists of."""
    fields = parse_object(payload, place="bench")
    speed = fields.number("speed")
    if speed <= 0.0:
        raise fields.refusal(key="speed", expected="a number above 0")
    instruments = fields.parts("instruments")
    return FollowedBench(
        bench=fields.text("bench"),
        software=fields.text("software"),
        speed=speed,
        instruments=tuple(
            InstrumentFacts(each.text("name"), each.text("title"))
            for each in instruments
        ),
        topics=tuple(each.text("topic") for each in instruments),
        channels=tuple(_channel(each) for each in fields.parts("channels")),
    )


def _channel(fields: Fields) -> FollowedChannel:
    return FollowedChannel(
        name=fields.text("name"),
        title=fields.text("title"),
        unit=fields.text("unit"),
        place=fields.text("place"),
        instrument=fields.text("instrument"),
        interval_s=fields.number("interval_s"),
        resolution=fields.part("accuracy").number("resolution"),
    )


def parse_state(payload: bytes | str) -> BenchState:
    """Where the session stands."""
    fields = parse_object(payload, place="state")
    has_session = fields.values.get("session") is not None
    return BenchState(
        at_utc=fields.text("at_utc"),
        stage=fields.text("stage"),
        instruction=fields.text("instruction"),
        condition=fields.text_or_none("condition"),
        trial=fields.count_or_none("trial"),
        done=fields.count("done"),
        total=fields.count("total"),
        seconds_left=fields.number_or_none("seconds_left"),
        skipped=fields.count_or_none("skipped") or 0,
        urgency=fields.text_or_none("urgency") or "wait",
        session=_session(fields.part("session")) if has_session else None,
        alarms=tuple(
            AlarmTold(each.text("text"), each.text("since_utc"))
            for each in fields.parts("alarms")
        ),
    )


def _session(fields: Fields) -> SessionTold:
    return SessionTold(
        number=fields.count("number"),
        plan=fields.text("plan"),
        machine=fields.text("machine"),
        state=fields.text("state"),
        required=fields.texts("required"),
    )


def parse_slip(payload: bytes | str) -> Slip:
    """The order of the session with what came of each line."""
    fields = parse_object(payload, place="slip")
    return Slip(
        session=fields.count_or_none("session"),
        lines=tuple(
            LineTold(
                position=each.count("position"),
                condition=each.text("condition"),
                repeat=each.count("repeat"),
                baseline=each.flag("baseline"),
                state=each.text("state"),
                note=each.text("note"),
                averages=_averages(each),
            )
            for each in fields.parts("lines")
        ),
    )


def _averages(fields: Fields) -> tuple[AverageTold, ...]:
    """Those of required channels; in a slip there are no others and none is marked."""
    return tuple(
        AverageTold(
            each.text("channel"),
            each.text("unit"),
            each.number("mean"),
            each.number("expanded_uncertainty"),
        )
        for each in fields.parts("averages")
        if each.values.get("required", True)
    )


def parse_result(payload: bytes | str) -> FollowedResult:
    """A trial that has ended, as far as a table shows it; `result_schema` describes the whole."""
    fields = parse_object(payload, place="result")
    return FollowedResult(
        trial_id=fields.text("id"),
        revision=fields.count("revision"),
        session=fields.part("session").count("number"),
        condition=fields.text("condition"),
        repeat=fields.count("repeat"),
        state=fields.text("state"),
        note=fields.text("note"),
        decided_utc=fields.text("decided_utc"),
        averages=_averages(fields),
    )


def parse_health(payload: bytes | str) -> Health:
    """How the parts fare."""
    fields = parse_object(payload, place="health")
    return Health(
        at_utc=fields.text("at_utc"),
        store_state=fields.text("store_state"),
        store_text=fields.text("store_text"),
        live_dropped=fields.count("live_dropped"),
        instruments=tuple(
            InstrumentHealth(
                each.text("name"),
                each.text("state"),
                each.text("text"),
                each.count("readings"),
                each.count("gaps"),
            )
            for each in fields.parts("instruments")
        ),
        uptime_s=fields.number_or_none("uptime_s") or 0.0,
        software=fields.text_or_none("software") or "",
    )
