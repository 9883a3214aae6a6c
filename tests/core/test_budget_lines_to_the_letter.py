"""How an uncertainty budget names each part of what a meter's papers state."""

import math

import pytest

from daq.records import Accuracy
from daq.stats import student_t_cdf, student_t_quantile
from daq.uncertainty import combine, contributions_of_accuracy


@pytest.mark.parametrize(
    ("accuracy", "detail", "half_width"),
    [
        # Of a reading of 50: 1 % is 0.5; half a percent of 200 is 1; three steps of 0.1 are 0.3.
        (
            Accuracy(1.0, percent_of_range=0.5, full_scale=200.0),
            "1 % of reading + 0.5 % of range 200",
            1.5,
        ),
        (
            Accuracy(1.0, counts=3, resolution=0.1),
            "1 % of reading + 3 counts of 0.1",
            0.8,
        ),
        (Accuracy(counts=1, resolution=0.1), "1 count of 0.1", 0.1),
        (Accuracy(counts=2, resolution=0.1), "2 counts of 0.1", 0.2),
        (Accuracy(absolute=1e-5), "1e-05", 1e-5),
    ],
)
def test_limits_in_one_piece_are_one_line_that_names_its_parts(
    accuracy: Accuracy, detail: str, half_width: float
) -> None:
    (line,) = contributions_of_accuracy(-50.0, accuracy)
    assert (line.name, line.detail) == ("accuracy", detail)
    assert line.std_uncertainty == pytest.approx(half_width / math.sqrt(3.0))


def test_parts_stated_apart_are_a_line_each() -> None:
    apart = Accuracy(
        gain_percent=1.0,
        offset=0.25,
        linearity_percent=0.5,
        full_scale=200.0,
        temperature_percent_per_k=0.02,
        temperature_span_k=5.0,
    )
    lines = contributions_of_accuracy(50.0, apart)
    assert [(line.name, line.detail) for line in lines] == [
        ("gain", "1 % of reading"),
        ("offset", "0.25"),
        ("linearity", "0.5 % of range 200"),
        ("temperature", "0.02 % of reading per K, within 5 K"),
    ]
    half_widths = [math.sqrt(3.0) * line.std_uncertainty for line in lines]
    assert half_widths == pytest.approx([0.5, 0.25, 1.0, 0.05])
    # A zero that was measured and taken off leaves nothing of the stated one.
    zeroed = contributions_of_accuracy(50.0, apart, zero_subtracted=True)
    assert [line.name for line in zeroed] == ["gain", "linearity", "temperature"]


@pytest.mark.parametrize(
    ("accuracy", "u", "degrees_of_freedom", "detail"),
    [
        (
            Accuracy(certificate_u=0.6, certificate_k=3.0),
            *(0.2, math.inf, "U = 0.6, k = 3"),
        ),
        (
            Accuracy(
                certificate_u_percent=0.4,
                certificate_k=2.0,
                certificate_degrees_of_freedom=18.0,
            ),
            *(0.1, 18.0, "U = 0.4 % of reading, k = 2"),
        ),
    ],
)
def test_a_certificate_is_a_line_with_its_factor(
    accuracy: Accuracy, u: float, degrees_of_freedom: float, detail: str
) -> None:
    (line,) = contributions_of_accuracy(-50.0, accuracy)
    assert line.std_uncertainty == pytest.approx(u)
    assert (line.name, line.degrees_of_freedom) == ("certificate", degrees_of_freedom)
    assert line.detail == detail


def test_nothing_cannot_be_combined() -> None:
    said = "^nothing to combine, expected at least one contribution$"
    with pytest.raises(ValueError, match=said):
        combine([])


@pytest.mark.parametrize("probability", [0.6, 0.95, 0.975, 0.999])
def test_the_quantile_of_many_degrees_of_freedom_gives_its_probability_back(
    probability: float,
) -> None:
    # Just above the change to the expansion, which is said to be exact to 2e-6 there; the density is below 0.4.
    quantile = student_t_quantile(probability, 201)
    assert student_t_cdf(quantile, 201) == pytest.approx(probability, abs=2e-7)
