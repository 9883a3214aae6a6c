"""Lower limits where the start channel cannot tell: a key is pressed seconds before or after the machine's own switch.

What the machine draws shows when it ran; what is still moving behind a machine that was switched off shows nothing.
"""

import dataclasses
from collections.abc import Callable, Sequence
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.records import Accuracy, Channel, Reading
from daq.settling.parameters import STANDARD
from daq.trials.limits import Limit
from daq.trials.session import Occurrence, Session, SessionRules
from daq.trials.stages import Happening, Stage
from daq.trials.switching import StartRule
from tests.core.trials.session_bench import order_of

ON_S, OFF_S, END_S = 20.0, 60.0, 90.0
WATTS, STALLED_W, LEAST_W = 1400.0, 100.0, 500.0
_UNITS = {"power": "W", "current": "A", "voltage": "V"}


def _channel(
    name: str, instrument: str, index: int = 0, *, every_s: float = 1.0
) -> Channel:
    accuracy = Accuracy(resolution=0.1)
    unit = _UNITS.get(name, "")
    return Channel(name, name, name, unit, "", instrument, index, accuracy, every_s)


def _session(
    channels: Sequence[Channel],
    limits: Sequence[Limit],
    *,
    start: str | None = None,
    required: str = "power",
    typed: tuple[str, ...] = (),
    has_meters: bool = True,
    found_running: bool = False,
) -> Session:
    return Session(
        SessionRules(
            channels=tuple(channels),
            required=(required,),
            tolerances=dict.fromkeys((c.name for c in channels), 0.005),
            start=StartRule(start, on_above=1.0, off_below=0.5, least_off_s=2.0),
            limits=tuple(limits),
            parameters=STANDARD,
            target=None,
            longest_s=400.0,
            typed=typed,
        ),
        order_of("a", "b"),
        has_meters=has_meters,
        found_running=found_running,
    )


def _least(channel: str, below: float, *, for_s: float = 3.0) -> Limit:
    return Limit(channel, above=None, below=below, for_s=for_s, reason="stall")


POWER = (_channel("power", "meter"),)
STALL = (_least("power", LEAST_W),)


class _Machine:
    """Readings of one meter a second into a session, and a key."""

    def __init__(self, session: Session, *, now_s: float = 0.0) -> None:
        self.session, self.now_s = session, now_s
        self.occurrences: list[Occurrence] = []

    def read(self, seconds: int, *values: float | None) -> None:
        for _ in range(seconds):
            self.now_s += 1.0
            self.occurrences += self.session.feed(Reading("meter", self.now_s, values))

    def key(self) -> None:
        self.occurrences += self.session.operator_switched(self.now_s)

    def settle(self, *values: float | None) -> None:
        for _ in range(300):
            if self.stage() is Stage.DONE:
                return
            self.read(1, *values)
        raise AssertionError("it does not settle")

    def stage(self) -> Stage:
        return self.session.stage

    def broken(self) -> list[str]:
        """Channels whose limits were told to be broken."""
        return [o.breach.limit.channel for o in self.occurrences if o.breach]

    def states(self) -> list[str]:
        ended = (Happening.OFF_MORE_TO_COME, Happening.OFF_LAST)
        return [o.result.state.value for o in self.occurrences if o.result and o.happening in ended]  # fmt: skip


# ---- around the operator's key


def test_a_key_pressed_after_the_machine_was_switched_off_spoils_no_trial() -> None:
    machine = _Machine(_session(POWER, STALL))
    machine.read(5, 0.0)
    machine.key()
    machine.settle(WATTS)
    machine.read(30, 0.0)
    machine.key()
    assert machine.broken() == []
    assert machine.states() == ["finished"]


def test_a_key_pressed_before_the_machine_is_switched_on_breaks_no_limit() -> None:
    machine = _Machine(_session(POWER, STALL))
    machine.key()
    machine.read(20, 0.0)
    machine.settle(WATTS)
    assert machine.broken() == []


def test_what_a_machine_draws_at_its_own_switch_is_no_load() -> None:
    machine = _Machine(_session(POWER, STALL))
    machine.read(5, 3.1)
    machine.key()
    machine.read(10, 3.4)
    machine.settle(WATTS)
    machine.read(20, 3.3)
    machine.key()
    assert machine.broken() == []
    assert machine.states() == ["finished"]


def test_a_machine_that_ran_before_its_key_was_pressed_shows_its_load() -> None:
    machine = _Machine(_session(POWER, STALL))
    machine.read(5, WATTS)
    machine.key()
    machine.read(30, WATTS)
    machine.read(5, STALLED_W)
    assert machine.broken() == ["power"]


def test_a_machine_that_stalls_and_still_draws_something_is_found() -> None:
    machine = _Machine(_session(POWER, STALL))
    machine.key()
    machine.read(30, WATTS)
    stalled_s = machine.now_s + 1.0
    machine.read(5, STALLED_W)
    (breach,) = machine.session.breaches()
    assert machine.stage() is Stage.LIMIT
    assert (breach.since_s, breach.at_s - breach.since_s) == (stalled_s, 4.0)


@pytest.mark.parametrize("standby_w", [3.0, 8.0, 19.0])
@pytest.mark.parametrize("early", [True, False])
def test_standby_that_nobody_saw_before_is_no_load(
    standby_w: float, *, early: bool
) -> None:
    machine = _Machine(_session(POWER, STALL))
    for _ in range(2):
        # Unplugged, as the page asks for.
        machine.read(5, 0.0)
        if early:
            machine.key()
            machine.read(6, standby_w)
        else:
            machine.read(6, standby_w)
            machine.key()
        machine.settle(WATTS)
        machine.read(6, standby_w)
        machine.key()
    assert machine.broken() == []
    assert machine.states() == ["finished", "finished"]


@pytest.mark.parametrize("decay_s", [1.0, 2.0, 4.0])
def test_a_display_that_falls_slowly_after_the_trial_breaks_nothing(
    decay_s: float,
) -> None:
    machine = _Machine(_session(POWER, STALL))
    machine.read(5, 0.0)
    machine.key()
    machine.settle(WATTS)
    for second in range(1, 30):
        machine.read(1, WATTS * 2.718 ** (-second / decay_s))
    machine.key()
    assert machine.broken() == []
    assert machine.states() == ["finished"]


def test_a_machine_whose_thermostat_pauses_breaks_nothing_by_key() -> None:
    machine = _Machine(_session(POWER, STALL))
    machine.key()
    for _ in range(3):
        machine.read(15, WATTS)
        machine.read(10, 0.03 * WATTS)
    assert machine.broken() == []


def test_what_a_transformer_ahead_of_the_machine_draws_is_no_load() -> None:
    supply, power = _channel("apparent power", "meter"), _channel("power", "meter", 1)
    machine = _Machine(_session((supply, power), STALL))
    machine.read(5, 30.0, 0.0)
    machine.key()
    machine.settle(WATTS + 30.0, WATTS)
    machine.read(10, 30.0, 0.0)
    machine.key()
    assert machine.broken() == []


def test_a_fan_that_coasts_behind_its_own_start_channel_breaks_nothing_when_done() -> None:  # fmt: skip
    velocity, power = _channel("velocity", "meter"), _channel("power", "meter", 1)
    machine = _Machine(_session((velocity, power), STALL, start="velocity"))
    machine.read(5, 0.0, 0.0)
    machine.settle(20.0, WATTS)
    for second in range(1, 30):
        machine.read(1, 20.0 * 2.718 ** (-second / 4.0), 0.0)
    assert machine.broken() == []
    assert machine.states() == ["finished"]


def test_between_its_thresholds_the_start_channel_gainsays_nobody() -> None:
    current = _channel("current", "meter")
    machine = _Machine(
        _session(
            (current,), (), start="current", required="current", found_running=True
        )
    )
    # Off at its own switch; what standby draws lies between 0.5 and 1 A.
    machine.read(10, 0.6)
    begins = [machine.session.must_switch_off_first]
    machine.key()
    begins.append(machine.session.must_switch_off_first)
    assert begins == [True, False]
    machine.key()
    machine.read(3, 5.0)
    assert machine.states() == []
    assert machine.session.trial() is not None


@settings(derandomize=True, deadline=None, max_examples=300)
@given(
    every_s=st.tuples(*[st.sampled_from([1.0, 2.0, 3.0])] * 2),
    keys_s=st.tuples(*[st.floats(-8.0, 8.0)] * 2),
    for_s=st.sampled_from([0.0, 0.5, 1.0, 3.0]),
    seed=st.integers(0, 10**6),
)
def test_a_key_early_or_late_breaks_no_lower_limit_of_a_sound_machine(
    every_s: tuple[float, float], keys_s: tuple[float, float], for_s: float, seed: int
) -> None:
    power = _channel("power", "wattmeter", every_s=every_s[0])
    voltage = _channel("voltage", "voltmeter", every_s=every_s[1])
    limits = (_least("power", LEAST_W, for_s=for_s), _least("voltage", 207.0, for_s=for_s))  # fmt: skip
    session = _session((power, voltage), limits)
    random = Random(seed)  # noqa: S311 - phases of polls, no secret
    arriving: list[tuple[float, Callable[[], list[Occurrence]]]] = []
    for channel, shown in ((power, WATTS), (voltage, 230.0)):
        at_s = random.uniform(0.0, channel.interval_s)
        while at_s < END_S:
            value = shown if ON_S <= at_s < OFF_S else 0.0
            reading = Reading(channel.instrument, at_s, (value,))
            late_s = at_s + random.uniform(0.0, 0.5)
            arriving.append((late_s, lambda r=reading: session.feed(r)))  # type: ignore[misc]
            at_s += channel.interval_s + random.uniform(0.0, 0.25)
    for own_s, key_s in zip((ON_S, OFF_S), keys_s, strict=True):
        told_s = own_s + key_s
        arriving.append((told_s, lambda t=told_s: session.operator_switched(t)))  # type: ignore[misc]
    happened = [o for _, act in sorted(arriving, key=lambda each: each[0]) for o in act()]  # fmt: skip
    assert [o.breach for o in happened if o.breach] == []
    assert [o.happening for o in happened if o.result] == [Happening.OFF_MORE_TO_COME]


def test_a_voltage_read_before_the_machine_was_switched_on_may_arrive_after_that() -> (
    None
):
    channels = (_channel("power", "wattmeter"), _channel("voltage", "voltmeter"))
    session = _session(channels, [_least("voltage", 207.0)])
    session.operator_switched(0.0)
    happened: list[Occurrence] = []
    for second in range(1, 10):
        happened += session.feed(Reading("wattmeter", second + 0.1, (0.0,)))
        happened += session.feed(Reading("voltmeter", second + 0.2, (0.0,)))
    happened += session.feed(Reading("wattmeter", 10.5, (WATTS,)))
    happened += session.feed(Reading("voltmeter", 10.4, (0.0,)))
    happened += session.feed(Reading("wattmeter", 11.5, (WATTS,)))
    happened += session.feed(Reading("voltmeter", 11.4, (230.0,)))
    assert [o.breach for o in happened if o.breach] == []


def test_without_a_channel_that_shows_a_load_the_word_holds_until_it_is_done() -> None:
    voltage = _channel("voltage", "meter")
    limit = _least("voltage", 207.0)
    machine = _Machine(_session([voltage], [limit], required="voltage"))
    machine.key()
    machine.settle(230.0)
    machine.read(30, 0.0)
    machine.key()
    assert machine.states() == ["finished"]
    machine.key()
    machine.read(10, 190.0)
    assert machine.broken() == ["voltage"]


@pytest.mark.parametrize("lost", ["no value", "silent"])
def test_a_load_that_nobody_sees_any_more_leaves_the_operators_word(lost: str) -> None:
    power, voltage = _channel("power", "wattmeter"), _channel("voltage", "meter")
    machine = _Machine(_session([power, voltage], [_least("voltage", 207.0)]))
    machine.session.feed(Reading("wattmeter", 0.0, (0.0,)))
    machine.key()
    machine.session.feed(Reading("wattmeter", 1.0, (WATTS,)))
    machine.read(12, 230.0)
    if lost == "no value":
        for at_s in (10.0, 11.0):
            machine.session.feed(Reading("wattmeter", at_s, (None,)))
    machine.read(5, 190.0)
    assert machine.broken() == ["voltage"]


def test_what_goes_on_moving_after_done_is_no_machine_that_runs() -> None:
    channels = [_channel("airflow", "meter"), _channel("voltage", "meter", 1)]
    limits = [_least("airflow", 40.0), _least("voltage", 207.0)]
    machine = _Machine(_session(channels, limits, required="airflow"))
    machine.read(3, 0.0, 0.0)
    machine.key()
    machine.settle(60.0, 230.0)
    for moved in range(50, 0, -2):
        machine.read(1, float(moved), 0.0)
    machine.key()
    assert machine.broken() == []
    # What it draws tells better where that is read.
    channels.append(_channel("power", "meter", 2))
    machine = _Machine(_session(channels, limits, required="airflow"))
    machine.key()
    machine.read(30, 60.0, 230.0, WATTS)
    for moved in range(50, 0, -2):
        machine.read(1, float(moved), 0.0, 0.0)
    assert machine.broken() == []


def test_what_an_operator_types_and_what_the_weather_does_show_no_load() -> None:
    channels = [
        _channel("voltage", "meter"),
        _channel("pressure", "meter", 1),
        _channel("power", "operator"),
    ]
    limits = [_least("voltage", 207.0)]
    machine = _Machine(_session(channels, limits, required="voltage", typed=("power",)))
    machine.session.feed(Reading("operator", 0.0, (0.0,)))
    machine.key()
    machine.read(5, 230.0, 0.0)
    machine.read(5, 190.0, 0.0)
    assert machine.broken() == ["voltage"]


# ---- a start channel that shows no usable value


BOTH = (_channel("current", "meter"), _channel("power", "meter", 1))


def _by_current(*, has_meters: bool = True) -> _Machine:
    machine = _Machine(_session(BOTH, STALL, start="current", has_meters=has_meters))
    machine.read(5, 0.0, 0.0)
    machine.read(30, 6.0, WATTS)
    return machine


def test_a_stall_is_found_while_the_start_channel_shows_no_usable_value() -> None:
    machine = _by_current()
    machine.read(1, None, STALLED_W)
    assert machine.broken() == []
    machine.read(5, None, STALLED_W)
    assert machine.broken() == ["power"]


def test_a_machine_switched_off_unseen_by_its_start_channel_breaks_no_limit() -> None:
    machine = _by_current()
    machine.read(5, None, WATTS)
    machine.read(20, None, 0.0)
    assert machine.broken() == []
    # The start channel has not been heard for so long that the operator's word counts.
    machine.key()
    assert machine.states() == ["unfinished"]


def test_a_single_reading_without_a_value_leaves_the_start_channel_its_say() -> None:
    machine = _by_current()
    for _ in range(20):
        machine.read(1, None, STALLED_W)
        machine.read(1, 0.2, STALLED_W)
    assert machine.broken() == []


def test_a_hole_in_a_logs_start_channel_is_no_meter_over_its_range() -> None:
    machine = _by_current(has_meters=False)
    machine.read(20, None, STALLED_W)
    assert machine.broken() == []


def test_a_fan_that_coasts_behind_its_start_channel_breaks_no_limit() -> None:
    channels = [*BOTH, _channel("airflow", "meter", 2)]
    limits = [*STALL, _least("airflow", 40.0)]
    session = _session(channels, limits, start="current", required="airflow")
    machine = _Machine(session)
    machine.read(5, 0.0, 0.0, 0.0)
    machine.settle(6.0, WATTS, 60.0)
    machine.read(1, 0.0, 0.0, 39.0)
    # A dip too short for the channel to say off, again and again: the air alone goes on.
    for _ in range(5):
        machine.read(2, 0.2, 0.0, 30.0)
    assert machine.broken() == []
    assert machine.states() == ["finished"]


def test_a_machine_that_the_word_called_on_draws_below_its_threshold() -> None:
    # Threshold set too high: the current never rises above it, and tells all the same.
    channels = (_channel("current", "meter"), _channel("voltage", "meter", 1))
    limits = [_least("voltage", 207.0)]
    session = _session(channels, limits, start="current", required="voltage")
    machine = _Machine(session)
    machine.key()
    machine.read(10, 0.0, 0.0)
    machine.read(30, 0.7, 230.0)
    assert machine.broken() == []
    machine.read(5, 0.7, 190.0)
    assert machine.broken() == ["voltage"]


def test_what_is_no_number_is_no_usable_value() -> None:
    upper = Limit("current", above=13.0, below=None, for_s=3.0, reason="rating")
    session = _session(BOTH, [*STALL, upper], start="current")
    machine = _Machine(session)
    machine.read(5, 0.0, 0.0)
    machine.read(30, 6.0, WATTS)
    machine.read(5, float("nan"), WATTS)
    (breach,) = session.breaches()
    assert dataclasses.astuple(breach)[1] is None
    assert breach.limit == upper
