"""Actual and standard airflow from what a meter shows: each kind of meter follows the air's density in its own way.

A vane turns with the volume, a thermal meter follows the mass, a pitot tube or an orifice the root of a pressure. Scaling
one by the rule of another is the classic mistake (a thermal meter is not corrected for altitude). "Standard" says nothing
without its density: that is a required argument here and stays with the result.
"""

from dataclasses import dataclass
from enum import StrEnum

from daq.physics.bounds import expect_finite, expect_not_negative, expect_within
from daq.physics.moist_air import moist_air_density

LB_PER_FT3 = 0.45359237 / 0.3048**3
"""[kg/m³]; exact by the definitions of pound and foot."""


class AirMeterKind(StrEnum):
    """What an air meter's reading follows."""

    VANE = "vane"
    THERMAL = "thermal"
    FIXED_DENSITY = "pitot or orifice"
    OWN_DENSITY = "pitot or orifice with density"


@dataclass(frozen=True, slots=True)
class DensityExponents:
    """Powers of the air's density in actual and standard flow, with the reading held [1]."""

    actual: float
    standard: float


DENSITY_EXPONENTS: dict[AirMeterKind, DensityExponents] = {
    AirMeterKind.VANE: DensityExponents(0.0, 1.0),
    AirMeterKind.THERMAL: DensityExponents(-1.0, 0.0),
    AirMeterKind.FIXED_DENSITY: DensityExponents(-0.5, 0.5),
    AirMeterKind.OWN_DENSITY: DensityExponents(0.0, 1.0),
}
"""By kind of meter; vane stands for turbines, positive displacement and ultrasound too.

Of a flow that is made from a pressure difference and this density, the exponents are those of FIXED_DENSITY.
"""

_SHOWS_ACTUAL = (AirMeterKind.VANE, AirMeterKind.OWN_DENSITY)


@dataclass(frozen=True, slots=True)
class CorrectedFlow:
    """A flow (or velocity) in both ways of counting it.

    Attributes:
        actual: Volume at the density of this air [unit of the reading].
        standard: Volume that the same mass has at the reference density [same unit].
        reference_density_kg_per_m3: That density; to be printed with every standard flow [kg/m³].
        actual_relative_u: What the air density's uncertainty adds to the actual flow, relative [1].
        standard_relative_u: The same of the standard flow [1].
    """

    actual: float
    standard: float
    reference_density_kg_per_m3: float
    actual_relative_u: float
    standard_relative_u: float


@dataclass(frozen=True, slots=True)
class ReferenceDensity:
    """One of the densities that are called standard.

    Attributes:
        name: As people ask for it.
        kg_per_m3: [kg/m³].
        state: What defines it: the density itself, or a state of the air.
        source: Of the definition.
    """

    name: str
    kg_per_m3: float
    state: str
    source: str


def _of_state(
    name: str, source: str, t_c: float, p_pa: float, h: float
) -> ReferenceDensity:
    """A reference that is defined by a state of the air; its density by CIPM-2007."""
    damp = f"{100.0 * h:g} % relative humidity" if h else "dry"
    state = f"{t_c:.4g} °C, {p_pa / 1000.0:g} kPa, {damp}; density by CIPM-2007"
    return ReferenceDensity(
        name, moist_air_density(t_c, p_pa, h).kg_per_m3, state, source
    )


REFERENCE_DENSITIES: tuple[ReferenceDensity, ...] = (
    ReferenceDensity("standard air", 1.2, "defined by its density", "ISO 5801"),
    ReferenceDensity(
        "standard air, inch-pound",
        0.075 * LB_PER_FT3,
        "defined by its density, 0.075 lb/ft³",
        "AMCA 210 and ASHRAE 51",
    ),
    _of_state("normal state", "DIN 1343", 0.0, 101325.0, 0.0),
    _of_state("standard atmosphere, sea level", "ISO 2533", 15.0, 101325.0, 0.0),
    _of_state("compressor inlet", "ISO 1217", 20.0, 100e3, 0.0),
    _of_state("reference atmosphere", "ISO 8778", 20.0, 100e3, 0.65),
    _of_state("dry air, 60 °F", "gas industry practice", 140.0 / 9.0, 101325.0, 0.0),
    _of_state("dry air, 70 °F", "ASHRAE practice", 190.0 / 9.0, 101325.0, 0.0),
    _of_state("STP", "IUPAC", 0.0, 100e3, 0.0),
)
"""What is called standard somewhere. They differ by up to 9 %, so the name alone never says which."""


def reference_of_density(density_kg_per_m3: float) -> ReferenceDensity | None:
    r"""Which reference a density is, to name it where it is printed.

    .. math:: |\rho / \rho_{ref} - 1| < 10^{-4}

    Args:
        density_kg_per_m3: Reference density that a bench states [kg/m³].

    Returns:
        The nearest of REFERENCE_DENSITIES within 1 in 10 000 [kg/m³]; None where there is none.

    Validity:
        Any density; of two that lie as near (1.2 kg/m³, dry air of 70 °F) the one that is defined by its density.

    Source:
        REFERENCE_DENSITIES, each with its own.

    Example:
        >>> found = reference_of_density(1.2)
        >>> found.source if found else None
        'ISO 5801'
    """
    near = [
        reference
        for reference in REFERENCE_DENSITIES
        if abs(density_kg_per_m3 / reference.kg_per_m3 - 1.0) < 1e-4
    ]
    return near[0] if near else None


def correct_airflow(
    indicated: float,
    kind: AirMeterKind,
    *,
    density_kg_per_m3: float,
    reference_density_kg_per_m3: float,
    calibrated_at_kg_per_m3: float | None = None,
    density_relative_u: float = 0.0,
) -> CorrectedFlow:
    r"""Actual and standard flow from what a meter shows.

    .. math:: Q_{act} = Q_{ind} (\rho_c/\rho)^{-a}, \quad Q_{std} = Q_{act} \, \rho/\rho_0

    with a = 0 for a meter that shows actual volume, -1 for a thermal one, -1/2 for a pitot tube or an orifice
    whose display takes the air to have the fixed density rho_c.

    Args:
        indicated: What the meter shows, flow or velocity [any unit of those].
        kind: What the reading follows [one of AirMeterKind].
        density_kg_per_m3: Of the air at the meter rho, at its own temperature and static pressure [kg/m³].
        reference_density_kg_per_m3: That of "standard" rho_0 [kg/m³].
        calibrated_at_kg_per_m3: Density that the meter's scale assumes rho_c [kg/m³]; needed for thermal meters and
            for pitot or orifice with a fixed density, without meaning for the others.
        density_relative_u: Relative standard uncertainty of rho [1].

    Returns:
        Actual and standard flow [unit of indicated], the reference density [kg/m³], and the relative standard
        uncertainty that the density brings into each [1].

    Raises:
        ValueError: If a density is missing or outside 0.3 to 2 kg/m³, or the reading is not finite.

    Validity:
        The meter's own errors are not in it. A vane that starts late at low density, and a thermal meter's response to
        humidity, are of second order and left out. A meter with a density input is taken to be given the air's.

    Source:
        Conservation of mass, and Bernoulli's equation for pitot tube and orifice (ISO 3966, ISO 5167-1).

    Example:
        >>> flow = correct_airflow(100.0, AirMeterKind.VANE, density_kg_per_m3=1.11734, reference_density_kg_per_m3=1.2)
        >>> round(flow.standard, 3), flow.reference_density_kg_per_m3
        (93.112, 1.2)
    """
    expect_finite(indicated, name="indicated flow", unit="")
    expect_not_negative(
        density_relative_u, name="relative uncertainty of the density", unit=""
    )
    _expect_density(density_kg_per_m3, "density of the air")
    _expect_density(reference_density_kg_per_m3, "reference density")
    exponents = DENSITY_EXPONENTS[kind]
    scale = _scale_density(kind, calibrated_at_kg_per_m3, density_kg_per_m3)
    actual = indicated * (density_kg_per_m3 / scale) ** exponents.actual
    return CorrectedFlow(
        actual,
        actual * density_kg_per_m3 / reference_density_kg_per_m3,
        reference_density_kg_per_m3,
        abs(exponents.actual) * density_relative_u,
        abs(exponents.standard) * density_relative_u,
    )


def _scale_density(
    kind: AirMeterKind, calibrated_at: float | None, density: float
) -> float:
    """Density that the meter's scale assumes; the air's own where the meter shows actual volume."""
    if kind in _SHOWS_ACTUAL:
        return density
    if calibrated_at is None:
        msg = f"a meter of kind {kind.value!r} assumes a density, expected calibrated_at_kg_per_m3"
        raise ValueError(msg)
    _expect_density(calibrated_at, "density that the meter assumes")
    return calibrated_at


def _expect_density(density: float, name: str) -> None:
    expect_within(density, 0.3, 2.0, name=name, unit="kg/m³")
