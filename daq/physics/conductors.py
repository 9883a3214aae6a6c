"""Copper conductors: from what stands on a jacket (mm² or AWG) to ohms per metre.

A jacket names a size, and a size allows a range: pure copper of the nominal area at the lower end, and at the upper end
the most that the standard lets a flexible conductor of that size have. What is measured between the two is as it
should be; only what is above the standard's maximum can be called too high, and only above that of tinned strands where
nobody knows whether the strands are tinned. All figures are direct-current resistances of one conductor at 20 °C;
at mains frequency and up to 16 mm² the difference is far below a percent.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

COPPER_20C_OHM_MM2_PER_M = 1.0 / 58.0
"""Resistivity of annealed copper of 100 % IACS at 20 °C [ohm mm²/m]; IEC 60028."""
ZERO_RESISTANCE_K = 234.5
"""How far below 0 °C copper's resistance would vanish if it fell as it does at room temperature [K]; IEC 60228."""
SMALLEST_MM2, LARGEST_MM2 = 0.1, 16.0
"""Areas that leads are made with [mm²]; what lies outside is a slip of the keyboard."""
THICKEST_AWG, THINNEST_AWG = 5, 26
"""Gauges in the same range."""

_IEC_60228 = "IEC 60228:2004, table 3, class 5 and 6"
_FLEXIBLE_OHM_PER_KM: Mapping[float, tuple[float, float]] = MappingProxyType(
    {
        0.5: (39.0, 40.1),
        0.75: (26.0, 26.7),
        1.0: (19.5, 20.0),
        1.5: (13.3, 13.7),
        2.5: (7.98, 8.21),
        4.0: (4.95, 5.09),
        6.0: (3.30, 3.39),
        10.0: (1.91, 1.95),
        16.0: (1.21, 1.24),
    }
)
"""Most that flexible conductors may have at 20 °C, plain and tinned; IEC 60228:2004, table 3.

Read in several public reprints that agree, not in the standard itself.
"""
_FIXED_OHM_PER_KM: Mapping[float, tuple[float, float]] = MappingProxyType(
    {
        0.5: (36.0, 36.7),
        0.75: (24.5, 24.8),
        1.0: (18.1, 18.2),
        1.5: (12.1, 12.2),
        2.5: (7.41, 7.56),
        4.0: (4.61, 4.70),
        6.0: (3.08, 3.11),
        10.0: (1.83, 1.84),
        16.0: (1.15, 1.16),
    }
)
"""The same for solid and stranded conductors of fixed wiring, IEC 60228:2004, tables 1 and 2."""
_LAY = 1.02
"""Strands are longer than the cord: ASTM B174 reckons 2 % for bunched strands (from memory)."""
_TOLERANCE = 1.02
"""Tolerance on top of the nominal resistance, as the North American cable standards have it (from memory)."""
_TINNED = 1.0 / 0.9315
"""Tinned strands of 0.1 to 0.28 mm: 93.15 % IACS at least, ASTM B33 (from memory).

NFPA 70, chapter 9, table 8 prints ratios of coated to uncoated that follow the same series: 1.063 for 18 AWG.
"""
_ASTM = (
    "ASTM B258 sizes of 100 % IACS copper; the maximum adds 2 % for the lay of the strands (ASTM B174) and 2 %"
    " tolerance, both from memory"
)


@dataclass(frozen=True, slots=True)
class Jacket:
    """What the size on a jacket says of one conductor, at 20 °C.

    Attributes:
        designation: As people write it: "2.5 mm²", "12 AWG".
        area_mm2: Nominal area [mm²].
        nominal_ohm_per_m: Pure copper of that area [ohm/m].
        maximum_ohm_per_m: Most that a flexible conductor with plain strands may have [ohm/m]; None where no
            standard lists the size.
        maximum_tinned_ohm_per_m: The same with tinned strands [ohm/m].
        source: Where the maxima are from.
    """

    designation: str
    area_mm2: float
    nominal_ohm_per_m: float
    maximum_ohm_per_m: float | None
    maximum_tinned_ohm_per_m: float | None
    source: str


def jacket_of_area(area_mm2: float) -> Jacket:
    r"""What a jacket marked in square millimetres says.

    .. math:: r = \rho_{20} / A

    Args:
        area_mm2: Nominal area A [mm²], 0.1 to 16.

    Returns:
        Nominal and greatest resistance at 20 °C [ohm/m]; no greatest one for a size that IEC 60228 does not list.

    Raises:
        ValueError: If the area is no lead's.

    Validity:
        Flexible conductors of class 5 or 6. The maxima lie 11 to 19 % above copper of the nominal area: makers
        may use less copper than the name says, as long as the resistance holds.

    Source:
        IEC 60228:2004, table 3 (maxima); IEC 60028 (resistivity).

    Example:
        >>> round(1000.0 * (jacket_of_area(1.5).maximum_ohm_per_m or 0.0), 4)
        13.3
    """
    if not SMALLEST_MM2 <= area_mm2 <= LARGEST_MM2:
        msg = f"{area_mm2:g} mm², expected {SMALLEST_MM2:g} to {LARGEST_MM2:g} mm²"
        raise ValueError(msg)
    plain, tinned = _FLEXIBLE_OHM_PER_KM.get(area_mm2, (None, None))
    return Jacket(
        f"{area_mm2:g} mm²",
        area_mm2,
        resistance_per_m(area_mm2),
        None if plain is None else plain / 1000.0,
        None if tinned is None else tinned / 1000.0,
        _IEC_60228 if plain else "IEC 60228 does not list this size",
    )


def jacket_of_gauge(gauge: int) -> Jacket:
    r"""What a jacket marked in American Wire Gauge says.

    .. math:: r = \rho_{20} / A, \quad r_\mathrm{max} = 1.02 \cdot 1.02 \, r

    Args:
        gauge: Number n [AWG], 5 to 26.

    Returns:
        Resistance of solid copper of the size, and the greatest of a stranded cord at 20 °C [ohm/m].

    Raises:
        ValueError: If the gauge is no lead's.

    Validity:
        Flexible cord. The nominal value is that of a solid wire of the gauge's area, which strands of the same
        area exceed by their lay. The factors of the maximum were not read in their standards; a
        published table of stranded wire at 20 °C (2.624 ohm per 1000 ft for 14 AWG) agrees with them. With tinned strands
        another 7 %.

    Source:
        ASTM B258 (sizes), IEC 60028 (resistivity), ASTM B174 (lay) and B33 (tinned copper), the last two from memory.

    Example:
        >>> round(1000.0 * jacket_of_gauge(14).nominal_ohm_per_m, 4)
        8.2855
    """
    if not THICKEST_AWG <= gauge <= THINNEST_AWG:
        msg = f"{gauge} AWG, expected {THICKEST_AWG} to {THINNEST_AWG}"
        raise ValueError(msg)
    area_mm2 = gauge_area_mm2(gauge)
    nominal = resistance_per_m(area_mm2)
    highest = nominal * _LAY * _TOLERANCE
    return Jacket(f"{gauge} AWG", area_mm2, nominal, highest, highest * _TINNED, _ASTM)


def fixed_wiring_maximum(area_mm2: float, *, tinned: bool = False) -> float:
    """Most that a conductor of fixed wiring may have, for the building's part of a loop.

    Args:
        area_mm2: Nominal area [mm²], one of the standard's up to 16.
        tinned: Whether the copper is coated [bool].

    Returns:
        Resistance at 20 °C [ohm/m].

    Raises:
        ValueError: If the standard does not list the area.

    Validity:
        Solid (class 1) and stranded (class 2) copper.

    Source:
        IEC 60228:2004, tables 1 and 2, as public reprints give them.

    Example:
        >>> fixed_wiring_maximum(2.5)
        0.00741
    """
    if area_mm2 not in _FIXED_OHM_PER_KM:
        listed = ", ".join(f"{size:g}" for size in _FIXED_OHM_PER_KM)
        msg = f"{area_mm2:g} mm² is not in IEC 60228, expected {listed}"
        raise ValueError(msg)
    return _FIXED_OHM_PER_KM[area_mm2][tinned] / 1000.0


def gauge_diameter_mm(gauge: int) -> float:
    r"""Diameter of a solid wire of an American Wire Gauge.

    .. math:: d = 0.127 \, \mathrm{mm} \cdot 92^{(36 - n)/39}

    Args:
        gauge: Number n [AWG], 0 to 40.

    Returns:
        d [mm].

    Raises:
        ValueError: If the gauge is outside 0 to 40.

    Validity:
        By definition; drawn wire keeps to it within a percent.

    Source:
        ASTM B258.

    Example:
        >>> round(gauge_diameter_mm(36), 4)
        0.127
    """
    if not 0 <= gauge <= 40:
        msg = f"{gauge} AWG, expected 0 to 40"
        raise ValueError(msg)
    return 0.127 * math.pow(92.0, (36 - gauge) / 39.0)


def gauge_area_mm2(gauge: int) -> float:
    r"""Area of an American Wire Gauge, solid or the strands together.

    .. math:: A = \pi d^2 / 4

    Args:
        gauge: Number [AWG], 0 to 40.

    Returns:
        A [mm²].

    Raises:
        ValueError: As `gauge_diameter_mm`.

    Validity:
        Nominal.

    Source:
        ASTM B258.

    Example:
        >>> round(gauge_area_mm2(12), 4)
        3.3088
    """
    return math.pi * gauge_diameter_mm(gauge) ** 2 / 4.0


def resistance_per_m(area_mm2: float, *, temperature_c: float = 20.0) -> float:
    r"""Resistance of one metre of one copper conductor.

    .. math:: r = \frac{\rho_{20}}{A} \, \frac{234.5 + t}{254.5}

    Args:
        area_mm2: Copper's area A [mm²], above 0.
        temperature_c: The copper's temperature t [°C].

    Returns:
        r [ohm/m].

    Raises:
        ValueError: If the area is not above 0, or as `copper_factor`.

    Validity:
        Annealed copper of 100 % IACS, direct current. Good conductors are of 100 to 101 % IACS.

    Source:
        IEC 60028.

    Example:
        >>> round(304.8 * resistance_per_m(gauge_area_mm2(10)), 4)
        0.9989
    """
    if not area_mm2 > 0.0:
        msg = f"area {area_mm2:g} mm², expected above 0"
        raise ValueError(msg)
    return COPPER_20C_OHM_MM2_PER_M / area_mm2 * copper_factor(temperature_c)


def copper_factor(temperature_c: float) -> float:
    r"""How much more resistance copper has at a temperature than at 20 °C.

    .. math:: R_t / R_{20} = \frac{234.5 + t}{254.5}

    Args:
        temperature_c: t [°C], -50 to 200.

    Returns:
        Factor [1].

    Raises:
        ValueError: If the temperature is outside that range.

    Validity:
        Annealed copper; the same as a coefficient of 0.00393 per kelvin at 20 °C within 5e-5 from 5 to 75 °C. The *table* of
        IEC 60228 follows 250/(230 + t) instead (0.3 % off at 75 °C): never mix the two.

    Source:
        IEC 60228:2004, annex B (exact form, from memory); IEC 60028 (0.00393 per kelvin).

    Example:
        >>> round(copper_factor(30.0), 4)
        1.0393
    """
    if not -50.0 <= temperature_c <= 200.0:
        msg = f"copper at {temperature_c:g} °C, expected -50 to 200 °C"
        raise ValueError(msg)
    return (ZERO_RESISTANCE_K + temperature_c) / (ZERO_RESISTANCE_K + 20.0)
