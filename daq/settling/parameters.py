"""What can be tuned in the settling rule. Times in seconds, amplitudes in tolerances unless said otherwise."""

from dataclasses import dataclass

import numpy as np

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

CREEPS: tuple[tuple[float, float, float], ...] = (
    (5.0, 1.0, 0.3),
    (25.0, 1.0, 0.3),
    (10.0, 0.5, 0.7),
)
"""Creeps considered, (1 + time since switch-on / knee)**-power: knee [s], power [1], prior weight [1]."""


_LONGEST_WINDOW_S = 3600.0


@dataclass(frozen=True, slots=True)
class Parameters:
    """The rule `standard`; its figures were tuned and measured on simulated start-ups with known truth.

    Attributes:
        windows_s: Detection windows [s], shortest first.
        tau_max_s: Slowest decay that the detection bounds [s].
        risk: One-sided risk of the detection's bound [1].
        amplitude: Largest drift still to come, as fitted, that is declared settled.
        persistence: Bins in a row that must pass [1].
        least_s: Shortest averaging after the declaration [s].
        longest_s: Longest averaging after the declaration [s].
        goal: Stop averaging once the expanded uncertainty is this small.
        refuse: No average is given with a larger expanded uncertainty.
        accept_probability: Largest probability of too much drift in a confirmed window [1].
        reject_probability: The declaration is withdrawn above it [1].
        kappas: Prior widths of the decay left at the end, each with its weight [1].
        creep_kappas: The same of a creep.
        creep_share: Weight of creeps in the probability of too much drift, of their weight in the level [1].
        kappa_check: Prior width of the drift at the declaration.
        start_max: Prior width of the drift at the window's start, at most.
        white_weight: Prior weight of noise that is white, against noise that wanders [1].
        noise_times_s: Time constants of noise that wanders [s].
        noise_shares: Its shares of the variance [1].
        pink_weight: Prior weight of noise that is pink, against noise that wanders [1].
        pink_share: Its share of the variance [1].
        noise_prior: Readings that the prior of the noise's size is worth [1].
        noise_floor: Size of the noise in that prior.
        floor: Least standard uncertainty.
        scale: Calibration of the uncertainty [1].
        hunting: Swings above this amplitude are called hunting.
        jump: A jump from one bin to the next is a disturbance above it.
        jump_noise: And above this many standard deviations of the bins [1].
        quiet_least_s: After a disturbance the window must last at least this long [s].
        quiet_after_one: After one disturbance the window must last this many times the time before it [1].
        quiet_after_more: After more, this many times the longest time between two [1].
        least_share: Share of a window's bins that must hold readings [1].
    """

    windows_s: tuple[float, ...] = (
        40.0,
        50.0,
        60.0,
        70.0,
        80.0,
        90.0,
        100.0,
        120.0,
        150.0,
        180.0,
        210.0,
        240.0,
    )
    tau_max_s: float = 135.0
    risk: float = 0.4
    amplitude: float = 0.65
    persistence: int = 3
    least_s: float = 66.0
    longest_s: float = 300.0
    goal: float = 0.346
    refuse: float = 0.7
    accept_probability: float = 0.35
    reject_probability: float = 0.8
    kappas: tuple[tuple[float, float], ...] = ((0.03, 1.0), (0.35, 0.4))
    creep_kappas: tuple[tuple[float, float], ...] = ((0.3, 1.0), (0.6, 0.5))
    creep_share: float = 0.5
    kappa_check: float = 1.0
    start_max: float = 8.0
    white_weight: float = 1.5
    noise_times_s: tuple[float, ...] = (4.0, 10.0, 25.0, 60.0)
    noise_shares: tuple[float, ...] = (0.2, 0.5, 0.8, 0.97)
    pink_weight: float = 0.3
    pink_share: float = 0.9
    noise_prior: float = 0.5
    noise_floor: float = 0.01
    floor: float = 0.07
    scale: float = 0.65
    hunting: float = 0.8
    jump: float = 1.2
    jump_noise: float = 6.0
    quiet_least_s: float = 150.0
    quiet_after_one: float = 1.0
    quiet_after_more: float = 1.7
    least_share: float = 0.7

    def __post_init__(self) -> None:
        """Refuse what cannot work together.

        Raises:
            ValueError: For the first combination that cannot be.
        """
        if list(self.windows_s) != sorted(set(self.windows_s)):
            _refuse("windows_s", self.windows_s, "windows from the shortest on")
        if max(self.windows_s) > _LONGEST_WINDOW_S:
            _refuse("windows_s", self.windows_s, f"at most {_LONGEST_WINDOW_S:g} s")
        if self.longest_s < self.least_s:
            _refuse("longest_s", self.longest_s, f"at least least_s, {self.least_s:g}")
        if len(self.kappas) != len(self.creep_kappas):
            _refuse("creep_kappas", self.creep_kappas, f"{len(self.kappas)} pairs")
        self._check_shares()

    def _check_shares(self) -> None:
        if not 0.001 <= self.risk <= 0.5:
            _refuse("risk", self.risk, "0.001 to 0.5")
        if not self.accept_probability <= self.reject_probability <= 1.0:
            _refuse(
                "reject_probability",
                self.reject_probability,
                f"accept_probability, {self.accept_probability:g}, up to 1",
            )
        if not 0.0 < self.least_share <= 1.0:
            _refuse("least_share", self.least_share, "more than 0, at most 1")
        for name in ("noise_shares", "pink_share"):
            shares = getattr(self, name)
            if not 0.0 < np.max(shares) < 1.0:
                _refuse(name, shares, "shares between 0 and 1")


def _refuse(name: str, value: object, expected: str) -> None:
    msg = f"{name} {value}, expected {expected}"
    raise ValueError(msg)


MAY_BE_ZERO = frozenset(
    {
        "floor",
        "hunting",
        "jump",
        "jump_noise",
        "quiet_after_more",
        "quiet_after_one",
        "quiet_least_s",
    }
)
"""Parameters of which none at all means something: nothing is added, tolerated or waited for. All others are above 0."""

STANDARD = Parameters()
