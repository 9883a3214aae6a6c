"""A sharp-edged orifice plate and its two coefficients: discharge, and expansion of the air in the hole.

Knows the equations alone; within which limits the standard vouches for them is told in `orifice`.
"""

import math
from dataclasses import dataclass
from enum import StrEnum

from daq.physics.bounds import expect_positive, expect_within

ISENTROPIC_EXPONENT = 1.4
"""Of air [1]."""

SMALL_PIPE_M = 0.07112
"""Below this diameter the coefficient has a term more [m]."""

INCH_M = 0.0254
_LEAST_EVALUATED_RE = 1000.0


class Taps(StrEnum):
    """Where the pressure is taken."""

    CORNER = "corner"
    FLANGE = "flange"
    D_AND_HALF_D = "D and D/2"


@dataclass(frozen=True, slots=True)
class OrificePlate:
    """A sharp-edged concentric plate in a round pipe.

    Attributes:
        bore_m: Diameter of the hole d [m].
        pipe_m: Inner diameter of the pipe before it D [m].
        taps: Where the pressure is taken.
    """

    bore_m: float
    pipe_m: float
    taps: Taps

    def __post_init__(self) -> None:
        """Refuse what is no plate."""
        expect_positive(self.bore_m, name="bore", unit="m")
        expect_positive(self.pipe_m, name="pipe diameter", unit="m")
        if self.bore_m >= self.pipe_m:
            msg = f"bore {self.bore_m:g} m, expected less than the pipe's {self.pipe_m:g} m"
            raise ValueError(msg)

    @property
    def beta(self) -> float:
        """Diameter ratio [1]."""
        return self.bore_m / self.pipe_m


def discharge_coefficient(plate: OrificePlate, pipe_reynolds: float) -> float:
    r"""Discharge coefficient, by the Reader-Harris/Gallagher equation.

    .. math:: C = 0.5961 + 0.0261 \beta^2 - 0.216 \beta^8 + 0.000521 (10^6 \beta / Re_D)^{0.7}
        + (0.0188 + 0.0063 A) \beta^{3.5} (10^6/Re_D)^{0.3}
        + (0.043 + 0.080 e^{-10 L_1} - 0.123 e^{-7 L_1})(1 - 0.11 A) \frac{\beta^4}{1 - \beta^4}
        - 0.031 (M_2' - 0.8 M_2'^{1.1}) \beta^{1.3}

    with A = (19000 beta/Re_D)^0.8, M_2' = 2 L_2'/(1 - beta), and 0.011 (0.75 - beta)(2.8 - D/25.4 mm) more in
    pipes under 71.12 mm.

    Args:
        plate: Diameters [m] and taps.
        pipe_reynolds: Re_D [1], above 0; below 1000 the coefficient is held at that of 1000.

    Returns:
        C [1].

    Raises:
        ValueError: If the Reynolds number is not above 0.

    Validity:
        As `orifice_flow` says in its limits.

    Source:
        ISO 5167-2:2003, 5.3.2.1.

    Example:
        >>> round(discharge_coefficient(OrificePlate(0.05, 0.1, Taps.CORNER), 1e5), 6)
        0.606873
    """
    expect_positive(pipe_reynolds, name="Reynolds number", unit="")
    beta = plate.beta
    Re = max(pipe_reynolds, _LEAST_EVALUATED_RE)
    A = (19000.0 * beta / Re) ** 0.8
    L1, L2 = _tap_distances(plate)
    M2 = 2.0 * L2 / (1.0 - beta)
    upstream = 0.043 + 0.080 * math.exp(-10.0 * L1) - 0.123 * math.exp(-7.0 * L1)
    C: float = (
        0.5961
        + 0.0261 * beta**2
        - 0.216 * beta**8
        + 0.000521 * (1e6 * beta / Re) ** 0.7
        + (0.0188 + 0.0063 * A) * beta**3.5 * (1e6 / Re) ** 0.3
        + upstream * (1.0 - 0.11 * A) * beta**4 / (1.0 - beta**4)
        - 0.031 * (M2 - 0.8 * M2**1.1) * beta**1.3
    )
    if plate.pipe_m < SMALL_PIPE_M:
        C += 0.011 * (0.75 - beta) * (2.8 - plate.pipe_m / INCH_M)
    return C


def expansibility_factor(
    beta: float, pressure_difference_pa: float, upstream_pressure_pa: float
) -> float:
    r"""Expansibility factor of air: how much its expansion in the hole lowers the flow.

    .. math:: \varepsilon = 1 - (0.351 + 0.256 \beta^4 + 0.93 \beta^8)
        \left[1 - (p_2/p_1)^{1/\kappa}\right]

    Args:
        beta: Diameter ratio [1], between 0 and 1.
        pressure_difference_pa: p1 - p2 [Pa], above 0 and below p1.
        upstream_pressure_pa: Absolute static pressure before the plate p1 [Pa].

    Returns:
        Epsilon [1].

    Raises:
        ValueError: If an argument is outside its range.

    Validity:
        p2/p1 at least 0.75; kappa = 1.4.

    Source:
        ISO 5167-2:2003, 5.3.2.2.

    Example:
        >>> round(expansibility_factor(0.6, 2500.0, 101325.0), 6)
        0.992929
    """
    expect_within(beta, 0.0, 1.0, name="diameter ratio", unit="")
    expect_positive(upstream_pressure_pa, name="pressure before the plate", unit="Pa")
    expect_positive(pressure_difference_pa, name="pressure difference", unit="Pa")
    if pressure_difference_pa >= upstream_pressure_pa:
        msg = (
            f"pressure difference {pressure_difference_pa:g} Pa, expected less than the absolute pressure before the"
            f" plate, {upstream_pressure_pa:g} Pa"
        )
        raise ValueError(msg)
    ratio = 1.0 - pressure_difference_pa / upstream_pressure_pa
    steepness = 0.351 + 0.256 * beta**4 + 0.93 * beta**8
    return 1.0 - steepness * (1.0 - math.pow(ratio, 1.0 / ISENTROPIC_EXPONENT))


def _tap_distances(plate: OrificePlate) -> tuple[float, float]:
    """L1 before and L2' behind the plate, over the pipe's diameter."""
    if plate.taps is Taps.CORNER:
        return 0.0, 0.0
    if plate.taps is Taps.FLANGE:
        return INCH_M / plate.pipe_m, INCH_M / plate.pipe_m
    return 1.0, 0.47
