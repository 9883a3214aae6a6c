"""What was typed is a number, or is refused; what looks like a slip of the finger is doubted, and nothing else is."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.typed import Display, doubts_about, parse_entry
from daq.typed.entry import strays_among

VELOCITY = Display("velocity", 0.01, low=0.0, high=45.0, full_scale=40.0)
POWER = Display("power", 1.0)
COARSE = Display("pressure", 0.5)
BEFORE = (12.31, 12.36, 12.28)


def doubts(
    text: str,
    display: Display = VELOCITY,
    *,
    neighbours: tuple[float, ...] = (),
    earlier: tuple[float, ...] = (),
) -> tuple[str, ...]:
    entry = parse_entry(text, display)
    return doubts_about(entry, display, neighbours=neighbours, earlier=earlier)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("12.34", 12.34),
        (" 12.34 ", 12.34),
        ("12,34", 12.34),
        (".5", 0.5),
        ("7.", 7.0),
        ("+3", 3.0),
        ("007", 7.0),
    ],
)
def test_a_number_is_taken_as_people_write_it(text: str, value: float) -> None:
    assert parse_entry(text, VELOCITY).value == value


def test_a_typographic_minus_is_a_minus() -> None:
    assert parse_entry("\N{MINUS SIGN}3.5", POWER).value == -3.5


@pytest.mark.parametrize(
    "text", ["", "-", ".", "12.3.4", "1.234,5", "12 m/s", "1e3", "nan", "inf", "٣", "9" * 21, "1 2"]
)  # fmt: skip
def test_what_is_no_number_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match=r"expected a number .* like 12\.30"):
        parse_entry(text, VELOCITY)


@pytest.mark.parametrize(
    ("text", "words"),
    [("-0.01", "at least 0"), ("45.01", "at most 45"), ("1234", "at most 45")],
)
def test_what_the_meter_cannot_show_is_refused_with_its_range(
    text: str, words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        parse_entry(text, VELOCITY)


def test_a_range_may_be_stated_at_one_end_only() -> None:
    with pytest.raises(ValueError, match="at most 40"):
        parse_entry("41", Display("velocity", 0.1, high=40.0))
    with pytest.raises(ValueError, match="at least 0"):
        parse_entry("-1", Display("velocity", 0.1, low=0.0))
    assert parse_entry("41", Display("velocity", 0.1, low=0.0)).value == 41.0


@given(st.text(max_size=30))
def test_any_text_is_a_number_within_the_range_or_refused(text: str) -> None:
    try:
        entry = parse_entry(text, VELOCITY)
    except ValueError:
        return
    assert 0.0 <= entry.value <= 45.0
    assert float(entry.text) == entry.value


@pytest.mark.parametrize(
    ("text", "display", "words"),
    [
        ("12.345", VELOCITY, "3 decimals, the display shows 2"),
        ("12.5", POWER, "it has 1 decimal, the display shows none"),
        ("12.3", COARSE, "steps of 0.5"),
        ("41.00", VELOCITY, "beyond the end of the range, 40"),
        ("1,234", POWER, "1234 may have been meant"),
    ],
)
def test_what_the_display_cannot_show_so_is_doubted(
    text: str, display: Display, words: str
) -> None:
    (doubt,) = doubts(text, display)
    assert words in doubt


@pytest.mark.parametrize(
    ("text", "meant"), [("1.23", "12.30"), ("1.24", "12.40"), ("0.12", "12.00")]
)
def test_a_point_in_the_wrong_place_is_doubted_by_the_readings_before(
    text: str, meant: str
) -> None:
    (doubt,) = doubts(text, neighbours=BEFORE)
    assert f"{meant} may have been meant" in doubt


def test_ten_times_as_much_is_doubted_by_the_readings_before() -> None:
    (doubt,) = doubts("1398", POWER, neighbours=(139.0, 140.0))
    assert doubt.startswith("it is about 10 times the readings before it, about 140")
    assert "140 may have been meant" in doubt


def test_ten_times_as_much_is_doubted_by_other_trials_where_there_is_no_reading_yet() -> (
    None
):
    (doubt,) = doubts("1398", POWER, earlier=(100.0, 180.0))
    assert "this channel's other trials" in doubt


def test_another_condition_may_be_half_of_the_others_or_double_without_a_doubt() -> (
    None
):
    assert doubts("70", POWER, earlier=(140.0, 139.0)) == ()
    assert doubts("280", POWER, earlier=(140.0, 139.0)) == ()


@pytest.mark.parametrize(
    ("text", "meant"), [("21.34", "12.34"), ("13.24", "12.34"), ("12.43", None)]
)
def test_two_digits_swapped_are_doubted_where_that_shows(
    text: str, meant: str | None
) -> None:
    found = doubts(text, neighbours=BEFORE)
    if meant is None:
        assert found == ()
    else:
        assert f"{meant} may have been meant" in found[0]


def test_a_swap_is_also_seen_against_another_trial() -> None:
    (doubt,) = doubts("21.34", earlier=(12.3,))
    assert "two digits may be swapped" in doubt


def test_one_wrong_digit_among_steady_readings_is_doubted() -> None:
    (doubt,) = doubts("17.33", neighbours=BEFORE)
    assert doubt == "it is far from the readings before it, about 12.31"


def test_a_lost_sign_is_doubted() -> None:
    display = Display("temperature", 0.1)
    assert doubts("3.1", display, neighbours=(-3.2, -3.0)) != ()


@given(st.floats(-1.9, 1.9))
def test_what_a_settled_machine_reads_is_never_doubted(off_percent: float) -> None:
    text = f"{12.3 * (1.0 + off_percent / 100.0):.2f}"
    assert doubts(text, neighbours=BEFORE) == ()


def test_near_zero_nothing_is_said_of_ratios() -> None:
    assert doubts("0.04", neighbours=(0.4, 0.0, 0.05)) == ()


def test_without_anything_to_compare_with_only_the_display_is_asked() -> None:
    assert doubts("4.56") == ()


WATTS = Display("power", 1.0)


@pytest.mark.parametrize("text", ["5412", "142", "4130"])
@pytest.mark.parametrize("before", [(4120.0, 412.0), (4120.0, 412.0, 413.0), (412.0, 413.0, 4120.0, 411.0)])  # fmt: skip
def test_a_slip_that_was_confirmed_makes_no_other_slip_pass(
    before: tuple[float, ...], text: str
) -> None:
    assert len(doubts(text, WATTS, neighbours=before)) == 1


def test_a_right_reading_beside_a_confirmed_slip_is_not_doubted_once_two_agree() -> (
    None
):
    (doubt,) = doubts("413", WATTS, neighbours=(4120.0, 412.0))
    assert doubt == "the readings before it, 4120 and 412, are far from each other"
    assert doubts("414", WATTS, neighbours=(4120.0, 412.0, 413.0)) == ()


def test_readings_that_scatter_widely_widen_what_is_taken_without_a_doubt() -> None:
    scattered = (8.0, 9.5, 11.0, 12.5)
    assert doubts("14.50", neighbours=scattered) == ()
    assert doubts("14.50", neighbours=(10.2, 10.3, 10.3, 10.4)) != ()


MAINS = Display("voltage", 0.1)
STEADY = (231.4, 231.3, 231.4, 231.5)


@pytest.mark.parametrize(
    ("text", "display", "before", "words"),
    [
        ("234.1", MAINS, STEADY, "two digits may be swapped: 231.4 may have been meant"),
        ("234.1", MAINS, STEADY[:3], "two digits may be swapped: 231.4 may have been meant"),
        ("241.4", MAINS, STEADY, "far from the readings before it, about 231.4"),
        ("261.4", MAINS, STEADY, "far from the readings before it, about 231.4"),
        ("12.43", VELOCITY, (12.34, 12.33, 12.35), "12.34 may have been meant"),
    ],
)  # fmt: skip
def test_a_slip_of_a_few_percent_is_doubted_among_steady_readings(
    text: str, display: Display, before: tuple[float, ...], words: str
) -> None:
    (doubt,) = doubts(text, display, neighbours=before)
    assert words in doubt


@pytest.mark.parametrize("text", ["231.0", "231.7", "231.9"])
def test_what_the_scatter_of_steady_readings_allows_is_not_doubted(text: str) -> None:
    assert doubts(text, MAINS, neighbours=STEADY) == ()


@pytest.mark.parametrize("text", ["231.1", "231.7"])
def test_three_steps_of_the_display_are_allowed_though_all_readings_were_one(
    text: str,
) -> None:
    assert doubts(text, MAINS, neighbours=(231.4,) * 4) == ()


def test_two_readings_say_nothing_yet_of_the_scatter() -> None:
    assert doubts("234.1", MAINS, neighbours=STEADY[:2]) == ()


def test_a_small_slip_that_was_confirmed_lets_no_other_pass() -> None:
    (doubt,) = doubts("241.4", MAINS, neighbours=(*STEADY, 234.1))
    assert doubt == "it is far from the readings before it, about 231.4"
    assert doubts("231.4", MAINS, neighbours=(*STEADY, 234.1)) == ()


TO_AND_FRO = (250.0, 250.1, 249.9, 262.4)


def test_a_level_that_was_confirmed_is_not_doubted_again() -> None:
    (doubt,) = doubts("262.4", MAINS, neighbours=TO_AND_FRO[:3])
    assert doubt == "it is far from the readings before it, about 250.0"
    assert doubts("262.5", MAINS, neighbours=TO_AND_FRO) == ()
    assert doubts("250.2", MAINS, neighbours=TO_AND_FRO) == ()
    assert doubts("256.3", MAINS, neighbours=TO_AND_FRO) != ()


def test_a_reading_at_the_edge_of_the_scatter_is_no_level_of_its_own() -> None:
    # From the mean of these three, 250.0, one more may be 2.305 V off, whatever the highest of them was.
    spread = (249.9, 250.0, 250.1)
    assert doubts("252.3", MAINS, neighbours=spread) == ()
    assert doubts("252.4", MAINS, neighbours=spread) != ()


@pytest.mark.parametrize("step_up", [0.02, 0.05, 0.1])
def test_a_machine_with_two_states_is_asked_about_once_and_never_told_as_misread(
    step_up: float,
) -> None:
    random = np.random.default_rng(1)
    doubted = 0
    for _ in range(400):
        is_up = random.random(8) < 0.3
        exact = 250.0 * (1.0 + step_up * is_up) * random.normal(1.0, 0.001, 8)
        shown = [MAINS.shown(value) for value in exact]
        values = tuple(map(float, shown))
        for count in range(8):
            doubted += bool(doubts(shown[count], MAINS, neighbours=values[:count]))
        assert strays_among(values, MAINS) == ()
    assert doubted < 0.07 * 400 * 8


@pytest.mark.parametrize("display", [MAINS, Display("voltage", 1.0)])
@pytest.mark.parametrize("noise", [0.001, 0.005, 0.02, 0.05])
def test_of_right_readings_fewer_than_one_of_a_hundred_is_doubted(
    display: Display, noise: float
) -> None:
    random = np.random.default_rng(1)
    asked = doubted = 0
    for _ in range(400):
        shown = [display.shown(v) for v in 231.4 * random.normal(1.0, noise, 9)]
        values = tuple(map(float, shown))
        for count in range(3, 9):
            asked += 1
            doubted += bool(doubts(shown[count], display, neighbours=values[:count]))
    assert doubted < asked / 100


def test_the_readings_far_from_the_others_are_told_as_they_came() -> None:
    assert strays_among([412.0, 4120.0, 413.0, 411.0, 412.0], WATTS) == (4120.0,)
    assert strays_among([41.0, 412.0, 413.0, 4120.0, 411.0, 412.0], WATTS) == (41.0, 4120.0)  # fmt: skip
    assert strays_among([412.0, 413.0, 411.0, 412.0, 414.0], WATTS) == ()
    assert strays_among([412.0, 4120.0], WATTS) == ()
