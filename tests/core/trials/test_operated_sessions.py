"""Sessions with an operator's hand in them at any moment: the table holds, and what is stored says where it stands."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.errors import OperationRefusedError
from daq.records import TrialResult, TrialState
from daq.trials.session import Session
from daq.trials.stages import SWITCHED_OFF, Happening, Stage
from tests.core.trials.session_bench import OFF_A, ON_A, RULES, TOO_MUCH_A, Bench

NOTHING_COUNTS = {TrialState.UNFINISHED, TrialState.SET_ASIDE}


class _Operated:
    """A bench with an operator, and the ended trials as a store holds them."""

    def __init__(self) -> None:
        self.bench = Bench()
        self.ended: dict[str, TrialResult] = {}

    @property
    def session(self) -> Session:
        return self.bench.session

    def run(self, seconds: int, current: float) -> None:
        is_held = self.session.is_paused_now
        happened = self.bench.run(seconds, current)
        for occurrence in happened:
            assert not (is_held and occurrence.happening is Happening.SWITCHED_ON)
            if occurrence.happening in SWITCHED_OFF and occurrence.result is not None:
                self.ended[occurrence.trial_id] = occurrence.result

    def pause(self) -> None:
        self.session.pause()
        assert self.session.paused

    def go_on(self) -> None:
        self.session.go_on()
        assert not self.session.is_paused_now

    def skip(self) -> None:
        self.bench.operate(lambda session: session.skip())

    def repeat(self, position: int) -> None:
        self.bench.operate(lambda session: session.repeat(position))

    def repeat_instead(self, pick: int) -> None:
        before = self._picked(pick)
        # The newest of its line that counts, as an operator is offered it.
        if before is not None and before.state not in NOTHING_COUNTS:
            stage = self.session.stage
            after, happened = self.session.repeat_instead(before, "hose off")
            self._told(stage, after, happened=[o.happening for o in happened])

    def relabel(self, pick: int, condition: str) -> None:
        before = self._picked(pick)
        if before is not None:
            stage = self.session.stage
            after, happened = self.session.relabel(before, condition, "wrong lead")
            self._told(stage, after, happened=[o.happening for o in happened])

    def _told(
        self, stage: Stage, after: TrialResult, *, happened: list[Happening | None]
    ) -> None:
        self.ended[after.trial_id] = after
        is_open_again = stage is Stage.FINISHED and self.session.stage is Stage.WAITING
        assert happened == ([Happening.ASKED_AGAIN] if is_open_again else [])

    def _picked(self, pick: int) -> TrialResult | None:
        trials = list(self.ended.values())
        return trials[pick % len(trials)] if trials else None

    def standing(self) -> tuple[object, ...]:
        session = self.session
        return (
            session.stage,
            session.order,
            session.skipped,
            session.paused,
            session.called_for,
            session.done_count,
        )

    def check(self) -> None:
        """The session is as a later one would take it up."""
        session = self.session
        counting = [r for r in self.ended.values() if r.state not in NOTHING_COUNTS]
        assert session.done_count == len(counting)
        positions = {r.planned.position for r in counting}
        assert len(positions) == len(counting)
        taken_up = Session(
            RULES,
            session.order,
            earlier=list(self.ended.values()),
            skipped=session.skipped,
            paused=session.paused,
        )
        assert taken_up.done_count == session.done_count
        if session.trial() is None:
            assert taken_up.stage is session.stage
            assert taken_up.called_for == session.called_for
            assert taken_up.is_paused_now == session.is_paused_now


_pick = st.integers(0, 8)
STEPS = st.lists(
    st.one_of(
        st.just((_Operated.run, 150, ON_A)),
        st.just((_Operated.run, 5, OFF_A)),
        st.just((_Operated.run, 5, OFF_A)),
        st.just((_Operated.run, 20, TOO_MUCH_A)),
        st.just((_Operated.pause,)),
        st.just((_Operated.go_on,)),
        st.just((_Operated.skip,)),
        st.tuples(st.just(_Operated.repeat), st.integers(0, 4)),
        st.tuples(st.just(_Operated.repeat_instead), _pick),
        st.tuples(st.just(_Operated.relabel), _pick, st.sampled_from("ab")),
    ),
    min_size=4,
    max_size=24,
)


@pytest.mark.slow
@settings(derandomize=True, deadline=None, max_examples=150)
@given(STEPS)
def test_whatever_is_asked_for_a_session_can_be_taken_up_where_it_stands(
    steps: list[tuple[object, ...]],
) -> None:
    operated = _Operated()
    for step, *arguments in steps:
        assert callable(step)
        before = operated.standing()
        try:
            step(operated, *arguments)
        except OperationRefusedError:
            # What is refused changes nothing.
            assert operated.standing() == before
        operated.check()
