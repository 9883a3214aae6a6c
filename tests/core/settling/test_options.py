"""Parameters of the settling rule by name: set, refused, recorded and read back."""

import dataclasses
import json
import math

import numpy as np
import pytest

from daq.settling.options import (
    OptionError,
    options_from_words,
    parameter_kinds,
    parameters_from_json,
    parameters_to_json,
    with_options,
)
from daq.settling.parameters import MAY_BE_ZERO, STANDARD, Parameters
from daq.settling.presets import PRESETS
from daq.settling.record import settle_record
from tests.core.settling.records import (
    RESOLUTION,
    TOLERANCE,
    readings_at,
    times_until,
)

NAMES = [field.name for field in dataclasses.fields(Parameters)]


def first_of_kind(kind: str) -> str:
    return next(name for name, words in parameter_kinds().items() if words == kind)


A_NUMBER = first_of_kind("a number")
A_WHOLE_NUMBER = first_of_kind("a whole number")
A_LIST = first_of_kind("a list, each item a number")


def refused(options: dict[str, object]) -> OptionError:
    with pytest.raises(OptionError) as caught:
        with_options(STANDARD, options)
    return caught.value


def test_a_parameter_is_set_by_its_name_and_the_others_stay() -> None:
    before = getattr(STANDARD, A_NUMBER)
    changed = with_options(STANDARD, {A_NUMBER: before * 1.25})
    assert getattr(changed, A_NUMBER) == before * 1.25
    assert dataclasses.replace(changed, **{A_NUMBER: before}) == STANDARD


def test_no_options_change_nothing() -> None:
    assert with_options(STANDARD, {}) == STANDARD


def test_a_list_becomes_the_tuple_that_the_rule_wants() -> None:
    before = getattr(STANDARD, A_LIST)
    assert with_options(STANDARD, {A_LIST: list(before)}) == STANDARD


@pytest.mark.parametrize("value", [3, 3.0])
def test_a_whole_number_may_be_written_either_way(value: float) -> None:
    kept = getattr(with_options(STANDARD, {A_WHOLE_NUMBER: value}), A_WHOLE_NUMBER)
    assert (kept, type(kept)) == (3, int)


def test_an_unknown_parameter_is_told_with_the_nearest_and_all_there_are() -> None:
    error = refused({A_NUMBER + "x": 1.0})
    assert error.name == A_NUMBER + "x"
    assert error.problem.startswith(f"unknown parameter, did you mean {A_NUMBER!r}?")
    assert all(name in error.problem for name in NAMES)


def test_a_parameter_that_is_like_none_is_told_with_all_there_are() -> None:
    problem = refused({"zzzzzz": 1.0}).problem
    assert problem == f"unknown parameter, expected one of {', '.join(NAMES)}"


@pytest.mark.parametrize(
    ("name", "value", "told"),
    [
        (A_NUMBER, "fast", "got 'fast', expected a number"),
        (A_NUMBER, True, "got true, expected a number"),
        (A_NUMBER, None, "got None, expected a number"),
        (A_NUMBER, [1.0], "got [1.0], expected a number"),
        (A_WHOLE_NUMBER, 2.5, "got 2.5, expected a whole number"),
        (A_WHOLE_NUMBER, math.nan, "got nan, expected a whole number"),
        (A_LIST, 30.0, "got 30.0, expected a list, each item a number"),
        (A_LIST, [], "got [], expected a list, each item a number"),
        (A_LIST, [30, "x"], "got [30, 'x'], expected a list, each item a number"),
    ],
)
def test_a_value_of_another_kind_is_refused(
    name: str, value: object, told: str
) -> None:
    assert refused({name: value}).problem == told


@pytest.mark.parametrize("value", [0.0, -1.0, math.nan, math.inf, -math.inf])
def test_a_number_that_cannot_be_is_refused(value: float) -> None:
    problem = refused({A_NUMBER: value}).problem
    assert problem == f"got {value!r}, expected finite numbers above 0"


@pytest.mark.parametrize("name", sorted(MAY_BE_ZERO))
@pytest.mark.parametrize("preset", list(PRESETS))
def test_what_may_be_none_at_all_may_be_0_whatever_the_preset_has(
    preset: str, name: str
) -> None:
    changed = with_options(PRESETS[preset].parameters, {name: 0.0})
    assert getattr(changed, name) == 0.0
    assert (
        refused({name: -0.5}).problem == "got -0.5, expected finite numbers at least 0"
    )


def test_a_rule_with_every_0_that_is_allowed_still_judges() -> None:
    none_at_all = with_options(STANDARD, dict.fromkeys(MAY_BE_ZERO, 0.0))
    times = times_until(300.0)
    values = readings_at(times, lambda t: 3.0 * np.exp(-t / 40.0))
    verdict = settle_record(
        times,
        values,
        tolerance=TOLERANCE,
        resolution=RESOLUTION,
        parameters=none_at_all,
        find_smallest=False,
    )
    # Nothing is tolerated as a swing or a jump; that noise is neither is for their tests to see.
    assert verdict.settled or verdict.why_not is not None


@pytest.mark.parametrize("name", [n for n in NAMES if n not in MAY_BE_ZERO])
def test_what_must_be_something_may_not_be_0(name: str) -> None:
    value = getattr(STANDARD, name)
    nothing = [0] if isinstance(value, tuple) else 0
    assert refused({name: nothing}).name == name


def test_one_impossible_number_in_a_list_is_enough() -> None:
    problem = refused({A_LIST: [30.0, -45.0]}).problem
    assert problem == "got [30.0, -45.0], expected finite numbers above 0"


def test_what_does_not_go_together_is_refused_with_both_names() -> None:
    error = refused({"least_s": 5000.0})
    assert error.name == "least_s"
    assert error.problem.startswith("longest_s ")
    assert "expected at least least_s" in error.problem


# ---- typed


def test_options_are_typed_as_name_and_value() -> None:
    words = ["a=1.5", "b=3", "c=[30, 45]", "d=30,45", "e = 2", "f=fast"]
    assert options_from_words(words) == {
        "a": 1.5,
        "b": 3,
        "c": [30, 45],
        "d": [30, 45],
        "e": 2,
        "f": "fast",
    }


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["alpha"], "alpha: no value, expected name=value"),
        (["a=1", "a=2"], "a: given twice, expected it once"),
    ],
)
def test_an_option_typed_wrongly_is_refused(words: list[str], told: str) -> None:
    with pytest.raises(OptionError, match=told):
        options_from_words(words)


# ---- recorded


def test_recorded_parameters_come_back_to_the_bit() -> None:
    # A third has no short decimal form.
    odd = with_options(STANDARD, {A_NUMBER: 1.0 / 3.0, A_LIST: [100.0 / 3.0, 60.1]})
    for parameters in (STANDARD, odd):
        text = json.dumps(parameters_to_json(parameters))
        assert parameters_from_json(json.loads(text)) == parameters


def test_parameters_of_another_version_are_refused_with_what_differs() -> None:
    recorded = parameters_to_json(STANDARD)
    recorded["of_old"] = recorded.pop(A_NUMBER)
    with pytest.raises(OptionError) as caught:
        parameters_from_json(recorded)
    assert str(caught.value) == (
        "parameters of another version of the rule:"
        f" lacks {A_NUMBER} and has unknown of_old"
    )


@pytest.mark.parametrize("name", list(PRESETS))
def test_every_preset_comes_back_from_its_record(name: str) -> None:
    parameters = PRESETS[name].parameters
    assert parameters_from_json(parameters_to_json(parameters)) == parameters
