"""Runs of a log judged as a live session would have judged them."""

from random import Random

import pytest

from daq.logs.carried import CarriedTrial, carry_out
from daq.logs.runs import find_runs
from daq.records import PlannedTrial, Reading, TrialState
from daq.trials.session import Session
from tests.core.logs.test_judged import RULES

LINES = (
    PlannedTrial(1, "bare", 1, baseline=True),
    PlannedTrial(2, "filter", 1, baseline=False),
)


def readings_of(*lengths_s: int, pause_s: int = 20) -> list[Reading]:
    """Runs of so many seconds with pauses around them, a reading a second."""
    random = Random(3)  # noqa: S311 - noise of a meter, no secret
    watts: list[float] = []
    for length_s in lengths_s:
        watts += [0.0] * pause_s
        watts += [round(random.gauss(1200.0, 1.0), 1) for _ in range(length_s)]
    watts += [0.0] * pause_s
    return [Reading("power", float(t), (w,)) for t, w in enumerate(watts)]


def carried(readings: list[Reading]) -> tuple[CarriedTrial, ...]:
    times_s = [r.at_s for r in readings]
    runs = find_runs(times_s, [r.values[0] or 0.0 for r in readings], RULES.start)
    names = iter("abcdef")
    pairs = list(zip(runs, LINES, strict=False))
    return carry_out(readings, runs, pairs, RULES, new_trial_id=lambda: next(names))


@pytest.mark.slow
def test_trials_come_out_as_those_of_a_live_session_to_the_bit() -> None:
    readings = readings_of(250, 250)
    names = iter("abcdef")
    session = Session(RULES, LINES, new_trial_id=lambda: next(names))
    live = {}
    for reading in readings:
        for occurrence in session.feed(reading):
            if occurrence.result is not None:
                live[occurrence.result.planned.position] = occurrence.result
    assert [trial.result for trial in carried(readings)] == list(live.values())


def test_a_run_too_short_is_unfinished_and_the_next_run_is_the_next_line() -> None:
    first, second = carried(readings_of(20, 250))
    assert first.result.state is TrialState.UNFINISHED
    assert second.result.planned == LINES[1]
    assert second.result.state is TrialState.FINISHED
    assert second.result.attempt == 1


def test_a_trials_readings_are_those_from_switching_on_to_switching_off() -> None:
    readings = readings_of(250)
    (trial,) = carried(readings)
    values = [reading.values[0] for reading in readings[trial.first : trial.end]]
    assert values[0] is not None
    assert values[0] > 1000.0
    assert readings[trial.first - 1].values == (0.0,)
    assert trial.result.ended_s == 270.0


def test_a_log_that_ends_while_the_machine_runs_ends_the_trial() -> None:
    readings = [r for r in readings_of(60) if r.at_s < 70.0]
    (trial,) = carried(readings)
    assert trial.result.state is TrialState.UNFINISHED
    assert "the log ends" in trial.result.note


def test_a_run_that_had_settled_when_the_log_ends_counts() -> None:
    readings = [r for r in readings_of(250) if r.at_s < 265.0]
    (trial,) = carried(readings)
    assert trial.result.state is TrialState.FINISHED
    assert trial.result.ended_s == 264.0
