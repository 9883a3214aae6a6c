"""What a machine does behind another lead: its voltage solved together with its current, everything with an interval.

Each uncertain input is moved by its standard uncertainty either way and the whole circuit is solved again; half of the
difference is expanded with that input's own coverage factor, and all are added in squares. So a meter's error that acts on curve, supply and
baseline alike keeps its sign in all three, and hardly touches a ratio.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from daq.prediction.circuit import (
    DROP,
    LOST,
    VOLTAGE,
    LeadTooWeakError,
    central_inputs,
    solved,
)
from daq.prediction.lead import AskedLead
from daq.prediction.machine import Machine
from daq.prediction.uncertain import Move, Origin, moves


@dataclass(frozen=True, slots=True)
class Predicted:
    """One figure, and what it is of the baseline's.

    Attributes:
        name: Of the curve, or VOLTAGE, DROP, LOST.
        title: For people.
        unit: Of the value.
        value: Mean of many trials [unit].
        expanded_uncertainty: 95 % [unit].
        parts: The same by where it comes from [unit].
        ratio: To the curve at the baseline's voltage [1]; None without a baseline, and for DROP and LOST.
        ratio_expanded_uncertainty: 95 % [1]; None likewise.
    """

    name: str
    title: str
    unit: str
    value: float
    expanded_uncertainty: float
    parts: Mapping[str, float]
    ratio: float | None = None
    ratio_expanded_uncertainty: float | None = None


@dataclass(frozen=True, slots=True)
class Extrapolation:
    """How far a voltage is outside what was measured.

    Attributes:
        side: "below" or "above".
        beyond_v: [V].
        beyond_percent: Of the range that was measured.
    """

    side: str
    beyond_v: float
    beyond_percent: float


@dataclass(frozen=True, slots=True)
class Prediction:
    """What a machine does behind a lead.

    Attributes:
        lead: The lead.
        figures: VOLTAGE, DROP, LOST, then the curves.
        extrapolation: None within the measured range.
    """

    lead: AskedLead
    figures: tuple[Predicted, ...]
    extrapolation: Extrapolation | None

    def of(self, name: str) -> Predicted | None:
        """The figure of that name."""
        return next((f for f in self.figures if f.name == name), None)


@dataclass(frozen=True, slots=True)
class NotPredicted:
    """A lead that nothing can be said of.

    Attributes:
        lead: The lead.
        reason: Why, in words.
    """

    lead: AskedLead
    reason: str


def predict(machine: Machine, lead: AskedLead) -> Prediction:
    r"""Predict what the machine does behind a lead.

    .. math:: V = V_s(I) - \Delta V(I, R, X, \cos\varphi), \quad I = I(V), \quad
        U^2 = \sum_k \left(k_k \, \Delta_k\right)^2

    with :math:`\Delta_k` half of what the result does when input k moves from one standard uncertainty below to one above.

    Args:
        machine: As a session found it.
        lead: To be fitted.

    Returns:
        Prediction [units of the session; V, A, W].

    Raises:
        LeadTooWeakError: If no voltage satisfies both the lead and the machine, even if only within its uncertainty.

    Validity:
        The supply, the air and the machine as in the session. Inputs of one fit are moved along the axes of its covariance,
        so that they are independent. U from parts with a factor each is never smaller than Welch and
        Satterthwaite's.

    Source:
        JCGM 100:2008 (GUM), 5.1.3 note 2 (sensitivities taken numerically), F.1.2.4 (common errors moved once).
    """
    central = central_inputs(machine, lead)
    levels, ratios = solved(machine, lead, central)
    effects = [_effect(machine, lead, move) for move in moves(machine, lead, central)]
    figures = []
    for name, value in levels.items():
        parts = _parts([(e.origin, e.levels[name]) for e in effects])
        ratio = ratios.get(name)
        ratio_u = None
        if ratio is not None:
            ratio_u = math.hypot(*(e.ratios[name] for e in effects))
        title, unit = _named(machine, name)
        figures.append(
            Predicted(
                name,
                title,
                unit,
                value,
                math.hypot(*parts.values()),
                parts,
                ratio,
                ratio_u,
            )
        )
    return Prediction(lead, tuple(figures), extrapolation_at(machine, levels[VOLTAGE]))


@dataclass(frozen=True, slots=True)
class _Effect:
    """What one input does to figures and ratios, expanded."""

    origin: Origin
    levels: Mapping[str, float]
    ratios: Mapping[str, float]


def _effect(machine: Machine, lead: AskedLead, move: Move) -> _Effect:
    levels, ratios = solved(machine, lead, move.inputs)
    other_levels, other_ratios = solved(machine, lead, move.opposite)
    half = 0.5 * move.coverage_factor
    return _Effect(
        move.origin,
        {name: half * (value - other_levels[name]) for name, value in levels.items()},
        {name: half * (value - other_ratios[name]) for name, value in ratios.items()},
    )


def predict_each(
    machine: Machine, leads: Iterable[AskedLead]
) -> tuple[Prediction | NotPredicted, ...]:
    """Predict several leads; one that the machine does not run behind leaves the others be."""
    found: list[Prediction | NotPredicted] = []
    for lead in leads:
        try:
            found.append(predict(machine, lead))
        except LeadTooWeakError as exc:
            found.append(NotPredicted(lead, str(exc)))
    return tuple(found)


def extrapolation_at(machine: Machine, voltage_v: float) -> Extrapolation | None:
    """How far a voltage at the machine [V] is beyond those measured; None within."""
    low, high = machine.range_v
    beyond_v = max(low - voltage_v, voltage_v - high)
    if beyond_v <= 0.0:
        return None
    side = "below" if voltage_v < low else "above"
    return Extrapolation(side, beyond_v, 100.0 * beyond_v / (high - low))


def _parts(changes: Sequence[tuple[str, float]]) -> dict[str, float]:
    squares: dict[str, float] = {}
    for origin, change in changes:
        squares[origin] = squares.get(origin, 0.0) + change**2
    return {origin: math.sqrt(square) for origin, square in squares.items()}


def _named(machine: Machine, name: str) -> tuple[str, str]:
    if name in machine.curves:
        quantity = machine.curves[name].quantity
        return quantity.title, quantity.unit
    titles = {
        VOLTAGE: ("Voltage at the machine", "V"),
        DROP: ("Voltage drop in the lead", "V"),
        LOST: ("Power lost in the lead", "W"),
    }
    return titles[name]
