"""The display's step that a log's own numbers tell, where nobody states it."""

from collections.abc import Sequence

import pytest

from daq.delimited.figures import Numbers


def _step(texts: Sequence[str]) -> float:
    numbers = Numbers(",")
    for text in texts:
        numbers.parse(text)
    return numbers.smallest_step


@pytest.mark.parametrize(
    ("texts", "step"),
    [
        # A power display that goes on by 20 W, by 100 W, by 50 W; one of a velocity by 0.05 m/s.
        (["0", "640", "1280", "1260", "1300"], 20.0),
        (["0", "400", "900", "1200", "1100"], 100.0),
        (["1250", "1300", "1200", "1350"], 50.0),
        (["11.95", "12.00", "12.05", "12.10", "11.90", "12.15"], 0.05),
        # Fourteen different even numbers; thirteen may have come by chance.
        ([str(1200 + 2 * n) for n in range(14)], 2.0),
        ([str(1200 + 2 * n) for n in range(13)], 1.0),
        # Any number in between tells of the finer step.
        (["0", "400", "900", "1200", "1101"], 1.0),
        # With more digits somewhere: 0.5 of the last ones, whole numbers before.
        (["100", "200", "300", "350", "100.5", "200.5", "300.5", "400.5"], 0.5),
    ],
)
def test_numbers_that_go_by_a_larger_step_tell_it(
    texts: Sequence[str], step: float
) -> None:
    assert _step(texts) == step


@pytest.mark.parametrize(
    "texts", [["1200"] * 50, ["0", "1200"] * 50, ["1200", "900", "600", "0"]]
)
def test_a_few_different_numbers_tell_no_more_than_their_digits(
    texts: Sequence[str],
) -> None:
    assert _step(texts) == 1.0


@pytest.mark.parametrize("texts", [["1e-300", "100", "200", "300"], ["1e-99999", "7"]])
def test_digits_that_no_display_has_do_no_harm(texts: Sequence[str]) -> None:
    # A step of next to nothing, not an endless sum.
    assert 0.0 <= _step(texts) <= 1e-300
