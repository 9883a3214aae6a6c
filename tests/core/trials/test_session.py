"""The session's state machine, moved by readings and time alone."""

import itertools
from collections.abc import Iterator

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.records import Accuracy, Channel, PlannedTrial, Reading, TrialState
from daq.settling.parameters import STANDARD
from daq.settling.rule import HeldBackBy
from daq.trials.limits import Limit
from daq.trials.order import OrderKind, plan_order
from daq.trials.session import Occurrence, Session, SessionRules
from daq.trials.stages import OVER, RUNNING, TRANSITIONS, Happening, Stage
from daq.trials.switching import StartRule

ON_A, OFF_A, TOO_MUCH_A = 5.0, 0.0, 14.0
POWER_W = 1000.0
LONGEST_S = 400.0
Moves = set[tuple[Stage, Happening]]


def _channel(name: str, index: int, quantity: str, unit: str) -> Channel:
    accuracy = Accuracy(percent_of_reading=0.5, counts=2, resolution=0.01)
    return Channel(
        name, name.capitalize(), quantity, unit, "", "meter", index, accuracy, 1.0
    )


RULES = SessionRules(
    channels=(
        _channel("current", 0, "current", "A"),
        _channel("power", 1, "power", "W"),
        _channel("voltage", 2, "voltage", "V"),
    ),
    required=("power",),
    tolerances={"current": 0.005, "power": 0.005, "voltage": 0.005},
    start=StartRule("current", on_above=0.8, off_below=0.4, least_off_s=2.0),
    limits=(
        Limit("current", above=13.0, below=None, for_s=5.0, reason="rating"),
        Limit("voltage", above=None, below=200.0, for_s=5.0, reason="the motor"),
    ),
    parameters=STANDARD,
    target=None,
    longest_s=LONGEST_S,
)


def _order(*names: str) -> tuple[PlannedTrial, ...]:
    return plan_order(
        names, baseline=names[0], repeats=1, kind=OrderKind.AS_WRITTEN, seed=0
    )


def _ids() -> Iterator[str]:
    return (f"trial-{n}" for n in itertools.count(1))


class Bench:
    """A machine and its meter: one reading a second into one session."""

    def __init__(
        self, session: Session | None = None, *, names: tuple[str, ...] = ("a", "b")
    ) -> None:
        ids = _ids()
        self.session = session or Session(
            RULES, _order(*names), new_trial_id=lambda: next(ids)
        )
        self.now_s = 1000.0
        self.occurrences: list[Occurrence] = []
        self.moves: Moves = set()
        self._generator = np.random.default_rng(1)

    def _note(self, stage: Stage, occurrences: list[Occurrence]) -> list[Occurrence]:
        for occurrence in occurrences:
            if occurrence.happening is not None:
                move = (stage, occurrence.happening)
                assert TRANSITIONS[move] is occurrence.stage
                self.moves.add(move)
            stage = occurrence.stage
        assert self.session.stage is stage
        self.occurrences += occurrences
        return occurrences

    def run(
        self,
        seconds: float,
        current: float | None,
        *,
        power: float = POWER_W,
        slope: float = 0.0,
        voltage: float | None = 230.0,
    ) -> list[Occurrence]:
        """Let the machine draw so much; power has a little noise and may drift [share a second]."""
        happened: list[Occurrence] = []
        for second in range(round(seconds)):
            self.now_s += 1.0
            watts = power * (1.0 + slope * second + self._generator.normal(0.0, 5e-4))
            drawn = watts if current and current > 0.8 else 0.0
            reading = Reading("meter", self.now_s, (current, drawn, voltage))
            happened += self._note(self.session.stage, self.session.feed(reading))
        return happened

    def wait(self, seconds: float) -> list[Occurrence]:
        """Let time pass without a reading."""
        self.now_s += seconds
        return self._note(self.session.stage, self.session.tick(self.now_s))

    def settle(self) -> list[Occurrence]:
        """Off, on, and on until settled."""
        return self.run(5, OFF_A) + self.run(150, ON_A)

    def stage(self) -> Stage:
        """Where the session stands; a method, so that a type checker asks again."""
        return self.session.stage

    def must_switch_off_first(self) -> bool:
        return self.session.must_switch_off_first

    def overdue(self) -> bool:
        return self.session.overdue

    def happenings(self) -> list[Happening | None]:
        return [occurrence.happening for occurrence in self.occurrences]


# ---- a session that goes well


def test_switching_on_starts_the_trial_that_is_called_for() -> None:
    bench = Bench()
    assert bench.run(10, OFF_A) == []
    assert bench.session.called_for == PlannedTrial(1, "a", 1, baseline=True)
    (started,) = bench.run(1, ON_A)
    assert started.happening is Happening.SWITCHED_ON
    assert started.stage is bench.stage() is Stage.RUNNING_UP
    assert (started.trial_id, started.attempt) == ("trial-1", 1)
    assert started.at_s == bench.now_s == bench.session.stage_since_s


def test_a_whole_trial_ends_with_averages_and_the_next_condition_is_called_for() -> (
    None
):
    bench = Bench()
    *before, confirmed = bench.settle()
    assert [o.happening for o in before] == [
        Happening.SWITCHED_ON,
        Happening.RUN_UP_OVER,
        Happening.DECLARED,
    ]
    assert confirmed.happening is Happening.CONFIRMED
    assert bench.stage() is Stage.DONE

    (ended,) = bench.run(5, OFF_A)
    assert ended.happening is Happening.OFF_MORE_TO_COME
    assert ended.result is not None
    assert ended.result.state is TrialState.FINISHED
    assert bench.stage() is Stage.WAITING
    called_for = bench.session.called_for
    assert called_for is not None
    assert called_for.condition == "b"
    assert bench.session.done_count == 1


def test_the_averages_are_of_every_channel_over_one_window() -> None:
    bench = Bench()
    result = bench.settle()[-1].result
    assert result is not None
    averages = {average.channel: average for average in result.averages}
    assert set(averages) == {"current", "power", "voltage"}
    assert averages["voltage"].mean == 230.0
    assert averages["power"].mean == pytest.approx(POWER_W, abs=1.0)
    assert len({average.window for average in result.averages}) == 1
    assert [a.channel for a in result.averages if a.required] == ["power"]


def test_a_trial_lasts_from_switch_on_to_switch_off() -> None:
    bench = Bench()
    started_s = bench.settle()[0].at_s
    off_s = bench.now_s + 1.0
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    # Certain only two seconds later, but dated to when it began.
    assert (ended.result.started_s, ended.result.ended_s) == (started_s, off_s)


def test_after_the_last_condition_the_session_is_finished() -> None:
    bench = Bench()
    bench.settle()
    bench.settle()
    (ended,) = bench.run(5, OFF_A)
    assert ended.happening is Happening.OFF_LAST
    assert bench.stage() is Stage.FINISHED
    assert bench.session.called_for is None
    assert bench.session.done_count == 2


def test_a_finished_session_starts_no_more_trials() -> None:
    bench = Bench(names=("a",))
    bench.settle()
    bench.run(5, OFF_A)
    assert bench.run(200, ON_A) == []
    assert bench.stage() is Stage.FINISHED
    assert bench.session.trial() is None


def test_other_instruments_and_unusable_values_move_nothing() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.session.feed(Reading("stranger", bench.now_s, (ON_A, 1.0, 1.0)))
    assert bench.run(5, None) == []
    assert bench.stage() is Stage.WAITING


# ---- switching off


def test_a_dip_shorter_than_the_least_off_time_does_not_end_the_trial() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(20, ON_A)
    assert bench.run(2, OFF_A) == []
    bench.run(20, ON_A)
    assert bench.stage() in RUNNING


def test_switched_off_too_soon_the_condition_is_asked_for_again() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(60, ON_A)
    (ended,) = bench.run(5, OFF_A)
    assert ended.happening is Happening.OFF_MORE_TO_COME
    assert ended.result is not None
    assert ended.result.state is TrialState.UNFINISHED
    assert ended.result.averages == ()
    assert bench.session.called_for == PlannedTrial(1, "a", 1, baseline=True)
    assert bench.session.done_count == 0
    (again,) = bench.run(1, ON_A)
    assert again.attempt == 2
    assert again.trial_id == "trial-2"


def test_the_last_condition_switched_off_too_soon_does_not_finish_the_session() -> None:
    bench = Bench(names=("a",))
    bench.run(5, OFF_A)
    bench.run(60, ON_A)
    bench.run(5, OFF_A)
    assert bench.stage() is Stage.WAITING


def test_a_machine_found_running_must_be_switched_off_first() -> None:
    bench = Bench()
    assert bench.run(200, ON_A) == []
    assert bench.must_switch_off_first()
    assert bench.session.trial() is None
    assert bench.run(5, OFF_A) == []
    assert not bench.must_switch_off_first()
    (started,) = bench.run(1, ON_A)
    assert started.happening is Happening.SWITCHED_ON


# ---- not settled, withdrawn, overdue


def test_a_trial_that_takes_too_long_is_given_up() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(LONGEST_S, ON_A, slope=1e-3)
    (up,) = bench.run(1, ON_A)
    assert up.happening is Happening.TIME_UP
    assert bench.stage() is Stage.NOT_SETTLED
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    assert ended.result.state is TrialState.NOT_SETTLED
    assert ended.result.averages == ()


def test_a_trial_that_did_not_settle_is_not_asked_for_again() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(LONGEST_S + 1, ON_A, slope=1e-3)
    bench.run(5, OFF_A)
    called_for = bench.session.called_for
    assert called_for is not None
    assert called_for.condition == "b"


def test_time_alone_gives_a_trial_up_when_the_meters_are_silent() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(20, ON_A)
    (up,) = bench.wait(LONGEST_S)
    assert up.happening is Happening.TIME_UP
    assert bench.wait(1000.0) == []


def test_a_machine_left_running_after_its_longest_time_is_overdue() -> None:
    bench = Bench()
    assert not bench.overdue()
    bench.settle()
    assert not bench.overdue()
    bench.wait(LONGEST_S)
    assert bench.overdue()
    assert bench.stage() is Stage.DONE
    bench.run(5, OFF_A)
    assert not bench.overdue()


def test_a_step_while_averaging_withdraws_and_a_later_window_is_confirmed() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(60, ON_A)
    assert bench.stage() is Stage.AVERAGING
    happened = bench.run(200, ON_A, power=POWER_W * 1.015)
    assert happened[0].happening is Happening.WITHDRAWN
    assert happened[0].reason is HeldBackBy.STEP
    assert happened[-1].happening is Happening.CONFIRMED


# ---- limits


def test_a_broken_limit_ends_the_trial_and_marks_it() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(30, ON_A)
    (broken,) = bench.run(6, TOO_MUCH_A)
    assert broken.happening is Happening.LIMIT_BROKEN
    assert broken.breach is not None
    assert broken.breach.at_s - broken.breach.since_s == 5.0
    assert bench.stage() is Stage.LIMIT
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    assert ended.result.state is TrialState.LIMIT_BROKEN
    assert ended.result.note == "rating"


def test_inrush_shorter_than_the_limits_time_breaks_nothing() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(4, TOO_MUCH_A)
    bench.run(30, ON_A)
    assert Happening.LIMIT_BROKEN not in bench.happenings()


def test_a_limit_broken_after_averaging_marks_the_trial_and_keeps_its_averages() -> (
    None
):
    bench = Bench()
    confirmed = bench.settle()[-1].result
    (broken,) = bench.run(6, TOO_MUCH_A)
    assert broken.result is not None
    assert confirmed is not None
    assert broken.result.state is TrialState.LIMIT_BROKEN
    assert broken.result.averages == confirmed.averages != ()
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    assert ended.result.state is TrialState.LIMIT_BROKEN
    assert ended.result.averages == confirmed.averages


def test_a_second_limit_in_the_same_trial_is_told_and_names_the_trial() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(30, ON_A)
    bench.run(6, TOO_MUCH_A)
    (second,) = bench.run(6, TOO_MUCH_A, voltage=190.0)
    assert second.happening is None
    assert second.trial_id == "trial-1"
    assert second.planned is not None
    assert second.breach is not None
    assert second.breach.limit.channel == "voltage"
    assert {b.limit.channel for b in bench.session.breaches()} == {"current", "voltage"}


def test_a_limit_that_ended_the_trial_stays_shown_until_it_is_switched_off() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(6, TOO_MUCH_A)
    bench.run(10, ON_A)
    assert len(bench.session.breaches()) == 1
    bench.run(5, OFF_A)
    assert bench.session.breaches() == ()


def test_a_low_voltage_counts_only_while_a_trial_runs() -> None:
    bench = Bench()
    assert bench.run(20, OFF_A, voltage=190.0) == []
    happened = bench.run(6, ON_A, voltage=190.0)
    assert happened[-1].happening is Happening.LIMIT_BROKEN


def test_a_limit_broken_while_no_trial_runs_is_told_without_one() -> None:
    bench = Bench()
    told = bench.run(10, TOO_MUCH_A)
    assert [(o.happening, o.planned, o.trial_id) for o in told] == [(None, None, "")]
    assert bench.stage() is Stage.WAITING


# ---- resuming


def test_a_resumed_session_goes_on_after_what_is_done() -> None:
    bench = Bench()
    bench.settle()
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    resumed = Session(RULES, _order("a", "b"), earlier=[ended.result])
    assert resumed.called_for is not None
    assert resumed.called_for.condition == "b"
    assert resumed.done_count == 1


def test_a_resumed_session_counts_earlier_attempts() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(60, ON_A)
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    resumed = Bench(Session(RULES, _order("a", "b"), earlier=[ended.result]))
    resumed.run(5, OFF_A)
    (started,) = resumed.run(1, ON_A)
    assert started.planned is not None
    assert (started.planned.condition, started.attempt) == ("a", 2)


def test_a_session_resumed_with_everything_done_is_finished() -> None:
    bench = Bench(names=("a",))
    bench.settle()
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    resumed = Session(RULES, _order("a"), earlier=[ended.result])
    assert resumed.stage is Stage.FINISHED


def test_trials_have_ids_of_their_own() -> None:
    session = Session(RULES, _order("a"))
    bench = Bench(session)
    for _ in range(3):
        bench.run(5, OFF_A)
        bench.run(10, ON_A)
    started = [o.trial_id for o in bench.occurrences if o.happening is not None]
    assert len(set(started)) == 3


# ---- what a screen asks


def test_the_trial_in_hand_can_be_looked_at() -> None:
    bench = Bench()
    assert bench.session.trial() is None
    assert bench.session.channel_progress("power") is None
    bench.run(5, OFF_A)
    bench.run(60, ON_A)
    view = bench.session.trial()
    assert view is not None
    assert view.planned.condition == "a"
    assert view.run_up_end_s is not None
    assert view.started_s < view.run_up_end_s < bench.now_s
    assert view.window is not None
    assert not view.confirmed
    assert view.averaging_s > 0.0
    progress = bench.session.channel_progress("power")
    assert progress is not None
    assert progress.held_back_by is None


# ---- the table


def _drift(bench: Bench) -> None:
    bench.run(30, ON_A, slope=1e-3)


def _average(bench: Bench) -> None:
    bench.run(60, ON_A)


def _reach(stage: Stage, names: tuple[str, ...]) -> Bench:
    """A session in the given stage, by the shortest way."""
    bench = Bench(names=names)
    bench.run(5, OFF_A)
    if stage is Stage.RUNNING_UP:
        bench.run(1, ON_A)
    elif stage is Stage.SETTLING:
        _drift(bench)
    elif stage in {Stage.AVERAGING, Stage.DONE}:
        bench.run(60 if stage is Stage.AVERAGING else 150, ON_A)
    elif stage is Stage.NOT_SETTLED:
        bench.run(1, ON_A)
        bench.wait(LONGEST_S)
    elif stage is Stage.LIMIT:
        bench.run(6, TOO_MUCH_A)
    assert bench.stage() is stage
    return bench


def _all_moves(stage: Stage) -> Moves:
    """Everything that can be done to a session in this stage."""
    moves: Moves = set()
    for names in (("a", "b"), ("a",)):
        for action in (
            lambda bench: bench.run(5, OFF_A),
            lambda bench: bench.run(150, ON_A),
            lambda bench: bench.run(6, TOO_MUCH_A),
            lambda bench: bench.run(6, TOO_MUCH_A, slope=0.1),
            lambda bench: bench.run(20, ON_A, power=POWER_W * 1.015),
            lambda bench: bench.wait(LONGEST_S),
        ):
            bench = _reach(stage, names)
            action(bench)
            moves |= bench.moves
    return moves


@pytest.mark.slow
def test_every_line_of_the_table_can_happen_and_nothing_else_does() -> None:
    moves: Moves = set()
    for stage in (Stage.WAITING, *RUNNING, *OVER):
        moves |= _all_moves(stage)
    assert moves == set(TRANSITIONS)


SEGMENTS = st.lists(
    st.tuples(
        st.sampled_from([150, 60, 20, 3, 1]),
        # What is written twice is drawn twice as often, so that some trials end well.
        st.sampled_from([OFF_A, OFF_A, ON_A, ON_A, ON_A, 0.6, TOO_MUCH_A, None]),
        st.sampled_from([0.0, 0.0, 0.0, 1e-3]),
        st.sampled_from([230.0, 230.0, 230.0, 190.0, None]),
        st.sampled_from([0.0, 0.0, 0.0, 300.0]),
    ),
    min_size=4,
    max_size=14,
)


@pytest.mark.slow
@settings(derandomize=True, deadline=None, max_examples=200)
@given(SEGMENTS)
def test_whatever_the_readings_are_the_session_follows_its_table(
    segments: list[tuple[int, float | None, float, float | None, float]],
) -> None:
    bench = Bench()
    for seconds, current, slope, voltage, silence_s in segments:
        # Each reading checks the stage against the table; see Bench.
        bench.run(seconds, current, slope=slope, voltage=voltage)
        bench.wait(silence_s)
    session = bench.session
    ended = [
        o.result for o in bench.occurrences if o.happening in _ENDINGS and o.result
    ]
    # Nothing is averaged that was not confirmed, and a line is done once.
    confirmed = [o.trial_id for o in bench.occurrences if _is_confirmed(o)]
    assert {r.trial_id for r in ended if r.averages} <= set(confirmed)
    assert session.done_count == sum(
        r.state is not TrialState.UNFINISHED for r in ended
    )
    assert (session.trial() is None) == (
        session.stage in {Stage.WAITING, Stage.FINISHED}
    )
    assert (session.stage is Stage.FINISHED) == (session.done_count == 2)


_ENDINGS = {Happening.OFF_MORE_TO_COME, Happening.OFF_LAST}


def _is_confirmed(occurrence: Occurrence) -> bool:
    return occurrence.happening is Happening.CONFIRMED
