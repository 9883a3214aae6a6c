"""What has changed since a session was begun is named: keys with their old and new values, three at most."""

import pytest

from daq.runtime.changed_since import Texts, changed_since
from tests.runtime.conftest import BENCH, PLAN

WHAT = "the plan, or a channel of the bench, has changed since"


def told(plan: str = PLAN, bench: str = BENCH) -> str:
    """What is said where these are what is there now."""
    return changed_since(Texts(PLAN, BENCH), Texts(plan, bench))


def changed_plan(*changes: tuple[str, str]) -> str:
    text = PLAN
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    return text


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("above = 13.0", "above = 15.0", "limit.current.above = 15.0, was 13.0"),
        ("least_s = 30\n", "", "averaging.least_s is gone, was 30"),
        (
            "[averaging]",
            "[averaging]\ntarget_percent = 0.5",
            "averaging.target_percent = 0.5, was not there",
        ),
        (
            'instruction = "Fit the long lead, unrolled"',
            'instruction = "Fit it"',
            'condition."long lead".instruction = "Fit it", was "Fit the long lead, unrolled"',
        ),
    ],
)
def test_a_key_of_the_plan_is_named_with_its_old_and_its_new_value(
    old: str, new: str, words: str
) -> None:
    assert told(changed_plan((old, new))) == f"{WHAT} (in the plan {words})"


def test_of_more_than_three_changes_the_others_are_counted() -> None:
    plan = changed_plan(
        ("above = 13.0", "above = 15.0"),
        ("for_s = 3.0", "for_s = 4.0"),
        ("on_above = 1.0", "on_above = 1.5"),
        ("off_below = 0.5", "off_below = 0.6"),
        ("least_s = 30", "least_s = 40"),
    )
    words = told(plan)
    assert words.count(", was ") == 3
    assert words.endswith("; and 2 more)")


def test_conditions_in_another_order_are_named_as_that() -> None:
    first, second = (PLAN.index(f'[[condition]]\nname = "{n}') for n in ("short", "long"))  # fmt: skip
    end = PLAN.index("[start]")
    plan = PLAN[:first] + PLAN[second:end] + PLAN[first:second] + PLAN[end:]
    assert told(plan) == f"{WHAT} (in the plan the order of condition is another)"


def test_a_channel_of_the_bench_is_named_and_its_port_is_not() -> None:
    bench = BENCH.replace("ports/air", "ports/other").replace('"outlet"', '"inlet"')
    words = 'in the bench instrument.anemometer.place = "inlet", was "outlet"'
    assert told(bench=bench) == f"{WHAT} ({words})"


def test_what_neither_file_shows_is_sought_in_a_profile() -> None:
    assert told() == (
        f"{WHAT} (neither file says otherwise: a meter's profile, or what this program takes where nothing is stated)"
    )


@pytest.mark.parametrize("text", ["", "no TOML = = at all", "instrument = 3"])
def test_of_a_text_that_cannot_be_read_nothing_is_named(text: str) -> None:
    now = Texts(PLAN, BENCH)
    assert changed_since(Texts("", BENCH), now) == WHAT
    assert changed_since(Texts(PLAN, text), now) == WHAT


def test_a_long_value_is_cut() -> None:
    plan = changed_plan(("Drying blower", "B" * 200))
    words = told(plan)
    assert "B" * 50 in words
    assert "B" * 100 not in words
