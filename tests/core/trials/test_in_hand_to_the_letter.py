"""What the trial in hand tells of typed readings, limits and zeros, each side of every bound."""

from dataclasses import dataclass, replace
from typing import cast

import numpy as np
import pytest

from daq.records import (
    Accuracy,
    Channel,
    PlannedTrial,
    Reading,
    TrialResult,
    TrialState,
    Window,
)
from daq.settling.group import SettlingGroup
from daq.settling.phases import Phase
from daq.trials.idle import IdleReadings
from daq.trials.in_hand import TrialInHand
from daq.trials.judging import LoadWatch
from daq.trials.limits import Limit, LimitWatch
from daq.trials.reanalysis import ReadingBlock, judge_again
from daq.trials.session import Session
from daq.trials.stages import Stage
from daq.typed import Askings, TypedAt, TypedReadings
from tests.core.trials.session_bench import (
    OFF_A,
    ON_A,
    RULES,
    Bench,
    order_of,
)

# ---- typed readings

VELOCITY, PRESSURE = (
    Channel(name, name.capitalize(), quantity, unit, "outlet", name, 0, Accuracy(resolution=0.1), 60.0)
    for name, quantity, unit in (("velocity", "velocity", "m/s"), ("pressure", "pressure", "Pa"))
)  # fmt: skip
TYPED = replace(
    RULES,
    channels=(*RULES.channels, VELOCITY, PRESSURE),
    tolerances={**RULES.tolerances, "velocity": 0.01, "pressure": 0.01},
    typed=("velocity", "pressure"),
)
WINDOW = Window(100.0, 160.0)


@dataclass
class Group:
    """Stands for the rule at one moment, without the readings that it takes."""

    phase: Phase
    window: Window | None = WINDOW
    left_s: float | None = 30.0

    def time_left_s(self) -> float | None:
        return self.left_s

    def averaging_s(self) -> float:
        return 0.0


def _trial(
    phase: Phase, *, window: Window | None = WINDOW, left_s: float | None = 30.0
) -> TrialInHand:
    """Velocities before, at both ends of and after the window; a pressure inside it."""
    typed = TypedReadings(TYPED.typed)
    for at_s in (99.0, 100.0, 130.0, 160.0, 161.0):
        typed.take("velocity", at_s, 12.3)
    typed.take("pressure", 131.0, 80.0)
    return TrialInHand(
        trial_id="trial-1",
        planned=PlannedTrial(1, "a", 1, baseline=True),
        attempt=1,
        started_s=0.0,
        rules=TYPED,
        group=cast("SettlingGroup", Group(phase, window, left_s)),
        load=LoadWatch(TYPED),
        typed=typed,
        askings=Askings(TYPED.typed, seed="trial-1"),
    )


def _times(readings: tuple[TypedAt, ...]) -> list[float]:
    return [reading.at_s for reading in readings]


def test_all_typed_readings_and_those_since_the_window_s_beginning_are_counted() -> (
    None
):
    assert _trial(Phase.AVERAGING).typed_and_counting() == (6, 5)
    assert _trial(Phase.SETTLING, window=None).typed_and_counting() == (6, 0)


def test_while_it_averages_what_comes_after_the_window_s_end_counts_too() -> None:
    averaging = _trial(Phase.AVERAGING)
    counting = averaging.counting("velocity", Stage.AVERAGING)
    assert _times(counting) == [100.0, 130.0, 160.0, 161.0]
    assert _times(averaging.counting("pressure", Stage.AVERAGING)) == [131.0]
    confirmed = _trial(Phase.CONFIRMED)
    for stage in (Stage.AVERAGING, Stage.DONE):
        counting = confirmed.counting("velocity", stage)
        assert _times(counting) == [100.0, 130.0, 160.0]


def test_while_it_settles_anew_nothing_counts_and_once_given_up_everything_may() -> (
    None
):
    settling = _trial(Phase.SETTLING, window=None)
    assert settling.counting("velocity", Stage.SETTLING) == ()
    given_up = settling.counting("velocity", Stage.NOT_SETTLED)
    assert _times(given_up) == [99.0, 100.0, 130.0, 160.0, 161.0]


def test_a_typed_channel_without_an_average_is_lacking_with_what_it_has() -> None:
    trial = _trial(Phase.CONFIRMED)
    # Nothing is lacking before the others have their averages.
    assert trial.view().lacking == ()
    trial.result = trial.result_so_far(TrialState.FINISHED, 170.0, idle=None)
    assert trial.view().lacking == (
        "3 of 5 readings of Velocity",
        "1 of 5 readings of Pressure",
    )


def test_while_it_averages_it_lasts_until_the_typed_readings_are_there() -> None:
    averaging, settling = _trial(Phase.AVERAGING), _trial(Phase.SETTLING)
    counts = averaging.typed.counts(WINDOW)
    typing_s = averaging.askings.time_left_s(160.0, counts)
    assert typing_s > 30.0
    assert averaging.time_left_s(160.0) == typing_s
    assert settling.time_left_s(160.0) == 30.0
    longer = _trial(Phase.AVERAGING, left_s=1e4)
    assert longer.time_left_s(160.0) == 1e4
    assert _trial(Phase.AVERAGING, left_s=None).time_left_s(160.0) is None


def test_what_is_asked_for_is_told_from_when_it_is_until_it_is_typed() -> None:
    trial = _trial(Phase.AVERAGING)
    trial.askings.begin(200.0, span_s=60.0)
    now_s = 200.0
    while (asked := trial.asking) is None:
        now_s += 1.0
        assert trial.tick(now_s) is None
    assert now_s > 200.0
    assert asked.channel in TYPED.typed
    assert asked.since_s == now_s


def test_a_session_tells_what_counts_of_its_trial_in_hand() -> None:
    longest_s = 60.0
    bench = Bench(Session(replace(TYPED, longest_s=longest_s), order_of("a", "b")))
    assert bench.session.typed_readings("velocity") == ()
    bench.run(5, OFF_A)
    bench.run(20, ON_A)
    bench.session.feed(Reading("velocity", bench.now_s, (12.3,)))
    # It still settles.
    assert bench.session.typed_readings("velocity") == ()
    typed_s = bench.now_s
    bench.run(longest_s - 19.0, ON_A, slope=1e-3)
    assert bench.stage() is Stage.NOT_SETTLED
    # Given up: it can be averaged even so, over another stretch.
    assert bench.session.typed_readings("velocity") == (TypedAt(typed_s, 12.3),)
    assert bench.session.typed_readings("pressure") == ()


# ---- limits


@pytest.mark.parametrize(
    ("limit", "last_inside", "first_beyond"),
    [
        (Limit("voltage", above=None, below=207.0, for_s=0.0, reason=""), 207.0, 206.9),
        (Limit("current", above=13.0, below=None, for_s=0.0, reason=""), 13.0, 13.1),
    ],
)
def test_a_limit_itself_is_inside(
    limit: Limit, last_inside: float, first_beyond: float
) -> None:
    for value, is_broken in ((last_inside, False), (first_beyond, True)):
        watch = LimitWatch(limit)
        told = [watch.feed(t, value, known_on_s=t) for t in (1.0, 2.0, 3.0)]
        assert any(told) is is_broken


# ---- zeros

STILL = Channel(
    *("flow", "Airflow", "airflow", "m3/h", "outlet", "vane", 0),
    accuracy=Accuracy(resolution=0.01),
    interval_s=1.0,
    subtract_idle=True,
)


def _idle(on_s: float, *, known_s: float = 100.0) -> IdleReadings:
    """Off since 100 s; a reading every second shows how late it is, before and after the switch-on."""
    idle = IdleReadings([STILL, replace(STILL, name="other", subtract_idle=False)])
    idle.machine_off(100.0, known_s=known_s)
    for second in range(100, round(on_s)):
        idle.feed("flow", float(second), float(second))
        idle.feed("other", float(second), 1.0)
    idle.machine_on(on_s)
    return idle


def test_a_zero_begins_a_quarter_of_a_minute_after_the_machine_was_switched_off() -> (
    None
):
    idle = _idle(140.0)
    # Fifteen seconds of running down; the last two before the current rises may be its beginning.
    assert idle.window == Window(115.0, 138.0)
    assert idle.values() == {"flow": [float(s) for s in range(115, 139)]}


def test_a_zero_is_of_the_last_minute() -> None:
    idle = _idle(300.0)
    assert idle.window == Window(238.0, 298.0)
    assert idle.values() == {"flow": [float(s) for s in range(238, 299)]}


def test_a_machine_that_was_off_before_it_was_known_to_be_gives_no_zero_of_before() -> (
    None
):
    assert _idle(140.0, known_s=120.0).window == Window(121.0, 138.0)


@pytest.mark.parametrize(("on_s", "has_zero"), [(117.0, False), (117.5, True)])
def test_a_pause_of_no_more_than_running_down_and_guard_gives_no_zero(
    on_s: float,
    has_zero: bool,  # noqa: FBT001 - a case, not an interface
) -> None:
    assert (_idle(on_s).window is not None) is has_zero


def test_readings_may_come_ten_seconds_late_and_are_kept_for_it() -> None:
    # One of another moment comes when the newest is ten seconds ahead of it.
    idle = IdleReadings([STILL])
    idle.machine_off(0.0, known_s=0.0)
    for second in range(20, 101):
        idle.feed("flow", float(second), float(second))
    idle.machine_on(90.0)
    assert idle.window == Window(28.0, 88.0)
    assert idle.values() == {"flow": [float(s) for s in range(28, 89)]}
    idle.feed("flow", 88.0, -1.0)
    idle.feed("flow", 88.5, -2.0)
    assert idle.values()["flow"][-2:] == [88.0, -1.0]
    idle.forget()
    assert idle.values() == {}


# ---- judged again


def test_where_no_channel_is_to_blame_the_readings_ended_too_soon() -> None:
    # Only the voltage is waited for, and it is settled; but the current never rose.
    rules = replace(RULES, required=("voltage",))
    times_s = np.repeat(np.arange(1.0, 301.0), 2)
    volts = 230.0 + np.random.default_rng(1).normal(0.0, 0.05, 300)
    block = ReadingBlock(
        ("current", "voltage"),
        np.tile([0, 1], 300),
        times_s,
        np.stack([np.zeros(300), volts], axis=1).ravel(),
    )
    recorded = TrialResult(
        *("trial-1", order_of("a")[0], 1, TrialState.UNFINISHED), 0.0, 301.0
    )
    again = judge_again(recorded, rules, lambda: [block], idle={}, even_so=False)
    assert (again.state, again.averages) == (TrialState.UNFINISHED, ())
    assert again.note == "the readings end before an average was confirmed"
