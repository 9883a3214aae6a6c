"""Where in the order of a trial's readings a typed one was taken back."""

from daq.runtime.store.taken_back import Stretch, TakenBackAt, stretches
from daq.typed import TakenBack

FIRST, SECOND = TakenBack("velocity", 10.0), TakenBack("pressure", 11.5)


def test_readings_are_cut_where_something_was_taken_back() -> None:
    taken = [TakenBackAt(FIRST, 14)]
    parts = list(stretches(10, 30, taken, longest=100))
    assert parts == [Stretch(10, 14, ()), Stretch(14, 30, (FIRST,))]


def test_what_was_taken_back_after_the_last_reading_comes_behind_it() -> None:
    taken = [TakenBackAt(FIRST, 30), TakenBackAt(SECOND, 47)]
    parts = list(stretches(10, 30, taken, longest=100))
    assert parts == [Stretch(10, 30, ()), Stretch(30, 30, (FIRST, SECOND))]


def test_without_anything_taken_back_stretches_are_as_long_as_they_may_be() -> None:
    parts = list(stretches(10, 35, [], longest=10))
    assert [(part.first, part.end) for part in parts] == [(10, 20), (20, 30), (30, 35)]
    assert list(stretches(10, 10, [], longest=10)) == []


def test_every_reading_is_in_one_stretch_and_everything_taken_back_at_one_place() -> (
    None
):
    taken = [TakenBackAt(FIRST, 20), TakenBackAt(SECOND, 20), TakenBackAt(FIRST, 23)]
    parts = list(stretches(10, 35, taken, longest=10))
    numbers = [n for part in parts for n in range(part.first, part.end)]
    assert numbers == list(range(10, 35))
    assert [t for part in parts for t in part.taken_back] == [FIRST, SECOND, FIRST]
