"""The voltage that a lead is fed from: what the outlet has left under the machine's current.

Measured by a voltmeter at the supply's end, or reckoned back from the machine's end over leads whose resistance the plan
states, or stated by the user.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from daq.comparison.observations import ErrorPart, Observation, propagate
from daq.comparison.rules import LeadFacts
from daq.physics.conductors import jacket_of_area, jacket_of_gauge
from daq.physics.leads import voltage_drop
from daq.prediction.fitting import Fit, Known, fit_known
from daq.prediction.lead import AskedLead, lead_of
from daq.prediction.points import Elsewhere, Pair, points_of
from daq.records import Contribution
from daq.stats import normal_quantile

SUPPLY_OHM, SUPPLY_U_OHM = 0.4, 0.4
"""Impedance upstream of an outlet [ohm]; a session's currents differ too little to tell it well.

IEC TR 60725 takes 0.4 ohm as reference for a low-voltage supply (from memory); its uncertainty is our own assumption.
"""
STATED_LEAD_K = 2.0
"""Coverage factor of a loop resistance that a plan states [1]."""


@dataclass(frozen=True, slots=True)
class Supply:
    """Voltage at the outlet over the current.

    Attributes:
        origin: Where it is known from, in words.
        centre_a: Current that the line is about [A].
        fit: Voltage there [V], impedance [ohm].
        shared: Errors that all its points share, by source [V]. Shapes (n,).
        variances: Of each condition's point [V²].
    """

    origin: str
    centre_a: float
    fit: Fit
    shared: Mapping[str, NDArray[np.float64]]
    variances: Mapping[str, float]

    def doubt_v(self, *, apart_from: Collection[str] = ()) -> float:
        """Expanded uncertainty of the voltage in the middle of the currents, errors of some sources left out [V]."""
        random = math.sqrt(float(self.fit.covariance[0, 0]) + self.fit.excess**2)
        shared = (
            float(self.fit.estimator[0] @ errors)
            for source, errors in self.shared.items()
            if source not in apart_from
        )
        return math.hypot(
            self.fit.coverage_factor * random,
            *(normal_quantile(0.975) * error for error in shared),
        )

    def voltage(
        self, current_a: float, parameters: NDArray[np.float64] | None = None
    ) -> float:
        """At the outlet under a current [V]."""
        level, impedance = self.fit.parameters if parameters is None else parameters
        return float(level - impedance * (current_a - self.centre_a))


def stated_supply(voltage_v: float) -> Supply:
    """A voltage that the outlet keeps under load, taken as exact [V]."""
    fit = Fit(
        np.array([voltage_v, 0.0]), np.zeros((2, 2)), np.zeros((2, 0)), 0.0, math.inf
    )
    return Supply("as stated", 0.0, fit, {}, {})


def fit_supply(pairs: Sequence[Pair], elsewhere: Elsewhere, *, origin: str) -> Supply:
    r"""Fit a line to what the outlet had under each condition's current.

    .. math:: V_s = E - Z (I - I_0), \quad Z = Z_0 \pm u_Z

    Args:
        pairs: Current [A] and voltage at the outlet [V] of each trial.
        elsewhere: What else is known of that voltage's spread [V].
        origin: Where the voltages are from [text].

    Returns:
        Supply [V, ohm].

    Validity:
        One circuit, whose voltage only wanders.

    Source:
        Ohm's law; `fit_known` for the fit.
    """
    points = points_of(pairs, elsewhere)
    centre = float(points.x.mean())
    fit = fit_known(
        np.stack([np.ones_like(points.x), centre - points.x], axis=1),
        points.y,
        points.variances,
        known=Known(np.array([0.0, SUPPLY_OHM]), np.array([math.inf, SUPPLY_U_OHM])),
        spread_degrees=points.spread_degrees,
    )
    variances = dict(zip(points.conditions, points.variances.tolist(), strict=True))
    return Supply(origin, centre, fit, points.shared, variances)


def lead_as_stated(facts: LeadFacts | None) -> AskedLead | None:
    """A condition's lead by what the plan says of it; None where that does not tell its resistance."""
    if facts is None:
        return None
    if facts.loop_ohm is not None:
        u = facts.loop_expanded_uncertainty_ohm / STATED_LEAD_K
        parts = (Contribution(u, name="stated"),)
        return AskedLead(
            facts.designation, facts.length_m or 0.0, facts.loop_ohm, 0.0, parts
        )
    if facts.length_m is None or (facts.area_mm2 is None and facts.awg is None):
        return None
    jacket = (
        jacket_of_gauge(facts.awg)
        if facts.awg is not None
        else jacket_of_area(facts.area_mm2 or 0.0)
    )
    if facts.conductor == "flexible tinned":
        jacket = replace(jacket, maximum_ohm_per_m=jacket.maximum_tinned_ohm_per_m)
    return lead_of(jacket, facts.length_m)


def outlet_voltage(
    machine_v: Observation,
    current_a: Observation,
    lead: AskedLead,
    *,
    power_factor: float,
) -> Observation:
    """Voltage at the outlet, reckoned back from the machine's end.

    Args:
        machine_v: At the machine [V].
        current_a: In the same trial [A].
        lead: Between the two [ohm].
        power_factor: Of the machine [1].

    Returns:
        Observation [V]; what the lead's resistance leaves open is an error of its own.

    Source:
        `voltage_drop`.
    """
    drop_v = voltage_drop(
        current_a.mean,
        lead.resistance_ohm,
        reactance_ohm=lead.reactance_ohm,
        power_factor=power_factor,
    )
    per_ohm = current_a.mean * power_factor
    per_ampere = drop_v / current_a.mean
    part = ErrorPart(
        f"lead of {machine_v.condition}",
        per_ohm * lead.std_uncertainty_ohm,
        is_common=False,
    )
    return propagate(
        machine_v.mean + drop_v,
        [(1.0, machine_v), (per_ampere, current_a)],
        errors=[part],
    )
