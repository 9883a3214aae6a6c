"""Lower limits and switching off: the voltage falls before the current tells that the machine is off.

A machine is switched at an instant of its own; two meters, or one, are read before and after it. Whatever is read before shows
the machine on, whatever is read after shows it off; nothing else is assumed.
"""

import dataclasses
from dataclasses import dataclass
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.records import Accuracy, Channel, Reading, TrialState
from daq.settling.parameters import STANDARD
from daq.trials.limits import Limit
from daq.trials.session import Occurrence, Session, SessionRules
from daq.trials.stages import Happening, Stage
from daq.trials.switching import StartRule
from tests.core.trials.session_bench import order_of

ON_S, OFF_S, END_S = 20.0, 60.0, 80.0
AMPERES, VOLTS, LOW_VOLTS, LEAST_VOLTS = 5.0, 230.0, 195.0, 207.0


@dataclass(frozen=True)
class Lines:
    """How the two quantities are read.

    Attributes:
        current_s: Interval of the current's polls [s].
        voltage_s: Interval of the voltage's polls [s].
        shared: One meter reads both.
        voltage_first: The voltage stands before the current, in the bench and in the reply.
        missed: Polls of the current that get no reply after switching off, at most one.
        seed: Of the polls' phases and jitter.
    """

    current_s: float
    voltage_s: float
    shared: bool
    voltage_first: bool
    missed: int
    seed: int


LINES = st.builds(
    Lines,
    current_s=st.sampled_from([1.0, 2.0, 3.0]),
    voltage_s=st.sampled_from([1.0, 2.0, 3.0]),
    shared=st.booleans(),
    voltage_first=st.booleans(),
    missed=st.sampled_from([0, 1]),
    seed=st.integers(0, 10**6),
)
FOR_S = st.sampled_from([0.0, 0.5, 1.0, 2.0, 3.0])


def _channel(
    name: str, unit: str, instrument: str, index: int, every_s: float
) -> Channel:
    accuracy = Accuracy(resolution=0.01)
    return Channel(name, name, name, unit, "", instrument, index, accuracy, every_s)


def _channels(lines: Lines) -> tuple[Channel, ...]:
    both = "meter" if lines.shared else None
    current = _channel("current", "A", both or "clamp", 0, lines.current_s)
    voltage = _channel("voltage", "V", both or "meter", 0, lines.voltage_s)
    if lines.shared:
        later = voltage if not lines.voltage_first else current
        later = dataclasses.replace(later, field_index=1)
        current, voltage = (
            (current, later) if later.name == "voltage" else (later, voltage)
        )
    return (voltage, current) if lines.voltage_first else (current, voltage)


def _session(lines: Lines, for_s: float, *, start: str | None = "current") -> Session:
    limit = Limit("voltage", above=None, below=LEAST_VOLTS, for_s=for_s, reason="motor")
    return Session(
        SessionRules(
            channels=_channels(lines),
            required=("voltage",),
            tolerances={"current": 0.005, "voltage": 0.005},
            start=StartRule(start, on_above=0.8, off_below=0.4, least_off_s=2.0),
            limits=(limit,),
            parameters=STANDARD,
            target=None,
            longest_s=400.0,
        ),
        order_of("a", "b"),
    )


def _volts(at_s: float, *, low_from_s: float) -> float:
    """At the machine's end: nothing there while it is switched off."""
    if not ON_S <= at_s < OFF_S:
        return 0.0
    return LOW_VOLTS if at_s >= low_from_s else VOLTS


def _polls(interval_s: float, random: Random) -> list[float]:
    """Times of the polls, each off its place by up to a quarter of a second."""
    phase_s, count = random.uniform(0.0, interval_s), int(END_S / interval_s)
    return [phase_s + n * interval_s + random.uniform(0.0, 0.25) for n in range(count)]


def _readings(lines: Lines, *, low_from_s: float = OFF_S) -> list[Reading]:
    """In order of arrival: a reply may be up to half a second under way."""
    random = Random(lines.seed)  # noqa: S311 - phases of polls, no secret
    arriving: list[tuple[float, Reading]] = []
    to_miss = lines.missed
    for at_s in _polls(lines.current_s, random):
        if at_s > OFF_S and to_miss:
            to_miss -= 1
            continue
        amperes = AMPERES if ON_S <= at_s < OFF_S else 0.0
        values: tuple[float, ...] = (amperes,)
        if lines.shared:
            volts = _volts(at_s, low_from_s=low_from_s)
            values = (volts, amperes) if lines.voltage_first else (amperes, volts)
        name = "meter" if lines.shared else "clamp"
        arriving.append((at_s + random.uniform(0.0, 0.5), Reading(name, at_s, values)))
    for at_s in [] if lines.shared else _polls(lines.voltage_s, random):
        volts = _volts(at_s, low_from_s=low_from_s)
        reading = Reading("meter", at_s, (volts,))
        arriving.append((at_s + random.uniform(0.0, 0.5), reading))
    arriving.sort(key=lambda pair: pair[0])
    return [reading for _, reading in arriving]


def _fed(session: Session, readings: list[Reading]) -> list[Occurrence]:
    return [o for reading in readings for o in session.feed(reading)]


@settings(derandomize=True, deadline=None, max_examples=300)
@given(LINES, FOR_S)
def test_switching_off_breaks_no_lower_limit(lines: Lines, for_s: float) -> None:
    session = _session(lines, for_s)
    occurrences = _fed(session, _readings(lines))
    assert [o.breach for o in occurrences if o.breach] == []
    (ended,) = [o.result for o in occurrences if o.result]
    assert ended.state is TrialState.UNFINISHED
    assert session.stage is Stage.WAITING
    assert session.breaches() == ()


@settings(derandomize=True, deadline=None, max_examples=300)
@given(LINES, FOR_S)
def test_a_low_voltage_while_the_current_flows_breaks_it(
    lines: Lines, for_s: float
) -> None:
    low_from_s = 40.0
    session = _session(lines, for_s)
    occurrences = _fed(session, _readings(lines, low_from_s=low_from_s))
    (broken,) = [o for o in occurrences if o.happening is Happening.LIMIT_BROKEN]
    assert broken.breach is not None
    assert broken.breach.value == LOW_VOLTS
    # Told by the third poll of each after the limit's time; polls are up to a quarter of a second late.
    patience_s = for_s + 2.0 * (max(lines.voltage_s, lines.current_s) + 0.5) + 0.5
    late_s = broken.breach.at_s - low_from_s
    assert for_s <= late_s <= patience_s + lines.voltage_s


@pytest.mark.parametrize("start", ["current", None])
def test_a_lower_limit_holds_for_a_machine_that_only_the_operator_sees(
    start: str | None,
) -> None:
    # No start channel, or one whose threshold the current never reaches.
    lines = Lines(1.0, 1.0, shared=True, voltage_first=False, missed=0, seed=1)
    session = _session(lines, 3.0, start=start)
    session.feed(Reading("meter", 0.0, (0.3, VOLTS)))
    session.operator_switched(1.0)
    good = [Reading("meter", float(t), (0.3, VOLTS)) for t in range(2, 10)]
    low = [Reading("meter", float(t), (0.3, LOW_VOLTS)) for t in range(10, 14)]
    assert [o.breach for o in _fed(session, good) if o.breach] == []
    (broken,) = _fed(session, low)
    assert broken.happening is Happening.LIMIT_BROKEN
    assert broken.breach is not None
    assert broken.breach.since_s == 10.0
