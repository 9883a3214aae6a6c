"""What the loop of a lead may have by what the plan says of it, at 20 °C: from copper of the size to the standard's maximum.

Contacts of plugs and sockets are in every measured loop and in no standard for conductors: sound ones get an allowance of
their own on top.
"""

from dataclasses import dataclass

from daq.comparison.rules import LeadFacts
from daq.physics.conductors import (
    Jacket,
    fixed_wiring_maximum,
    jacket_of_area,
    jacket_of_gauge,
)
from daq.physics.leads import loop_ohm

CONTACTS_OHM = 0.02
"""Most that the sound contacts of plug and socket at both ends add to a loop [ohm]; common practice, no published source."""

_SIZES_MM2 = (0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 6.0, 10.0, 16.0)
"""Sizes that leads are sold in [mm²]; IEC 60228:2004, table 3."""
_GAUGE_STEP = 2
"""Cords are sold in even gauges [AWG]."""
_THINNEST_GAUGE = 24


@dataclass(frozen=True, slots=True)
class LeadRange:
    """Resistance of a lead's loop at 20 °C.

    Attributes:
        low_ohm: Copper of the nominal area, no contacts [ohm].
        high_ohm: Most by the standard, contacts included [ohm]; None where no standard lists the size.
        smaller_ohm: Copper of the next smaller size, no contacts [ohm]; None where none is sold.
        source: Of the maximum.
    """

    low_ohm: float
    high_ohm: float | None
    smaller_ohm: float | None
    source: str


def lead_range(lead: LeadFacts) -> LeadRange | None:
    """What the plan says of a lead, as resistance.

    Args:
        lead: As the plan describes it; what was measured of it otherwise counts where no size is stated.

    Returns:
        Range [ohm at 20 °C]; None where neither size and length nor a resistance are stated, or no lead is made of
        the size.
    """
    if lead.length_m is None or (lead.area_mm2 is None and lead.awg is None):
        return _as_entered(lead)
    try:
        jacket = _jacket(lead)
    except ValueError:
        return None
    most, source = _maximum(jacket, lead)
    smaller = _smaller(lead)
    return LeadRange(
        low_ohm=loop_ohm(lead.length_m, jacket.nominal_ohm_per_m),
        high_ohm=None if most is None else loop_ohm(lead.length_m, most) + CONTACTS_OHM,
        smaller_ohm=(
            loop_ohm(lead.length_m, smaller.nominal_ohm_per_m) if smaller else None
        ),
        source=source,
    )


def _jacket(lead: LeadFacts) -> Jacket:
    if lead.area_mm2 is not None:
        return jacket_of_area(lead.area_mm2)
    return jacket_of_gauge(lead.awg or 0)


def _as_entered(lead: LeadFacts) -> LeadRange | None:
    if lead.loop_ohm is None:
        return None
    expanded = lead.loop_expanded_uncertainty_ohm
    return LeadRange(
        low_ohm=lead.loop_ohm - expanded,
        high_ohm=lead.loop_ohm + expanded,
        smaller_ohm=None,
        source="what the plan enters as measured",
    )


def _maximum(jacket: Jacket, lead: LeadFacts) -> tuple[float | None, str]:
    if lead.conductor == "flexible tinned":
        return jacket.maximum_tinned_ohm_per_m, jacket.source
    if lead.conductor == "solid" and lead.area_mm2 is not None:
        try:
            most = fixed_wiring_maximum(lead.area_mm2)
        except ValueError:
            return None, "IEC 60228 does not list this size"
        return most, "IEC 60228:2004, tables 1 and 2"
    return jacket.maximum_ohm_per_m, jacket.source


def _smaller(lead: LeadFacts) -> Jacket | None:
    if lead.area_mm2 is not None:
        below = [size for size in _SIZES_MM2 if size < 0.99 * lead.area_mm2]
        return jacket_of_area(below[-1]) if below else None
    gauge = (lead.awg or 0) + _GAUGE_STEP
    return jacket_of_gauge(gauge) if gauge <= _THINNEST_GAUGE else None
