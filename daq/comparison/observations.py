"""What is compared: one quantity in one trial, with its scatter and its systematic errors apart.

Measured channels and quantities derived from them look alike here. Errors keep the name of where they come from:
two trials that share an error by name share it by size and sign, and in a difference it counts once.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from daq.uncertainty import Contribution, combine


@dataclass(frozen=True, slots=True)
class Quantity:
    """What is compared.

    Attributes:
        name: Of the channel, or of what is derived from channels; unique in a session.
        title: For people.
        quantity: One of units.QUANTITIES, or another word for what is derived ("resistance", "air power").
        unit: As on the bench.
        place: Where on the bench; empty where that says nothing.
        formula: How it is derived, in words with its source; empty for a channel.
        required: Whether the trials waited for it to settle.
        instrument: That read it; empty for what is derived.
        choice: Which channels it is derived from where others of the kind could be; empty where none could.
    """

    name: str
    title: str
    quantity: str
    unit: str
    place: str = ""
    formula: str = ""
    required: bool = False
    instrument: str = ""
    choice: str = ""


@dataclass(frozen=True, slots=True)
class ErrorPart:
    """One systematic error of an observation.

    Attributes:
        source: What it is the error of: "power: gain". Equal in two trials where it is the same error.
        std_uncertainty: Standard uncertainty times sensitivity, with the sensitivity's sign [unit of the observation].
        is_common: The error keeps sign and share from condition to condition. One that is not is taken anew for
            each condition, though not for each repeat of it.
    """

    source: str
    std_uncertainty: float
    is_common: bool


@dataclass(frozen=True, slots=True)
class Observation:
    """One quantity in one trial.

    Attributes:
        trial: Number of the trial in its store [1].
        condition: What was fitted.
        at_s: Middle of its window, on one clock for the whole session [s].
        mean: [unit of the quantity].
        std_uncertainty_within: From the scatter within the trial alone (type A) [same unit].
        degrees_of_freedom_within: Of that [1]; may be inf.
        errors: Systematic ones [same unit].
    """

    trial: int
    condition: str
    at_s: float
    mean: float
    std_uncertainty_within: float
    degrees_of_freedom_within: float
    errors: tuple[ErrorPart, ...] = ()

    @property
    def std_uncertainty_systematic(self) -> float:
        """All systematic errors together [unit of the quantity]."""
        return math.hypot(*(part.std_uncertainty for part in self.errors))


def propagate(
    value: float,
    inputs: Sequence[tuple[float, Observation]],
    *,
    errors: Iterable[ErrorPart] = (),
) -> Observation:
    r"""Observation of a quantity that is derived from others of the same trial.

    .. math:: u_\mathrm{within}^2 = \sum (c_i u_i)^2, \quad e_s = \sum c_i e_{i,s}

    Args:
        value: What the inputs give [unit of the derived quantity].
        inputs: Sensitivity c_i [unit of the derived quantity per unit of the input] and observation, at least one.
        errors: Of the derivation itself [unit of the derived quantity].

    Returns:
        Observation of the inputs' trial; errors of one source are added with their signs.

    Raises:
        ValueError: If there is no input, or the inputs are of different trials.

    Validity:
        First order; the inputs' scatter within the trial is taken as independent. What they have in common from
        trial to trial shows in the spread of the derived values themselves.

    Source:
        JCGM 100:2008 (GUM), 5.1.2 equation (10), 5.2.2 equation (16) with full correlation, G.4.
    """
    if not inputs or len({observation.trial for _, observation in inputs}) != 1:
        msg = f"inputs {inputs!r}, expected at least one, all of one trial"
        raise ValueError(msg)
    first = inputs[0][1]
    within = combine(
        [
            Contribution(
                abs(sensitivity) * observation.std_uncertainty_within,
                observation.degrees_of_freedom_within,
            )
            for sensitivity, observation in inputs
        ]
    )
    carried = (
        replace(part, std_uncertainty=sensitivity * part.std_uncertainty)
        for sensitivity, observation in inputs
        for part in observation.errors
    )
    return replace(
        first,
        mean=value,
        std_uncertainty_within=within.std_uncertainty,
        degrees_of_freedom_within=within.degrees_of_freedom,
        errors=_added([*carried, *errors]),
    )


def _added(parts: Iterable[ErrorPart]) -> tuple[ErrorPart, ...]:
    sums: dict[tuple[str, bool], float] = {}
    for part in parts:
        key = (part.source, part.is_common)
        sums[key] = sums.get(key, 0.0) + part.std_uncertainty
    return tuple(ErrorPart(source, u, common) for (source, common), u in sums.items())
