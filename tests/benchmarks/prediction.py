"""How often predictions are right: inner conditions left out, and leads that nobody fitted.

    python tests/benchmarks/prediction.py [--sessions 2000]

Simulated sessions with known truth (tests/core/prediction/simulated.py): a saturating series motor on a fan, leads anywhere that
their jackets allow, a supply that wanders, meters with errors of their own. Shares with Clopper and Pearson's bounds, 95 %.
Checks of one session are not independent of each other, so that the bounds are a little narrow.
"""

import argparse
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from daq.physics.conductors import jacket_of_area
from daq.prediction.circuit import VOLTAGE
from daq.prediction.lead import lead_of
from daq.prediction.leaving_out import leave_one_out
from daq.prediction.machine import machine_of
from daq.prediction.predicting import Prediction, predict
from daq.prediction.selection import TooLittleMeasuredError
from tests.benchmarks.measuring import say, show_table
from tests.core.prediction.simulated import (
    EXACT,
    LEADS,
    Motor,
    Scene,
    balanced,
    session,
    true_resistance,
)
from tests.startups.bounds import share

GOAL = 0.93
FOUR = {name: size for name, size in LEADS.items() if name != "1.5 mm2, 40 m"}
SEVEN = {**LEADS, "2.5 mm2, 50 m": (2.5, 50.0), "1.0 mm2, 35 m": (1.0, 35.0)}
SCENES = {
    "5 leads, 3 repeats": Scene(),
    "4 leads, 3 repeats": Scene(leads=FOUR),
    "4 leads, not repeated": Scene(leads=FOUR, repeats=1),
    "5 leads, not repeated": Scene(repeats=1),
    "7 leads, 2 repeats": Scene(leads=SEVEN, repeats=2),
    "every lead stated, no meter at the supply": Scene(
        stated=tuple(LEADS), without=("supply_voltage",)
    ),
    "no lead stated": Scene(stated=()),
    "no power measured": Scene(without=("power",)),
    "exact meters, spread 0.02 %": Scene(accuracies=EXACT, spread=0.02, within=0.005),
    "spread 0.6 %": Scene(spread=0.6),
    "bent: saturates at 3 A": Scene(motor=Motor(saturation_a=3.0, friction=0.3)),
}
ASKED = {"within": (1.5, 32.0), "beyond": (1.0, 75.0)}
"""Area [mm²] and length [m] of a lead that was not fitted."""


def checks_left_out(scene: Scene, sessions: int, seed: int) -> dict[str, list[bool]]:
    """Whether inner conditions fell into their intervals, by quantity."""
    random = np.random.default_rng(seed)
    agreed: dict[str, list[bool]] = {}
    for _ in range(sessions):
        try:
            machine = machine_of(session(scene, random))
        except TooLittleMeasuredError:
            continue
        for check in leave_one_out(machine):
            agreed.setdefault(check.name, []).append(check.agrees)
    return agreed


def checks_asked(
    scene: Scene, asked: tuple[float, float], sessions: int, seed: int
) -> tuple[list[bool], list[bool], float]:
    """Whether figures and ratios of a lead that was not fitted cover the truth; the airflow's usual U [%]."""
    random = np.random.default_rng(seed)
    levels: list[bool] = []
    ratios: list[bool] = []
    sizes: list[float] = []
    lead = lead_of(jacket_of_area(asked[0]), asked[1])
    for _ in range(sessions):
        steady = replace(scene, motor=_some_motor(scene.motor, random))
        baseline_ohm = true_resistance(*next(iter(scene.leads.values())), random=random)
        try:
            machine = machine_of(session(steady, random, baseline_ohm=baseline_ohm))
        except TooLittleMeasuredError:
            continue
        true = balanced(steady, true_resistance(*asked, random=random))
        base = balanced(steady, baseline_ohm)
        prediction = predict(machine, lead)
        for level, ratio in _compared(prediction, true, base):
            levels.append(level)
            ratios.append(ratio)
        flow = prediction.of("flow")
        if flow and flow.ratio_expanded_uncertainty:
            sizes.append(100.0 * flow.ratio_expanded_uncertainty)
    return levels, ratios, float(np.median(sizes))


def _compared(
    prediction: Prediction, true: dict[str, float], base: dict[str, float]
) -> Iterator[tuple[bool, bool]]:
    for figure in prediction.figures:
        name = "machine_voltage" if figure.name == VOLTAGE else figure.name
        if name not in true or figure.ratio is None:
            continue
        error = abs(figure.value - true[name])
        ratio_error = abs(figure.ratio - true[name] / base[name])
        ratio_u = figure.ratio_expanded_uncertainty or 0.0
        yield error <= figure.expanded_uncertainty, ratio_error <= ratio_u


def _some_motor(motor: Motor, random: np.random.Generator) -> Motor:
    """One like it."""
    return replace(
        motor,
        winding_ohm=motor.winding_ohm * random.uniform(0.7, 1.3),
        reactance_ohm=motor.reactance_ohm * random.uniform(0.7, 1.2),
        saturation_a=motor.saturation_a * random.uniform(0.5, 2.0),
        rated_a=motor.rated_a * random.uniform(0.7, 1.1),
    )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sessions", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rows = []
    for title, scene in SCENES.items():
        agreed = checks_left_out(scene, options.sessions, options.seed)
        every = share([hit for hits in agreed.values() for hit in hits])
        each = [
            f"{name} {share(hits).text(factor=100.0, digits=1)}"
            for name, hits in agreed.items()
        ]
        met = "met" if every.allows_at_least(GOAL) else "MISSED"
        rows.append((title, every.text(factor=100.0, digits=1), met, "; ".join(each)))
    show_table(
        f"Inner conditions within their intervals [%], goal at least {100 * GOAL:g}",
        ("session", "all", "goal", "each"),
        rows,
    )
    rows = []
    for title, scene in SCENES.items():
        for where, asked in ASKED.items():
            levels, ratios, size = checks_asked(
                scene, asked, options.sessions // 2, options.seed + 1
            )
            rows.append(
                (
                    f"{title}, {where}",
                    share(levels).text(factor=100.0, digits=1),
                    share(ratios).text(factor=100.0, digits=1),
                    f"{size:.2f}",
                )
            )
    show_table(
        "Leads that were not fitted: truth within the interval [%], and the airflow's usual U [% of the baseline]",
        ("session", "figures", "against the baseline", "U"),
        rows,
    )
    say("")


if __name__ == "__main__":
    main()
