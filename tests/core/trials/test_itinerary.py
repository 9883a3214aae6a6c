"""Which line is called for next, whatever is added, left out, asked for again or moved."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.records import PlannedTrial, TrialResult, TrialState
from daq.trials.itinerary import Itinerary
from tests.core.trials.session_bench import order_of

NAMES = ("a", "b", "c")
COUNTING = (TrialState.FINISHED, TrialState.NOT_SETTLED, TrialState.LIMIT_BROKEN)
ENDINGS = (*COUNTING, TrialState.UNFINISHED)
STEADY = settings(derandomize=True, deadline=None, max_examples=300)


def _result(
    line: PlannedTrial,
    state: TrialState = TrialState.FINISHED,
    *,
    attempt: int = 1,
    trial_id: str = "trial",
) -> TrialResult:
    return TrialResult(trial_id, line, attempt, state, 0.0, 100.0)


class _Walk:
    """An itinerary, and what a store would hold of it."""

    def __init__(self) -> None:
        self.itinerary = Itinerary(order_of(*NAMES))
        self.results: dict[str, TrialResult] = {}
        self.in_hand: PlannedTrial | None = None

    # ---- steps; each leaves out what cannot be asked for at the moment

    def measure(self, state: TrialState) -> None:
        self.begin()
        self.end(state)

    def begin(self) -> None:
        line = self.itinerary.next_line()
        if self.in_hand is None and line is not None:
            self.in_hand = line
            self.itinerary.begin(line.position)
            assert self.itinerary.next_line() != line

    def end(self, state: TrialState) -> None:
        line = self.in_hand
        if line is None:
            return
        attempt = self.itinerary.attempts(line.position) + 1
        trial_id = f"trial-{len(self.results) + 1}"
        result = _result(line, state, attempt=attempt, trial_id=trial_id)
        self.results[trial_id] = result
        self.itinerary.end(result)
        self.in_hand = None
        assert self.itinerary.attempts(line.position) == attempt
        assert (line.position in self.itinerary.done) == (state in COUNTING)

    def skip(self) -> None:
        line = self.itinerary.next_line()
        if line is not None:
            self.itinerary.skip(line.position)
            assert line.position in self.itinerary.skipped
            assert self.itinerary.next_line() != line

    def skip_a_later_one(self) -> None:
        line, later = self.itinerary.next_line(), self.itinerary.lines[-1]
        if later != line and self._places(later) == 0:
            self.itinerary.skip(later.position)
            assert self.itinerary.next_line() == line

    def add(self, condition: str) -> None:
        before = self.itinerary.lines
        added = self.itinerary.add_next(condition)
        assert self.itinerary.next_line() == added
        assert added.position == max(line.position for line in before) + 1
        alike = [line.repeat for line in before if line.condition == condition]
        assert added.repeat == max(alike) + 1
        assert added.baseline == (condition == "a")
        # All others stand as they stood.
        assert [line for line in self.itinerary.lines if line != added] == list(before)

    def set_aside(self, pick: int) -> None:
        if not self.results:
            return
        result = self._picked(pick)
        position = result.planned.position
        self.results[result.trial_id] = replace(result, state=TrialState.SET_ASIDE)
        if self.in_hand is not None and self.in_hand.position == position:
            return
        for other in list(self.results.values()):
            # As far as the records go nothing else counts on this line.
            if other.planned.position == position:
                aside = replace(other, state=TrialState.SET_ASIDE)
                self.results[other.trial_id] = aside
        self.itinerary.ask_again(position)
        assert self.itinerary.next_line() == self.itinerary.line_at(position)

    def move(self, pick: int, condition: str) -> None:
        if not self.results:
            return
        result = self._picked(pick)
        if result.planned.condition == condition:
            return
        counts = result.state in COUNTING
        before = self.itinerary
        free = [x for x in before.lines if self._is_free(x, condition)]
        known, done = set(before.lines), len(before.done)
        line = self.itinerary.move_result(result, condition)
        self.results[result.trial_id] = replace(result, planned=line)
        assert line.condition == condition
        if free:
            assert line == free[0]
        else:
            assert (line in known) != counts
        # One line is done instead of another.
        assert len(self.itinerary.done) == done
        assert (line.position in self.itinerary.done) or not counts
        assert not (counts and result.planned.position in self.itinerary.done)

    def _picked(self, pick: int) -> TrialResult:
        return list(self.results.values())[pick % len(self.results)]

    def _is_free(self, line: PlannedTrial, condition: str) -> bool:
        return line.condition == condition and self._places(line) == 0

    def _places(self, line: PlannedTrial) -> int:
        """In how many of done, left out and in hand a line is."""
        position = line.position
        return (
            (position in self.itinerary.done)
            + (position in self.itinerary.skipped)
            + (self.in_hand is not None and self.in_hand.position == position)
        )

    # ---- what always holds

    def check(self) -> None:
        itinerary = self.itinerary
        lines = itinerary.lines
        positions = [line.position for line in lines]
        assert len(set(positions)) == len(positions)
        for name in NAMES:
            repeats = [line.repeat for line in lines if line.condition == name]
            assert sorted(repeats) == list(range(1, len(repeats) + 1))
        assert set(order_of(*NAMES)) <= set(lines)
        # Every line is done, left out, in hand or to come.
        assert all(self._places(line) <= 1 for line in lines)
        to_come = [line for line in lines if self._places(line) == 0]
        assert itinerary.next_line() == (to_come[0] if to_come else None)
        assert itinerary.next_line() == itinerary.next_line()
        counting = [r for r in self.results.values() if r.state in COUNTING]
        assert {r.planned.position for r in counting} == itinerary.done

    def check_stored(self) -> None:
        """What is stored gives the same itinerary again; a trial in hand is asked for again."""
        again = Itinerary(
            self.itinerary.lines,
            skipped=self.itinerary.skipped,
            earlier=self.results.values(),
        )
        assert again.lines == self.itinerary.lines
        assert again.done == self.itinerary.done
        assert again.skipped == self.itinerary.skipped
        for line in again.lines:
            attempts = self.itinerary.attempts(line.position)
            assert again.attempts(line.position) == attempts
        if self.in_hand is None:
            assert again.next_line() == self.itinerary.next_line()


_ending = st.sampled_from(ENDINGS)
_name = st.sampled_from(NAMES)
_pick = st.integers(0, 20)
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just(_Walk.measure), _ending),
        st.tuples(st.just(_Walk.begin)),
        st.tuples(st.just(_Walk.end), _ending),
        st.tuples(st.just(_Walk.skip)),
        st.tuples(st.just(_Walk.skip_a_later_one)),
        st.tuples(st.just(_Walk.add), _name),
        st.tuples(st.just(_Walk.set_aside), _pick),
        st.tuples(st.just(_Walk.move), _pick, _name),
    ),
    max_size=25,
)


@pytest.mark.slow
@STEADY
@given(STEPS)
def test_whatever_is_asked_for_nothing_is_lost_and_what_is_stored_says_the_same(
    steps: list[tuple[object, ...]],
) -> None:
    walk = _Walk()
    walk.check()
    for step, *arguments in steps:
        assert callable(step)
        step(walk, *arguments)
        walk.check()
        walk.check_stored()


# ---- by example


def _called(itinerary: Itinerary) -> list[str]:
    return [f"{line.condition}{line.repeat}" for line in itinerary.lines]


def test_lines_are_called_for_one_after_another() -> None:
    itinerary = Itinerary(order_of(*NAMES))
    called = []
    while (line := itinerary.next_line()) is not None:
        called.append(line.condition)
        itinerary.begin(line.position)
        itinerary.end(_result(line, trial_id=line.condition))
    assert called == list(NAMES)
    assert itinerary.done == {1, 2, 3}


def test_a_line_added_while_another_is_in_hand_comes_after_that() -> None:
    itinerary = Itinerary(order_of(*NAMES))
    itinerary.begin(1)
    itinerary.add_next("c")
    assert _called(itinerary) == ["a1", "c2", "b1", "c1"]
    # Switched off too soon: the line that was in hand is still called for before the added one.
    itinerary.end(_result(itinerary.lines[0], TrialState.UNFINISHED))
    assert itinerary.next_line() == order_of(*NAMES)[0]


def test_a_line_added_when_all_is_done_stands_at_the_end() -> None:
    (only,) = order_of("a")
    itinerary = Itinerary([only], earlier=[_result(only)])
    assert itinerary.next_line() is None
    itinerary.add_next("a")
    assert itinerary.next_line() == PlannedTrial(2, "a", 2, baseline=True)


def test_a_line_left_out_can_be_asked_for_again() -> None:
    itinerary = Itinerary(order_of(*NAMES), skipped=[2])
    itinerary.ask_again(2)
    assert itinerary.skipped == frozenset()
    # It stood later than the line called for, and goes before it.
    assert _called(itinerary) == ["b1", "a1", "c1"]


def test_a_line_in_hand_stays_in_hand_when_it_is_asked_for() -> None:
    itinerary = Itinerary(order_of(*NAMES), skipped=[2])
    itinerary.begin(1)
    itinerary.ask_again(1)
    assert _called(itinerary) == ["a1", "b1", "c1"]
    assert itinerary.next_line() == itinerary.lines[2]


def test_a_trial_moved_to_a_condition_that_is_all_done_gets_a_line_of_its_own() -> None:
    first, second, third = order_of(*NAMES)
    results = [_result(x, trial_id=x.condition) for x in (first, second)]
    itinerary = Itinerary([first, second, third], earlier=results)
    line = itinerary.move_result(results[1], "a")
    assert line == PlannedTrial(4, "a", 2, baseline=True)
    assert _called(itinerary) == ["a1", "a2", "b1", "c1"]
    assert itinerary.done == {1, 4}
    assert itinerary.next_line() == second


def test_a_trial_that_counts_for_nothing_is_moved_without_asking_for_more() -> None:
    first, second, _ = order = order_of(*NAMES)
    unfinished = _result(second, TrialState.UNFINISHED, trial_id="u")
    itinerary = Itinerary(order, earlier=[_result(first), unfinished])
    assert itinerary.move_result(unfinished, "a") == first
    assert itinerary.lines == order
    assert itinerary.done == {1}


def test_an_attempt_that_was_moved_away_is_not_counted_any_more() -> None:
    first, *_ = order = order_of(*NAMES)
    results = [
        _result(first, TrialState.UNFINISHED, trial_id="1"),
        _result(first, attempt=2, trial_id="2"),
    ]
    itinerary = Itinerary(order, earlier=results)
    assert itinerary.attempts(1) == 2
    itinerary.move_result(results[1], "b")
    assert (itinerary.attempts(1), itinerary.attempts(2)) == (1, 2)


@pytest.mark.parametrize("position", [1, 2, 9])
def test_only_a_line_to_come_can_be_left_out(position: int) -> None:
    itinerary = Itinerary(order_of(*NAMES), skipped=[2])
    itinerary.begin(1)
    with pytest.raises(ValueError, match=f"line {position} is not to come"):
        itinerary.skip(position)


def test_what_is_not_in_the_order_cannot_be_asked_for() -> None:
    itinerary = Itinerary(order_of(*NAMES))
    with pytest.raises(ValueError, match="condition 'velvet' is in no line"):
        itinerary.add_next("velvet")
    with pytest.raises(ValueError, match="condition 'velvet' is in no line"):
        itinerary.move_result(_result(order_of(*NAMES)[0]), "velvet")
    with pytest.raises(ValueError, match="there is no line 9"):
        itinerary.ask_again(9)
