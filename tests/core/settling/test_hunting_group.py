"""A machine that begins to hunt after it was declared settled: its swing is what keeps it from being confirmed."""

import math

import numpy as np
import pytest

from daq.settling.group import SettlingGroup
from daq.settling.parameters import STANDARD
from daq.settling.phases import ChannelSetup, Phase, PhaseChange
from daq.settling.verdicts import HeldBackBy

LEVEL = 1000.0
TOLERANCE = 0.005
NOISE = 0.6
"""Standard deviation of a reading, in tolerances."""
PERIOD_S = 10.0
"""Five bins: short against the window, so that a swing makes no trend, and back before it could pass for a step."""
BIN_SHARE = math.cos(math.pi / PERIOD_S)
"""What the mean of a bin, two readings a second apart, leaves of an amplitude."""


def changes_with_swing(
    amplitude: float, *, seed: int
) -> tuple[float, list[PhaseChange]]:
    """A steady channel that swings from its declaration on.

    Args:
        amplitude: Of the bins' means, in tolerances.
        seed: Of the noise.

    Returns:
        Time of the declaration, and the phases entered within the longest averaging after it.
    """
    setup = ChannelSetup("power", TOLERANCE, LEVEL * 1e-5, 1.0, required=True)
    group = SettlingGroup([setup], start_s=0.0, parameters=STANDARD)
    noise = np.random.default_rng(seed).normal(0.0, NOISE, 600)
    declared_s, after = math.inf, []
    for number, scatter in enumerate(noise):
        at_s = number + 0.3
        if at_s > declared_s + STANDARD.longest_s + 2.0 * group.bin_s:
            break
        swing = 0.0
        if group.phase is not Phase.RUN_UP and at_s > declared_s:
            phase = 2.0 * math.pi * at_s / PERIOD_S
            swing = amplitude / BIN_SHARE * math.sin(phase)
        value = LEVEL * (1.0 + TOLERANCE * (float(scatter) + swing))
        for change in group.feed("power", at_s, value):
            if change.phase is Phase.AVERAGING and math.isinf(declared_s):
                declared_s = change.at_s
            elif not math.isinf(declared_s):
                after.append(change)
    return declared_s, after


SEEDS = pytest.mark.parametrize("seed", range(1, 5))


@SEEDS
def test_a_channel_that_hunts_after_its_declaration_is_not_confirmed(seed: int) -> None:
    # The window begins before the declaration, so its steady part dilutes the swing.
    declared_s, after = changes_with_swing(1.7, seed=seed)
    assert [(c.phase, c.reason) for c in after] == [
        (Phase.SETTLING, HeldBackBy.HUNTING)
    ]
    assert after[0].at_s == pytest.approx(declared_s + STANDARD.longest_s)


@SEEDS
def test_a_swing_that_is_tolerated_is_confirmed(seed: int) -> None:
    _, after = changes_with_swing(0.5 * STANDARD.hunting, seed=seed)
    assert [c.phase for c in after] == [Phase.CONFIRMED]
