"""What can be tuned in the settling rule. Times in seconds, amplitudes in tolerances unless said otherwise."""

from dataclasses import dataclass

TIME_CONSTANTS: tuple[tuple[float, float], ...] = (
    (10.0, 1.0),
    (20.0, 1.0),
    (35.0, 1.0),
    (60.0, 1.0),
    (90.0, 1.0),
    (120.0, 1.0),
    (150.0, 1.0),
    (190.0, 1.0),
    (250.0, 0.6),
    (350.0, 0.4),
)
"""Decays considered while averaging: time constant [s], prior weight [1]."""


@dataclass(frozen=True, slots=True)
class Parameters:
    """The rule `standard`; its figures were tuned and measured on simulated start-ups with known truth.

    Attributes:
        windows_s: Detection windows [s], shortest first.
        tau_max_s: Slowest decay that the detection bounds [s].
        alpha: One-sided risk of the detection's bound [1].
        persistence: Bins in a row that must pass [1].
        least_s: Shortest averaging after the declaration [s].
        longest_s: Longest averaging after the declaration [s].
        goal: Stop averaging once the expanded uncertainty is this small.
        refuse: No average is given with a larger expanded uncertainty.
        accept_probability: Largest probability of too much drift in a confirmed window [1].
        reject_probability: The declaration is withdrawn above it [1].
        line_horizon_s: Horizon of the straight-line guard [s].
        line_tolerance: Drift allowed over that horizon.
        kappas: Prior widths of the drift left at the end, each with its weight [1].
        kappa_check: Prior width of the drift at the declaration.
        start_max: Prior width of the drift at the window's start, at most.
        floor: Least standard uncertainty.
        scale: Calibration of the uncertainty [1].
        hunting: Swings above this amplitude are called hunting.
        least_share: Share of a window's bins that must hold readings [1].
    """

    windows_s: tuple[float, ...] = (
        30.0,
        45.0,
        60.0,
        80.0,
        100.0,
        120.0,
        150.0,
        180.0,
        240.0,
    )
    tau_max_s: float = 150.0
    alpha: float = 0.15
    persistence: int = 3
    least_s: float = 70.0
    longest_s: float = 120.0
    goal: float = 0.36
    refuse: float = 2.0
    accept_probability: float = 0.2
    reject_probability: float = 0.5
    line_horizon_s: float = 150.0
    line_tolerance: float = 1.5
    kappas: tuple[tuple[float, float], ...] = ((0.05, 1.0), (0.6, 1.0))
    kappa_check: float = 1.0
    start_max: float = 8.0
    floor: float = 0.05
    scale: float = 0.8
    hunting: float = 0.7
    least_share: float = 0.7


STANDARD = Parameters()
