"""What a trial that is given up tells then, and the rule by which one is judged again, each part by itself."""

from dataclasses import replace

import numpy as np
import pytest

from daq.records import Reading, TrialState
from daq.settling.normalising import Normalising
from daq.settling.options import OptionError
from daq.settling.parameters import STANDARD
from daq.settling.presets import PRESETS
from daq.settling.verdicts import HeldBackBy
from daq.trials.judging import CAN_BE_AVERAGED
from daq.trials.reanalysis import OtherRule
from daq.trials.session import Session
from daq.trials.stages import Happening
from daq.trials.switching import StartRule
from tests.core.trials.session_bench import (
    LONGEST_S,
    OFF_A,
    ON_A,
    RULES,
    Bench,
    order_of,
)

# ---- given up


def test_a_trial_given_up_at_its_longest_time_tells_its_result_and_no_reason() -> None:
    # The voltage stands for a channel whose zero is taken with the machine off.
    channels = tuple(
        replace(c, subtract_idle=c.name == "voltage") for c in RULES.channels
    )
    bench = Bench(Session(replace(RULES, channels=channels), order_of("a", "b")))
    bench.run(20, OFF_A, voltage=0.5)
    started, *_ = bench.run(LONGEST_S, ON_A, slope=1e-3)
    (up,) = bench.run(1, ON_A)
    assert (up.happening, up.reason) == (Happening.TIME_UP, None)
    assert up.at_s == bench.now_s == started.at_s + LONGEST_S
    assert up.result is not None
    assert up.result.state is TrialState.NOT_SETTLED
    assert (up.result.started_s, up.result.ended_s) == (started.at_s, bench.now_s)
    assert up.result.idle is not None
    assert up.result.idle.end_s <= started.at_s
    assert up.result.note.startswith("power: drifting")
    assert up.result.note.endswith(CAN_BE_AVERAGED)


def test_an_idle_machine_is_given_up_with_no_load_as_the_reason() -> None:
    start = StartRule(None, on_above=0.0, off_below=0.0, least_off_s=2.0)
    bench = Bench(Session(replace(RULES, start=start), order_of("a", "b")))
    bench.operate(lambda session: session.operator_switched(bench.now_s))
    # Nothing is drawn, and the meter's zero flickers by a step.
    flicker = np.random.default_rng(1).integers(-1, 2, 350) / 100.0
    happened = [
        occurrence
        for at_s, watts in enumerate(flicker.tolist(), round(bench.now_s) + 1)
        for occurrence in bench.session.feed(
            Reading("meter", float(at_s), (OFF_A, watts, 230.0))
        )
    ]
    assert happened[-1].happening is Happening.TIME_UP
    assert happened[-1].reason is HeldBackBy.NO_LOAD
    assert happened[-1].result is not None
    assert happened[-1].result.state is TrialState.UNFINISHED


# ---- judged by another rule

NORMALISED = replace(
    RULES,
    required=("power", "current"),
    target=0.002,
    normalising=Normalising("voltage", ("power", "current"), 230.0),
)


def test_nothing_asked_otherwise_leaves_every_part_of_the_rule() -> None:
    assert OtherRule().is_the_recorded
    assert OtherRule().instead_of(NORMALISED) == NORMALISED


def test_one_tolerance_is_every_channel_s_and_a_channel_s_own_goes_before_it() -> None:
    other = OtherRule(tolerance=0.01, tolerances={"power": 0.02})
    assert not other.is_the_recorded
    assert other.instead_of(NORMALISED) == replace(
        NORMALISED, tolerances={"current": 0.01, "power": 0.02, "voltage": 0.01}
    )
    alone = OtherRule(tolerances={"power": 0.02}).instead_of(NORMALISED)
    assert alone.tolerances == {**NORMALISED.tolerances, "power": 0.02}


def test_another_target_replaces_the_recorded_one() -> None:
    found = OtherRule(target=0.001).instead_of(NORMALISED)
    assert found == replace(NORMALISED, target=0.001)


def test_parameters_are_the_base_s_with_single_ones_changed() -> None:
    quick = PRESETS["quick"].parameters
    assert OtherRule(base=quick).instead_of(RULES) == replace(RULES, parameters=quick)
    changed = OtherRule(base=quick, changes={"longest_s": 77.0}).instead_of(RULES)
    assert changed.parameters == replace(quick, longest_s=77.0)
    changed = OtherRule(changes={"longest_s": 277.0}).instead_of(RULES)
    assert changed.parameters == replace(STANDARD, longest_s=277.0)


def test_only_what_a_trial_waits_for_stays_normalised() -> None:
    fewer = OtherRule(required=("current",)).instead_of(NORMALISED)
    assert fewer == replace(
        NORMALISED,
        required=("current",),
        normalising=Normalising("voltage", ("current",), 230.0),
    )
    none = OtherRule(required=("voltage",)).instead_of(NORMALISED)
    assert none == replace(NORMALISED, required=("voltage",), normalising=None)


@pytest.mark.parametrize(
    "other",
    [OtherRule(tolerances={"airflow": 0.01}), OtherRule(required=("airflow",))],
)
def test_a_channel_that_the_bench_did_not_have_is_named_with_those_it_had(
    other: OtherRule,
) -> None:
    with pytest.raises(OptionError) as refused:
        other.instead_of(RULES)
    assert str(refused.value) == (
        "no channel 'airflow', expected one of current, power, voltage"
    )


def test_a_typed_channel_cannot_be_waited_for() -> None:
    typed = replace(RULES, typed=("voltage",))
    with pytest.raises(OptionError) as refused:
        OtherRule(required=("voltage",)).instead_of(typed)
    assert str(refused.value) == (
        "'voltage' was typed by the operator: a few readings cannot tell when it is settled"
    )


def test_a_rule_that_does_not_go_together_is_refused_before_anything_is_judged() -> (
    None
):
    nothing = replace(RULES, required=())
    with pytest.raises(OptionError, match="no required channel"):
        OtherRule().instead_of(nothing)
