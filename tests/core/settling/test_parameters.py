"""What cannot work together among the rule's parameters is refused, and what just can is taken."""

import hashlib
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any

import pytest

from daq.settling.options import parameter_kinds
from daq.settling.parameters import CREEPS, STANDARD, TIME_CONSTANTS
from daq.settling.presets import PRESETS, Preset


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        (
            {"windows_s": (40.0, 30.0)},
            "windows_s (40.0, 30.0), expected windows from the shortest on",
        ),
        (
            {"windows_s": (40.0, 40.0)},
            "windows_s (40.0, 40.0), expected windows from the shortest on",
        ),
        (
            {"windows_s": (40.0, 3601.0)},
            "windows_s (40.0, 3601.0), expected at most 3600 s",
        ),
        (
            {"least_s": 66.0, "longest_s": 65.0},
            "longest_s 65.0, expected at least least_s, 66",
        ),
        (
            {"creep_kappas": ((0.3, 1.0),)},
            "creep_kappas ((0.3, 1.0),), expected 2 pairs",
        ),
        ({"risk": 0.0009}, "risk 0.0009, expected 0.001 to 0.5"),
        ({"risk": 0.51}, "risk 0.51, expected 0.001 to 0.5"),
        (
            {"reject_probability": 0.34},
            "reject_probability 0.34, expected accept_probability, 0.35, up to 1",
        ),
        (
            {"reject_probability": 1.01},
            "reject_probability 1.01, expected accept_probability, 0.35, up to 1",
        ),
        ({"least_share": 0.0}, "least_share 0.0, expected more than 0, at most 1"),
        ({"least_share": 1.01}, "least_share 1.01, expected more than 0, at most 1"),
        ({"pink_share": 0.0}, "pink_share 0.0, expected shares between 0 and 1"),
        ({"pink_share": 1.0}, "pink_share 1.0, expected shares between 0 and 1"),
        (
            {"noise_shares": (0.2, 0.5, 0.8, 1.0)},
            "noise_shares (0.2, 0.5, 0.8, 1.0), expected shares between 0 and 1",
        ),
    ],
)
def test_what_cannot_work_is_refused_with_what_was_expected(
    changes: dict[str, Any], told: str
) -> None:
    with pytest.raises(ValueError, match="expected") as refused:
        replace(STANDARD, **changes)
    assert str(refused.value) == told


@pytest.mark.parametrize(
    "changes",
    [
        {"windows_s": (3600.0,)},
        {"least_s": 66.0, "longest_s": 66.0},
        {"risk": 0.001},
        {"risk": 0.5},
        {"reject_probability": 0.35},
        {"reject_probability": 1.0},
        {"least_share": 1.0},
    ],
)
def test_the_last_value_that_works_is_taken(changes: dict[str, Any]) -> None:
    taken = replace(STANDARD, **changes)
    assert {name: getattr(taken, name) for name in changes} == changes


MEASURED = {
    "quick": "546e91c5ac9fc1b9",
    "standard": "3ae332796ea0c91b",
    "thorough": "12af3fe57ebf8cc7",
}
"""What each preset was when its figures were measured, shortened to a digest."""


@pytest.mark.parametrize("preset", PRESETS.values(), ids=lambda each: each.name)
def test_a_preset_is_what_its_figures_were_measured_with(preset: Preset) -> None:
    # Figures of another rule would be told of this one: measure again as its `study` says, then renew both.
    figures = (
        preset.false_settle_percent,
        preset.time_to_result_s,
        preset.uncertainty_percent,
    )
    of = repr((asdict(preset.parameters), TIME_CONSTANTS, CREEPS, figures))
    found = hashlib.sha256(of.encode()).hexdigest()[:16]
    assert found == MEASURED[preset.name], preset.study


README = Path(__file__).parents[3] / "README.md"


def test_the_readme_tells_of_each_preset_what_the_preset_does() -> None:
    lines = README.read_text(encoding="utf-8").splitlines()
    for preset in PRESETS.values():
        cells = (
            preset.name,
            f"{preset.false_settle_percent:g} %",
            f"{preset.time_to_result_s:.0f} s",
            f"{preset.uncertainty_percent:g} %",
            preset.purpose,
        )
        assert f"| {' | '.join(cells)} |" in lines


@pytest.mark.parametrize("preset", PRESETS.values(), ids=lambda each: each.name)
def test_a_study_is_a_command_that_measures_that_preset(preset: Preset) -> None:
    script, *options = preset.study.split(" --")
    assert (README.parent / script).is_file()
    asked = dict(option.split(" ", 1) for option in options)
    # Seeds and tolerances of the studies that README and guide tell of; "standard" is measured unless asked otherwise.
    expected = {"family": "plain", "seeds": "21 22 23 24 25 26 27 28", "per-kind": "18"}
    expected |= {} if preset.name == "standard" else {"preset": preset.name}
    expected |= {"widen": "4"} if preset.name == "quick" else {}
    assert asked == expected


def test_every_parameter_says_what_it_takes() -> None:
    kinds = parameter_kinds()
    assert kinds["persistence"] == "a whole number"
    assert kinds["risk"] == "a number"
    assert kinds["windows_s"] == "a list, each item a number"
    assert kinds["kappas"] == "a list, each item a list of 2: a number, a number"
