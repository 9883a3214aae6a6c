"""Drawings stand inside a page: valid, the same each time, and with no meaning in names."""

import dataclasses
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from daq.comparison.observations import Quantity
from daq.comparison.session import SessionComparison, compare_session
from daq.report.comparison_plots import comparison_plot, drift_plots
from daq.report.content import ChannelTrace, FittedCurve
from daq.report.markup import Markup
from daq.report.trial_plots import trial_plots
from daq.report.voltage_plots import voltage_plots
from tests.core.report.made_session import (
    ONCE,
    REAL,
    SAME,
    compared,
    content,
    figures_of,
    trace,
)

ODD = "</text><script>x</script> $\\frac{a}{b}$ \x07 漢字 & co."


def texts(figure: Markup) -> str:
    """All that is written in a drawing; it must be well formed."""
    return " ".join("".join(ET.fromstring(figure).itertext()).split())  # noqa: S314 - our own


def test_differences_are_drawn_the_same_each_time() -> None:
    (answer,) = compared(REAL).comparisons
    assert comparison_plot(answer) == comparison_plot(answer)


@pytest.mark.parametrize("means", [REAL, ONCE, SAME])
def test_every_condition_is_named_in_the_drawing(
    means: dict[str, tuple[float]],
) -> None:
    (answer,) = compared(means).comparisons
    written = texts(comparison_plot(answer))
    for difference in answer.differences:
        assert difference.condition in written
    assert "difference to “short lead” / %" in written


def test_a_name_is_neither_markup_nor_mathematics() -> None:
    (answer,) = compared({"short lead": (20.0, 20.1), ODD: (19.0, 19.1)}).comparisons
    figure = comparison_plot(answer)
    # Shortened, but as it was typed.
    assert "</text><script>x</script> $\\frac{a}{b}" in texts(figure)
    assert "<script" not in figure


def test_two_drawings_of_one_page_share_no_identifier() -> None:
    figures = [
        *trial_plots((trace(1), trace(2))),
        comparison_plot(compared(REAL).comparisons[0]),
    ]
    found = [
        value
        for figure in figures
        for each in ET.fromstring(figure).iter()  # noqa: S314 - our own
        for key, value in each.attrib.items()
        if key == "id"
    ]
    assert found
    assert len(found) == len(set(found))


def test_a_drawing_points_to_nothing_outside() -> None:
    (figure,) = trial_plots((trace(),))
    for each in ET.fromstring(figure).iter():  # noqa: S314 - our own
        for key, value in each.attrib.items():
            if key.endswith("href"):
                assert value.startswith("#")


def test_a_trial_shows_its_mean_and_how_it_ended() -> None:
    (figure,) = trial_plots((trace(4, "long lead"),))
    assert "Trial 4: long lead" in texts(figure)
    assert "20.00 ± 0.10 m/s" in texts(figure)


def test_a_trial_without_readings_is_not_drawn() -> None:
    empty = dataclasses.replace(trace(), channels=())
    assert trial_plots((empty,)) == []


def test_many_trials_are_drawn_with_fewer_points_each() -> None:
    one, many = trial_plots((trace(),)), trial_plots((trace(),) * 3)
    assert len(many) == 3
    assert many[0] == one[0]  # 120 readings are few


def test_repeated_trials_show_the_drift_of_the_answer() -> None:
    (figure,) = drift_plots(compared(REAL))
    assert "Outlet velocity" in texts(figure)


def test_nothing_repeated_shows_no_drift_of_the_answer() -> None:
    assert drift_plots(compared(ONCE)) == []


def test_the_supply_shows_its_drift_although_nothing_was_repeated() -> None:
    supply = Quantity("supply", "Supply voltage", "voltage", "V", "supply end")
    means = {"short lead": (230.0,), "long lead": (229.5,)}
    comparison = compare_session(figures_of(means, quantity=supply))
    # The answer itself would need repeats.
    (figure,) = drift_plots(dataclasses.replace(comparison, answer=None))
    assert "Supply voltage" in texts(figure)


def two_quantities() -> SessionComparison:
    volts = Quantity("volts", "Machine voltage", "voltage", "V", "machine end")
    flow = figures_of(REAL)
    more = figures_of(
        {"short lead": (229.9, 230.0, 230.1), "long lead": (219.9, 220.0, 220.1)},
        quantity=volts,
    )
    return compare_session(
        dataclasses.replace(
            flow,
            quantities=(*flow.quantities, *more.quantities),
            observations={**flow.observations, **more.observations},
        )
    )


def test_a_fit_is_drawn_over_what_was_measured() -> None:
    curve = FittedCurve(
        "velocity", (220.0, 230.0), (19.0, 20.0), (18.9, 19.9), (19.1, 20.1)
    )
    made = content(two_quantities(), machine_voltage="volts", curves=(curve,))
    (figure,) = voltage_plots(made)
    assert "and the fit" in figure
    assert "voltage at the machine / V" in texts(figure)


def test_without_a_voltage_at_the_machine_nothing_is_drawn_against_it() -> None:
    assert voltage_plots(content(compared(REAL))) == []


@pytest.mark.slow
def test_forty_long_trials_stay_small_enough_to_be_sent() -> None:
    random = np.random.default_rng(1)
    elapsed_s = np.arange(0.0, 1200.0, 0.5)
    channels = tuple(
        ChannelTrace(
            name,
            name,
            "W",
            elapsed_s,
            random.normal(1000.0, 1.0, 2400),
            1000.0,
            5.0,
            1000.0,
        )
        for name in ("power", "flow", "volts")
    )
    traces = tuple(
        dataclasses.replace(trace(number), channels=channels) for number in range(40)
    )
    assert sum(map(len, trial_plots(traces))) < 1_200_000
