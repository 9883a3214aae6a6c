"""What the bench tells of itself: status, description, state, slip, health."""

from dataclasses import asdict, dataclass

from daq.messages.form import FORMAT, render_json
from daq.messages.topics import Topics
from daq.records import Channel


@dataclass(frozen=True, slots=True)
class InstrumentFacts:
    """One instrument, as the description of the bench gives it."""

    name: str
    title: str


@dataclass(frozen=True, slots=True)
class BenchFacts:
    """What a watcher needs to make sense of the other messages.

    Attributes:
        bench: Name of the bench.
        software: Name and version.
        speed: [1] bench seconds a real second; 1 unless it is a demonstration.
        instruments: In the order of the bench file.
        channels: In the order of the bench file.
    """

    bench: str
    software: str
    speed: float
    instruments: tuple[InstrumentFacts, ...]
    channels: tuple[Channel, ...]


@dataclass(frozen=True, slots=True)
class SessionTold:
    """The session that is worked on.

    Attributes:
        number: [1] of the session in its store.
        plan: Name of the plan.
        machine: The machine under test.
        state: "running", "paused" or "finished".
        required: Names of the channels that a trial waits for.
    """

    number: int
    plan: str
    machine: str
    state: str
    required: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AlarmTold:
    """Something that must be seen; since when, RFC 3339."""

    text: str
    since_utc: str


@dataclass(frozen=True, slots=True)
class BenchState:
    """Where the session stands, or that the bench is idle. From `seconds_left` on added within format 1.

    Attributes:
        at_utc: RFC 3339; since when it stands so.
        stage: "idle", "waiting", "paused", "running-up", "settling", "averaging", "done" …
        instruction: What the operator is asked to do; empty where there is nothing.
        condition: What is fitted or asked for; None outside a session.
        trial: [1] number of the trial in the session; None while none is in hand.
        done: [1] lines of the order that are done.
        total: [1] lines of the order.
        seconds_left: [s] of bench time that the trial is likely to take from `at_utc` on, in round
            figures (0: it is ready any moment now); None where nothing can be said.
        skipped: [1] lines of the order that were left out.
        urgency: "danger", "action", "normal" or "wait": what the instruction's colour means.
        session: None where the bench is idle.
        alarms: What must be seen now.
    """

    at_utc: str
    stage: str
    instruction: str
    condition: str | None
    trial: int | None
    done: int
    total: int
    seconds_left: float | None = None
    skipped: int = 0
    urgency: str = "wait"
    session: SessionTold | None = None
    alarms: tuple[AlarmTold, ...] = ()


@dataclass(frozen=True, slots=True)
class AverageTold:
    """What a required channel averaged to: mean and expanded uncertainty (95 %) in `unit`."""

    channel: str
    unit: str
    mean: float
    expanded_uncertainty: float


@dataclass(frozen=True, slots=True)
class LineTold:
    """One line of the order with what came of it.

    Attributes:
        position: [1] identity of the line.
        condition: What is fitted or set for it.
        repeat: [1] for the how-manieth time the condition is measured.
        baseline: Whether the other conditions are compared with this one.
        state: "to come", "running", "done", "skipped", or how its newest trial ended.
        note: Why it ended so; empty where there is nothing to say.
        averages: Of the required channels; empty unless its newest trial settled.
    """

    position: int
    condition: str
    repeat: int
    baseline: bool
    state: str
    note: str
    averages: tuple[AverageTold, ...]


@dataclass(frozen=True, slots=True)
class Slip:
    """The order of the session; what stands first is called for first. No session, no lines."""

    session: int | None
    lines: tuple[LineTold, ...]


@dataclass(frozen=True, slots=True)
class InstrumentHealth:
    """How one instrument fares: a word for programs, a text for people, counts."""

    name: str
    state: str
    text: str
    readings: int
    gaps: int


@dataclass(frozen=True, slots=True)
class Health:
    """How the parts fare.

    Attributes:
        at_utc: RFC 3339.
        store_state: "ok" or "failing".
        store_text: For people.
        live_dropped: [1] live packs replaced by newer ones before they could be sent.
        instruments: One each.
        uptime_s: [s] of real time that the service has been running. Added within format 1, as `software` was.
        software: Name and version of the service.
    """

    at_utc: str
    store_state: str
    store_text: str
    live_dropped: int
    instruments: tuple[InstrumentHealth, ...]
    uptime_s: float = 0.0
    software: str = ""


def render_status(*, online: bool) -> str:
    """Payload of the status topic and, with `online=False`, of the last will."""
    return render_json({"format": FORMAT, "state": "online" if online else "offline"})


def render_description(facts: BenchFacts, topics: Topics) -> str:
    """Payload of the bench topic; each instrument names the topic it speaks on."""
    instruments = [
        {**asdict(instrument), "topic": topics.live(instrument.name)}
        for instrument in facts.instruments
    ]
    return render_json({"format": FORMAT, **asdict(facts), "instruments": instruments})


def render_state(state: BenchState) -> str:
    """Payload of the state topic."""
    return render_json({"format": FORMAT, **asdict(state)})


def render_slip(slip: Slip) -> str:
    """Payload of the slip topic."""
    return render_json({"format": FORMAT, **asdict(slip)})


def render_health(health: Health) -> str:
    """Payload of the health topic."""
    return render_json({"format": FORMAT, **asdict(health)})
