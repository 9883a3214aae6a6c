"""Flow through an orifice plate, with the limits within which the standard vouches for its coefficient.

Outside them the flow is still computed and called indicative: it may serve to compare, not to state a flow. Straight pipe
before and after the plate, the sharpness of its edge and the roundness of the pipe are the standard's business too and
unknown here: "within limits" holds only where the plate is made and mounted as it says.
"""

import math
from dataclasses import dataclass

from daq.physics.bounds import expect_positive
from daq.physics.orifice_plate import (
    INCH_M,
    ISENTROPIC_EXPONENT,
    SMALL_PIPE_M,
    OrificePlate,
    Taps,
    discharge_coefficient,
    expansibility_factor,
)

_LEAST_BORE_M = 0.0125
_PIPE_M = (0.05, 1.0)
_BETA = (0.10, 0.75)
_LEAST_PRESSURE_RATIO = 0.75
_ITERATIONS = 100


@dataclass(frozen=True, slots=True)
class OrificeFlow:
    """Flow through a plate.

    Attributes:
        mass_flow_kg_per_s: [kg/s].
        volume_flow_m3_per_s: At the density before the plate [m³/s].
        discharge_coefficient: C [1].
        expansibility: Expansibility factor [1].
        pipe_reynolds: Re_D [1].
        relative_std_uncertainty: From C and expansibility alone [1]; None where a limit is broken.
        limits_broken: One sentence each.
    """

    mass_flow_kg_per_s: float
    volume_flow_m3_per_s: float
    discharge_coefficient: float
    expansibility: float
    pipe_reynolds: float
    relative_std_uncertainty: float | None
    limits_broken: tuple[str, ...]

    @property
    def is_indicative(self) -> bool:
        """Whether the standard does not vouch for it."""
        return bool(self.limits_broken)


def orifice_flow(
    plate: OrificePlate,
    pressure_difference_pa: float,
    *,
    upstream_pressure_pa: float,
    density_kg_per_m3: float,
    viscosity_pa_s: float,
) -> OrificeFlow:
    r"""Flow of air through an orifice plate.

    .. math:: q_m = \frac{C}{\sqrt{1 - \beta^4}} \, \varepsilon \, \frac{\pi}{4} d^2 \sqrt{2 \Delta p \, \rho_1}, \quad
        Re_D = \frac{4 q_m}{\pi \mu D}

    solved for q_m and C together.

    Args:
        plate: Diameters [m] and taps.
        pressure_difference_pa: Across the plate dp [Pa], above 0.
        upstream_pressure_pa: Absolute static pressure before the plate p1 [Pa].
        density_kg_per_m3: Of the air before the plate rho_1 [kg/m³].
        viscosity_pa_s: Dynamic viscosity mu [Pa s], for instance of `moist_air.air_viscosity`.

    Returns:
        Flow [kg/s], [m³/s], the coefficients [1], and which limits of the standard are broken.

    Raises:
        ValueError: If an argument is outside its range; a pressure difference of 0 among them.

    Validity:
        d at least 12.5 mm; D 50 to 1000 mm; beta 0.10 to 0.75; Re_D at least 5000, beyond beta 0.56 at least
        16 000 beta² (flange taps: at least 170 beta² D/mm for any beta); p2/p1 at least 0.75; steady flow. Outside:
        indicative, and no uncertainty is stated. Density enters as its root.

    Source:
        ISO 5167-2:2003: basic equation 4, limits 5.3.1, uncertainties 5.3.3 (as k = 2); iteration: ISO 5167-1:2003,
        annex A.

    Example:
        >>> flow = orifice_flow(
        ...     OrificePlate(0.06, 0.1, Taps.CORNER), 1000.0,
        ...     upstream_pressure_pa=101325.0, density_kg_per_m3=1.2, viscosity_pa_s=1.82e-5,
        ... )
        >>> round(flow.volume_flow_m3_per_s * 3600.0, 2), flow.is_indicative
        (271.9, False)
    """
    expect_positive(density_kg_per_m3, name="density", unit="kg/m³")
    expect_positive(viscosity_pa_s, name="viscosity", unit="Pa s")
    expansibility = expansibility_factor(
        plate.beta, pressure_difference_pa, upstream_pressure_pa
    )
    without_c = (
        expansibility
        / math.sqrt(1.0 - plate.beta**4)
        * (math.pi / 4.0 * plate.bore_m**2)
        * math.sqrt(2.0 * pressure_difference_pa * density_kg_per_m3)
    )
    reynolds_by_c = 4.0 * without_c / (math.pi * viscosity_pa_s * plate.pipe_m)
    C = _solve_coefficient(plate, reynolds_by_c)
    Re = C * reynolds_by_c
    broken = _limits_broken(plate, Re, pressure_difference_pa / upstream_pressure_pa)
    relative_u = math.hypot(
        _coefficient_percent(plate, Re) / 200.0,
        3.5
        * pressure_difference_pa
        / (ISENTROPIC_EXPONENT * upstream_pressure_pa)
        / 200.0,
    )
    return OrificeFlow(
        C * without_c,
        C * without_c / density_kg_per_m3,
        C,
        expansibility,
        Re,
        None if broken else relative_u,
        broken,
    )


def _solve_coefficient(plate: OrificePlate, reynolds_by_c: float) -> float:
    """C where Re_D = C times `reynolds_by_c`; C falls slowly with Re_D, so each round comes much nearer."""
    C = 0.6
    for _ in range(_ITERATIONS):
        better = discharge_coefficient(plate, C * reynolds_by_c)
        if abs(better - C) <= 1e-13:
            break
        C = better
    return C


def _least_reynolds(plate: OrificePlate) -> float:
    """Limits of ISO 5167-2:2003, 5.3.1."""
    if plate.taps is Taps.FLANGE:
        return max(5000.0, 170.0 * plate.beta**2 * plate.pipe_m * 1000.0)
    return 5000.0 if plate.beta <= 0.56 else 16000.0 * plate.beta**2


def _limits_broken(
    plate: OrificePlate, Re: float, pressure_share: float
) -> tuple[str, ...]:
    low_pipe, high_pipe = _PIPE_M
    low_beta, high_beta = _BETA
    least_re = _least_reynolds(plate)
    checks = (
        (
            plate.bore_m >= _LEAST_BORE_M,
            f"bore {plate.bore_m * 1000.0:.4g} mm, at least {_LEAST_BORE_M * 1000.0:g} mm",
        ),
        (
            low_pipe <= plate.pipe_m <= high_pipe,
            f"pipe {plate.pipe_m * 1000.0:.4g} mm, {low_pipe * 1000.0:g} to {high_pipe * 1000.0:g} mm",
        ),
        (
            low_beta <= plate.beta <= high_beta,
            f"bore over pipe {plate.beta:.3g}, {low_beta:g} to {high_beta:g}",
        ),
        (Re >= least_re, f"Reynolds number {Re:.0f}, at least {least_re:.0f}"),
        (
            1.0 - pressure_share >= _LEAST_PRESSURE_RATIO,
            f"pressure behind over before {1.0 - pressure_share:.3g}, at least {_LEAST_PRESSURE_RATIO:g}",
        ),
    )
    return tuple(text for is_kept, text in checks if not is_kept)


def _coefficient_percent(plate: OrificePlate, Re: float) -> float:
    """Relative uncertainty of C in percent, as k = 2; ISO 5167-2:2003, 5.3.3.1."""
    beta = plate.beta
    percent = max(0.5, 0.7 - beta)
    if beta > 0.6:
        percent = 1.667 * beta - 0.5
    if plate.pipe_m < SMALL_PIPE_M:
        percent += 0.9 * (0.75 - beta) * (2.8 - plate.pipe_m / INCH_M)
    if beta > 0.5 and Re < 10_000.0:
        percent += 0.5
    return percent
