"""Sessions that are gone on with, and what identifies their trials."""

from daq.trials.session import Session
from daq.trials.stages import Stage
from tests.core.trials.session_bench import OFF_A, ON_A, RULES, Bench, order_of


def test_a_resumed_session_goes_on_after_what_is_done() -> None:
    bench = Bench()
    bench.settle()
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    resumed = Session(RULES, order_of("a", "b"), earlier=[ended.result])
    assert resumed.called_for is not None
    assert resumed.called_for.condition == "b"
    assert resumed.done_count == 1


def test_a_resumed_session_counts_earlier_attempts() -> None:
    bench = Bench()
    bench.run(5, OFF_A)
    bench.run(60, ON_A)
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    resumed = Bench(Session(RULES, order_of("a", "b"), earlier=[ended.result]))
    resumed.run(5, OFF_A)
    (started,) = resumed.run(1, ON_A)
    assert started.planned is not None
    assert (started.planned.condition, started.attempt) == ("a", 2)


def test_a_session_resumed_with_everything_done_is_finished() -> None:
    bench = Bench(names=("a",))
    bench.settle()
    (ended,) = bench.run(5, OFF_A)
    assert ended.result is not None
    resumed = Session(RULES, order_of("a"), earlier=[ended.result])
    assert resumed.stage is Stage.FINISHED


def test_trials_have_ids_of_their_own() -> None:
    session = Session(RULES, order_of("a"))
    bench = Bench(session)
    for _ in range(3):
        bench.run(5, OFF_A)
        bench.run(10, ON_A)
    started = [o.trial_id for o in bench.occurrences if o.happening is not None]
    assert len(set(started)) == 3
