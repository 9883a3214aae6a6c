"""The number of the rule is raised when the rule finds something else in the same readings."""

from collections.abc import Iterator
from hashlib import sha256

import numpy as np

from daq.settling import RULE
from daq.settling.presets import PRESETS
from daq.settling.record import RecordVerdict, settle_record

FOUND = {1: "ee9046a5d9c43525"}
"""What each rule found in the records below; one that changes what is found gets the next number and a line here."""
_SECONDS = 900


def _records() -> Iterator[np.ndarray]:
    """Warming up, steps, a swing, a drift that does not end, a spike, noise of several sizes; made up [W]."""
    random = np.random.Generator(np.random.PCG64(20260301))
    at_s = np.arange(_SECONDS, dtype=float)
    for noise in (2e-4, 1e-3, 5e-3):
        for warm, constant_s in ((0.02, 8.0), (0.05, 60.0), (0.03, 300.0)):
            level = 1000.0 * (1.0 + warm * np.exp(-at_s / constant_s))
            yield level * (1.0 + random.normal(0.0, noise, _SECONDS))
        step = 1000.0 * (1.0 + 0.02 * (at_s > 150.0))
        yield step * (1.0 + random.normal(0.0, noise, _SECONDS))
        swing = 1000.0 * (1.0 + 0.01 * np.sin(at_s / 6.0))
        yield swing * (1.0 + random.normal(0.0, noise, _SECONDS))
        drift = 1000.0 * (1.0 + 5e-5 * at_s)
        yield drift * (1.0 + random.normal(0.0, noise, _SECONDS))
        spiky = 1000.0 * (1.0 + 0.3 * (at_s % 97 == 50))
        yield spiky * (1.0 + random.normal(0.0, noise, _SECONDS))


def _told(verdict: RecordVerdict) -> str:
    """To six digits: the last ones may differ between computers."""
    window = verdict.window
    figures = (
        verdict.declared_s,
        verdict.confirmed_s,
        window.start_s if window else None,
        window.end_s if window else None,
        verdict.mean,
        verdict.expanded_uncertainty,
    )
    return f"{verdict.why_not} " + " ".join(
        "-" if figure is None else f"{figure:.6g}" for figure in figures
    )


def test_the_same_readings_give_what_the_rule_of_this_number_gave() -> None:
    told = [
        _told(
            settle_record(
                range(_SECONDS),
                np.round(record, 1),
                tolerance=0.005,
                resolution=0.1,
                parameters=preset.parameters,
                find_smallest=False,
            )
        )
        for preset in PRESETS.values()
        for record in _records()
    ]
    assert len({line for line in told if line.startswith("None")}) > len(told) / 3
    assert sha256("\n".join(told).encode()).hexdigest()[:16] == FOUND[RULE]
