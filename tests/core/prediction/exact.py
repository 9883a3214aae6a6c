"""Sessions of a machine whose law is a closed form, without any scatter or error of a meter."""

from collections.abc import Callable, Mapping, Sequence

from daq.comparison.observations import ErrorPart, Observation, Quantity
from daq.comparison.rules import (
    Circuit,
    ComparisonRules,
    ConditionFacts,
    LeadFacts,
    Nameplate,
    PlanFacts,
    Surroundings,
)
from daq.comparison.session import SessionFigures
from daq.prediction.lead import AskedLead

VOLTS = {"a": 230.0, "b": 226.0, "c": 222.0, "d": 217.0}
"""At the machine under each condition [V]; the first is the baseline."""
SUPPLY = Quantity("at_outlet", "Supply voltage", "voltage", "V", "supply end")
MACHINE = Quantity("at_machine", "Machine voltage", "voltage", "V", "machine end")
CURRENT = Quantity("amperes", "Current", "current", "A", "machine end")
POWER = Quantity("watts", "Power", "power", "W", "machine end")
FLOW = Quantity("flow", "Airflow", "airflow", "m3/h", "outlet")
ALL = (SUPPLY, MACHINE, CURRENT, POWER, FLOW)

Law = Callable[[float], Mapping[str, float]]


def law(power_of_current: float, *, current_a: float = 10.0) -> Law:
    """Current by a power of the voltage, power factor 1, airflow like the voltage: 300 m³/h at 230 V."""

    def at(voltage_v: float) -> Mapping[str, float]:
        amperes = current_a * (voltage_v / 230.0) ** power_of_current
        return {
            "at_outlet": 232.0,
            "at_machine": voltage_v,
            "amperes": amperes,
            "watts": voltage_v * amperes,
            "flow": 300.0 * voltage_v / 230.0,
        }

    return at


def exact_session(
    machine: Law,
    *,
    volts: Mapping[str, float] = VOLTS,
    quantities: Sequence[Quantity] = ALL,
    gains: Mapping[str, float] | None = None,
    changes: Mapping[str, tuple[str, ...]] | None = None,
    leads: Mapping[str, LeadFacts] | None = None,
    within: float = 1e-7,
) -> SessionFigures:
    """Every condition once.

    Args:
        machine: Its law.
        volts: At the machine under each condition [V].
        quantities: That are measured.
        gains: Share of the reading that a meter may be off by, standard uncertainty [1], by name.
        changes: Of conditions; the lead if absent.
        leads: That the plan states.
        within: Standard uncertainty within a trial, share of the value [1].
    """
    gains = gains or {}
    observations = {
        quantity.name: tuple(
            Observation(
                trial=number,
                condition=condition,
                at_s=300.0 * number,
                mean=(value := machine(voltage_v)[quantity.name]),
                std_uncertainty_within=within * abs(value),
                degrees_of_freedom_within=50.0,
                errors=(
                    (
                        ErrorPart(
                            f"{quantity.name}: gain",
                            gains[quantity.name] * value,
                            is_common=True,
                        ),
                    )
                    if quantity.name in gains
                    else ()
                ),
            )
            for number, (condition, voltage_v) in enumerate(volts.items(), 1)
        )
        for quantity in quantities
    }
    baseline = next(iter(volts))
    return SessionFigures(
        number=1,
        bench="bench",
        plan="leads",
        machine="Blower",
        started_utc="2026-03-02T09:00:00Z",
        software="steadybench 0",
        analysis=0,
        baseline=baseline,
        facts=PlanFacts(
            Nameplate(),
            tuple(
                ConditionFacts(
                    name,
                    changes=(changes or {}).get(
                        name, () if name == baseline else ("lead",)
                    ),
                    lead=(leads or {}).get(name),
                )
                for name in volts
            ),
            Circuit(),
            ComparisonRules(),
        ),
        surroundings=Surroundings(),
        quantities=tuple(quantities),
        observations=observations,
    )


def exact_lead(resistance_ohm: float) -> AskedLead:
    """A lead that is known exactly."""
    return AskedLead(f"{resistance_ohm:g} ohm", 10.0, resistance_ohm, 0.0, ())
