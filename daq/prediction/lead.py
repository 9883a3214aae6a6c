"""A lead that is asked about: what its size and length let its loop have, warm and plugged in."""

import math
from dataclasses import dataclass

from daq.physics.conductors import Jacket, copper_factor
from daq.physics.leads import REACTANCE_OHM_PER_M, loop_ohm
from daq.records import Contribution

COPPER_C, COPPER_HALF_WIDTH_K = 35.0, 15.0
"""Copper of a loaded lead in a room: anywhere from 20 to 50 °C; common practice, no published source."""
CONTACTS_OHM = 0.03
"""Plug and socket together have anything from nothing to this in the loop [ohm]; our own assumption."""
_UNLISTED_MARGIN = 1.19
"""Where no standard lists a size: the widest margin above pure copper among the sizes it does list [1]."""


@dataclass(frozen=True, slots=True)
class AskedLead:
    """One lead.

    Attributes:
        designation: Size and length, as people say them.
        length_m: One way [m].
        resistance_ohm: Of the loop, best estimate [ohm].
        reactance_ohm: Of the loop [ohm].
        contributions: To the resistance's uncertainty [ohm].
    """

    designation: str
    length_m: float
    resistance_ohm: float
    reactance_ohm: float
    contributions: tuple[Contribution, ...]

    @property
    def std_uncertainty_ohm(self) -> float:
        """Of the resistance [ohm]."""
        return math.hypot(*(part.std_uncertainty for part in self.contributions))


def lead_of(
    jacket: Jacket,
    length_m: float,
    *,
    shown_length: str = "",
    copper_c: float = COPPER_C,
) -> AskedLead:
    r"""Loop resistance of a size and a length, with all that these leave open.

    .. math:: R = 2 L \, \frac{r_\mathrm{nom} + r_\mathrm{max}}{2} \, \frac{234.5 + t}{254.5} + \frac{R_c}{2}

    each half-width over the root of 3.

    Args:
        jacket: What the size says of one conductor [ohm/m].
        length_m: L, one way [m].
        shown_length: The length as it was typed [text]; metres if absent.
        copper_c: t of the copper [°C], give or take 15 K.

    Returns:
        Lead [ohm].

    Validity:
        As its jacket says, contacts in order. A thin conductor or a bad contact has more.

    Source:
        `jacket.source` for the range; JCGM 100:2008 (GUM), 4.3.7 for what lies anywhere in a range.
    """
    highest = jacket.maximum_ohm_per_m or _UNLISTED_MARGIN * jacket.nominal_ohm_per_m
    middle = 0.5 * (jacket.nominal_ohm_per_m + highest)
    warm = copper_factor(copper_c)
    copper_ohm = loop_ohm(length_m, middle) * warm
    size_ohm = loop_ohm(length_m, 0.5 * abs(highest - jacket.nominal_ohm_per_m)) * warm
    hotter = copper_factor(copper_c + COPPER_HALF_WIDTH_K)
    warmth_ohm = loop_ohm(length_m, middle) * (hotter - warm)
    return AskedLead(
        f"{jacket.designation}, {shown_length or f'{length_m:g} m'}",
        length_m,
        copper_ohm + 0.5 * CONTACTS_OHM,
        loop_ohm(length_m, REACTANCE_OHM_PER_M),
        tuple(
            Contribution(half_width / math.sqrt(3.0), name=name)
            for name, half_width in (
                ("conductor", size_ohm),
                ("copper's temperature", warmth_ohm),
                ("contacts", 0.5 * CONTACTS_OHM),
            )
        ),
    )
