"""The session's table of transitions: all of it happens, and nothing else."""

import contextlib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.errors import OperationRefusedError
from daq.records import TrialState
from daq.trials.session import Occurrence
from daq.trials.stages import TRANSITIONS, Happening, Stage
from tests.core.trials.session_bench import (
    LONGEST_S,
    OFF_A,
    ON_A,
    POWER_W,
    TOO_MUCH_A,
    Bench,
    Moves,
)


def _drift(bench: Bench) -> None:
    bench.run(30, ON_A, slope=1e-3)


def _average(bench: Bench) -> None:
    bench.run(60, ON_A)


def _skip_everything(bench: Bench) -> None:
    with contextlib.suppress(OperationRefusedError):
        while True:
            bench.operate(lambda session: session.skip())


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
    elif stage is Stage.FINISHED:
        _skip_everything(bench)
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
            _skip_everything,
            lambda bench: bench.operate(lambda session: session.repeat(1)),
        ):
            bench = _reach(stage, names)
            action(bench)
            moves |= bench.moves
    return moves


@pytest.mark.slow
def test_every_line_of_the_table_can_happen_and_nothing_else_does() -> None:
    moves: Moves = set()
    for stage in Stage:
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
