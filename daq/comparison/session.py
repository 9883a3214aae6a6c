"""A whole session compared: every quantity against the baseline, the baseline against the nameplate and against itself."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from daq.comparison.levels import ConditionLevel, condition_levels
from daq.comparison.observations import Observation, Quantity
from daq.comparison.rules import PlanFacts, Surroundings
from daq.comparison.standing_still import StoodStill
from daq.comparison.verdicts import QuantityComparison, compare_quantity
from daq.repeats import Spread
from daq.trials.limits import Limit


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A trial that is not compared, and why.

    Attributes:
        trial: Number in the store.
        condition: What was fitted.
        state: One of records.TrialState.
        note: Why it ended as it did.
    """

    trial: int
    condition: str
    state: str
    note: str


@dataclass(frozen=True, slots=True)
class SessionFigures:
    """What is compared: the averages of a session's trials that count, and what its plan and bench say.

    Attributes:
        number: Of the session in its store.
        bench, plan, machine: Names.
        started_utc: RFC 3339.
        software: Name and version that recorded it.
        analysis: Whose averages these are; 0: live.
        baseline: Name of the condition that the others are compared with.
        facts: What the plan says beyond the trials.
        surroundings: What the bench says of air and airflow.
        quantities: Channels, and what is derived from them.
        observations: Of each quantity by its name, in order of time; none for a trial without it.
        earlier: Spreads between trials of earlier sessions of the same machine, by quantity, with their numbers.
        left_out: Trials that are not compared.
        remarks: What could not be derived, and why.
        limits: That the plan had watched.
        normalised: Names of channels whose means were taken to a reference voltage, and of what is derived from them.
        second_choice: Names of channels that were typed or imported: taken only where the bench reads nothing of the kind.
        unstated: Names of channels of whose errors nothing is stated.
        lost_something: Numbers of the trials that lost something when the file was salvaged.
        stood_still: Channels that stood still in a trial, unlike in the others.
    """

    number: int
    bench: str
    plan: str
    machine: str
    started_utc: str
    software: str
    analysis: int
    baseline: str
    facts: PlanFacts
    surroundings: Surroundings
    quantities: tuple[Quantity, ...]
    observations: Mapping[str, tuple[Observation, ...]]
    earlier: Mapping[str, tuple[tuple[int, Spread], ...]] = field(default_factory=dict)
    left_out: tuple[LeftOut, ...] = ()
    remarks: tuple[str, ...] = ()
    limits: tuple[Limit, ...] = ()
    normalised: frozenset[str] = frozenset()
    second_choice: frozenset[str] = frozenset()
    unstated: tuple[str, ...] = ()
    lost_something: tuple[int, ...] = ()
    stood_still: tuple[StoodStill, ...] = ()


@dataclass(frozen=True, slots=True)
class SessionComparison:
    """A session compared.

    Attributes:
        figures: What was compared.
        answer: Name of the quantity that the answer is about; None where nothing could be compared.
        comparisons: One a quantity that the baseline has, the answer's first.
        levels: What each condition averaged to, quantity by quantity in the same order; there without a baseline too.
    """

    figures: SessionFigures
    answer: str | None
    comparisons: tuple[QuantityComparison, ...]
    levels: tuple[ConditionLevel, ...]

    def of(self, name: str) -> QuantityComparison | None:
        """The comparison of one quantity; None where it could not be compared."""
        return next((c for c in self.comparisons if c.quantity.name == name), None)


def compare_session(figures: SessionFigures) -> SessionComparison:
    """Compare every quantity of a session with its baseline.

    Args:
        figures: Of the session.

    Raises:
        ValueError: If the plan wants an answer about a quantity that the session does not have.
    """
    rules = figures.facts.rules
    answer = answer_of(figures)
    in_order = sorted(figures.quantities, key=lambda q: q.name != answer)
    found = [
        compared
        for quantity in in_order
        if (
            compared := compare_quantity(
                quantity,
                figures.observations.get(quantity.name, ()),
                baseline=figures.baseline,
                bracketing=rules.bracketing,
                earlier=figures.earlier.get(quantity.name, ()),
                stated=rules.spreads.get(quantity.name),
            )
        )
    ]
    levels = [
        level
        for quantity in in_order
        for level in condition_levels(
            quantity.name, figures.observations.get(quantity.name, ())
        )
    ]
    return SessionComparison(figures, answer, tuple(found), tuple(levels))


def answer_of(figures: SessionFigures) -> str | None:
    """Name of the quantity that the answer is about: the plan's, or the airflow as near to standard air as there is.

    Args:
        figures: Of the session.

    Raises:
        ValueError: If the plan names a quantity that the session does not have.
    """
    named = figures.facts.rules.answer
    there = [q.name for q in figures.quantities]
    if named is not None:
        if named not in there:
            msg = (
                f"plan of session {figures.number}: [comparison] answer = {named!r},"
                f" expected one of {', '.join(there)}"
            )
            raise ValueError(msg)
        return named
    flows = [airflow.name for airflow in figures.surroundings.airflows]
    wanted = [f"{name}_standard" for name in flows] + flows
    kinds = ("airflow", "velocity", "power")
    likely = [
        q.name for kind in kinds for q in figures.quantities if q.quantity == kind
    ]
    wanted += sorted(likely, key=lambda name: name in figures.second_choice)
    return next((name for name in [*wanted, *there] if name in there), None)
