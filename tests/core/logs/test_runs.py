"""Runs found in a log, and the line of the order that each is."""

import pytest

from daq.errors import InputError
from daq.logs.runs import Assigned, Run, assign_runs, find_runs, split_order
from daq.records import PlannedTrial
from daq.trials.order import OrderKind, plan_order
from daq.trials.switching import StartRule

RULE = StartRule("power", on_above=100.0, off_below=50.0, least_off_s=2.0)
CONDITIONS = ("bare", "2.5 mm2, 25 m")


def runs_of(text: str) -> tuple[Run, ...]:
    """Ten readings a letter: o for off, R for running."""
    values = [900.0 if letter == "R" else 0.0 for letter in text for _ in range(10)]
    return find_runs([float(t) for t in range(len(values))], values, RULE)


def planned(repeats: int = 2) -> tuple[PlannedTrial, ...]:
    return plan_order(
        CONDITIONS,
        baseline="bare",
        repeats=repeats,
        kind=OrderKind.AS_WRITTEN,
        seed=0,
    )


def assigned(
    runs: tuple[Run, ...],
    *,
    order: list[str] | None = None,
    skipped: tuple[int, ...] = (),
) -> Assigned:
    return assign_runs(
        runs, planned(), order=order, skipped=skipped, shown=lambda s: f"{s:.0f} s"
    )


def test_a_run_lasts_from_switching_on_to_switching_off() -> None:
    (run,) = runs_of("oRRo")
    assert (run.on.latest_s, run.end_s) == (10.0, 30.0)
    assert run.off is not None


def test_what_runs_when_the_log_begins_is_no_run() -> None:
    assert len(runs_of("RRoRo")) == 1


def test_a_run_may_last_to_the_end_of_the_log() -> None:
    (run,) = runs_of("oRR")
    assert run.off is None
    assert run.end_s == 29.0


def test_runs_are_the_lines_of_the_order_one_by_one() -> None:
    found = assigned(runs_of("oRoRoRoRo"))
    assert [(run.number, line.condition) for run, line in found.pairs] == [
        (1, "bare"),
        (2, CONDITIONS[1]),
        (3, "bare"),
        (4, CONDITIONS[1]),
    ]
    assert found.order == planned()


def test_too_many_runs_are_told_with_their_times_and_the_remedy() -> None:
    with pytest.raises(InputError) as caught:
        assigned(runs_of("oRoRoRoRRoRo"))
    text = str(caught.value)
    assert "too many runs: 5 are counted, the plan's order has 4" in text
    assert "--skip-run N" in text
    assert "run 4: from 70 s, 20 s" in text


def test_a_run_that_is_skipped_counts_for_nothing() -> None:
    found = assigned(runs_of("oRoRoRoRoRo"), skipped=(2,))
    assert [run.number for run, _ in found.pairs] == [1, 3, 4, 5]


def test_a_run_that_is_not_there_cannot_be_skipped() -> None:
    with pytest.raises(InputError, match="--skip-run 7: no such run"):
        assigned(runs_of("oRoRo"), skipped=(7,))


def test_too_few_runs_are_told_with_the_remedy() -> None:
    with pytest.raises(InputError, match=r"too few runs: 2 are counted.*--order"):
        assigned(runs_of("oRoRo"))


def test_a_stated_order_leaves_the_other_lines_to_be_done() -> None:
    found = assigned(runs_of("oRoRo"), order=["bare", "bare"])
    assert [line.position for _, line in found.pairs] == [1, 3]
    assert [line.position for line in found.order] == [1, 3, 2, 4]


def test_what_was_run_more_often_than_planned_gets_lines_of_its_own() -> None:
    found = assigned(runs_of("oRoRoRo"), order=["bare"] * 3)
    extra = found.pairs[-1][1]
    assert extra == PlannedTrial(5, "bare", 3, baseline=True)


def test_an_order_is_parted_by_commas_although_names_have_some() -> None:
    names = split_order("bare,2.5 mm2, 25 m, bare", CONDITIONS)
    assert names == ["bare", "2.5 mm2, 25 m", "bare"]


def test_a_name_that_is_not_in_the_plan_is_told() -> None:
    with pytest.raises(InputError, match="no condition 'wet' in the plan"):
        split_order("bare, wet", CONDITIONS)
