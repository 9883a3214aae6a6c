"""The order in which a session asks for its conditions."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.records import PlannedTrial
from daq.trials.order import OrderKind, plan_order

STEADY = settings(derandomize=True, deadline=None, max_examples=60)
FILTERS = ("none", "coarse", "medium", "fine")


def _order(
    kind: OrderKind, *, repeats: int = 1, seed: int = 1, baseline: str = "none"
) -> tuple[PlannedTrial, ...]:
    return plan_order(FILTERS, baseline=baseline, repeats=repeats, kind=kind, seed=seed)


def _names(order: tuple[PlannedTrial, ...]) -> list[str]:
    return [line.condition for line in order]


def test_as_written_is_round_after_round_in_the_plans_order() -> None:
    order = _order(OrderKind.AS_WRITTEN, repeats=2)
    assert _names(order) == [*FILTERS, *FILTERS]
    assert [line.repeat for line in order] == [1] * 4 + [2] * 4


def test_the_seed_changes_nothing_where_nothing_is_shuffled() -> None:
    for kind in (OrderKind.AS_WRITTEN, OrderKind.BASELINE_FIRST_AND_LAST):
        assert _order(kind, repeats=2, seed=1) == _order(kind, repeats=2, seed=2)


def test_the_same_seed_gives_the_same_shuffle() -> None:
    first = _order(OrderKind.RANDOMISED, repeats=5, seed=7)
    assert _order(OrderKind.RANDOMISED, repeats=5, seed=7) == first


def test_other_seeds_give_other_shuffles_and_rounds_differ() -> None:
    orders = {
        tuple(_names(_order(OrderKind.RANDOMISED, seed=seed))) for seed in range(50)
    }
    # Of 24 orders of four; 50 draws find hardly fewer than 15 of them.
    assert len(orders) >= 15
    names = _names(_order(OrderKind.RANDOMISED, repeats=8, seed=3))
    assert len({tuple(names[i : i + 4]) for i in range(0, 32, 4)}) > 1


@STEADY
@given(st.integers(1, 8), st.integers(0, 2**32 - 1))
def test_every_round_of_a_shuffle_holds_every_condition_once(
    repeats: int, seed: int
) -> None:
    names = _names(_order(OrderKind.RANDOMISED, repeats=repeats, seed=seed))
    rounds = [names[i : i + 4] for i in range(0, len(names), 4)]
    assert len(rounds) == repeats
    assert all(sorted(one) == sorted(FILTERS) for one in rounds)


def test_the_baseline_brackets_the_session() -> None:
    order = _order(OrderKind.BASELINE_FIRST_AND_LAST)
    assert _names(order) == ["none", "coarse", "medium", "fine", "none"]


def test_the_baseline_stands_between_rounds_too() -> None:
    order = _order(OrderKind.BASELINE_FIRST_AND_LAST, repeats=2, baseline="medium")
    rest = ["none", "coarse", "fine"]
    assert _names(order) == ["medium", *rest, "medium", *rest, "medium"]
    assert [line.repeat for line in order if line.baseline] == [1, 2, 3]


@STEADY
@given(st.sampled_from(OrderKind), st.integers(1, 6), st.sampled_from(FILTERS))
def test_lines_are_numbered_and_repeats_counted(
    kind: OrderKind, repeats: int, baseline: str
) -> None:
    order = _order(kind, repeats=repeats, baseline=baseline)
    assert [line.position for line in order] == list(range(1, len(order) + 1))
    for name in FILTERS:
        lines = [line for line in order if line.condition == name]
        assert [line.repeat for line in lines] == list(range(1, len(lines) + 1))
        assert all(line.baseline == (name == baseline) for line in lines)


def test_a_baseline_that_is_no_condition_is_refused() -> None:
    with pytest.raises(ValueError, match="baseline 'velvet' is no condition"):
        _order(OrderKind.AS_WRITTEN, baseline="velvet")


def test_no_round_at_all_is_refused() -> None:
    with pytest.raises(ValueError, match="0 repeats, expected at least 1"):
        _order(OrderKind.AS_WRITTEN, repeats=0)
