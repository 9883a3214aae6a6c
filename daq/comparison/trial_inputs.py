"""What derived quantities are made of: channels by what and where they measure, their observations trial by trial, in SI.

A formula gets the observations of one trial and gives one back; what it refuses becomes a sentence with the trial's
number, and the other trials are derived all the same. The same sentence about several trials is said once.
"""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from daq.comparison.observations import Observation, Quantity, propagate
from daq.comparison.roles import best_set, choice_words
from daq.records import Channel
from daq.units import unit_of

MACHINE_END = "machine end"
SUPPLY_END = "supply end"

Formula = Callable[[Sequence[Observation]], Observation]
"""Observations of one trial to that of what is derived; a ValueError says in words why there is none."""


@dataclass(frozen=True, slots=True)
class Derivation:
    """One derived quantity, and what could not be derived.

    Attributes:
        quantity: What.
        observations: Of it, in order of time; empty if no trial has it.
        remarks: Sentences for people.
        is_normalised: Whether what it is made of was taken to a reference voltage.
    """

    quantity: Quantity
    observations: tuple[Observation, ...] = ()
    remarks: tuple[str, ...] = ()
    is_normalised: bool = False

    @property
    def by_trial(self) -> dict[int, Observation]:
        """Observations by the trial's number."""
        return {o.trial: o for o in self.observations}


@dataclass(frozen=True, slots=True)
class TrialInputs:
    """Channels of a session with their observations.

    Attributes:
        channels: As they were described.
        observations: By name of the channel [unit of the channel].
        normalised: Names of channels whose means were taken to a reference voltage.
        second_choice: Names of channels that were typed or imported.
    """

    channels: tuple[Channel, ...]
    observations: Mapping[str, Sequence[Observation]]
    normalised: Collection[str] = field(default=())
    second_choice: Collection[str] = field(default=())

    def find(self, quantity: str, *places: str) -> Channel | None:
        """The first channel of a quantity that has averages at one of the places, the bench's own before others."""
        found = self.best([c] for c in self.at(quantity, *places))
        return found[0] if found else None

    def at(self, quantity: str, *places: str) -> list[Channel]:
        """Channels of a quantity that have averages at one of the places, the places in their order."""
        there = [c for c in self._averaged() if c.quantity == quantity]
        return [c for place in dict.fromkeys(places) for c in there if c.place == place]

    def best(self, sets: Iterable[Sequence[Channel]]) -> Sequence[Channel] | None:
        """The set of channels that a formula is made of; None where there is none."""
        return best_set(sets, self.second_choice)

    def choice(self, *taken: Channel) -> str:
        """Which channels were taken where others of the kind could be; empty where none could."""
        return choice_words(taken, self._averaged(), self.second_choice)

    def is_own(self, *channels: Channel) -> bool:
        """Whether the bench read all of them itself."""
        return not any(c.name in self.second_choice for c in channels)

    def named(self, name: str) -> Channel | None:
        """The channel of that name, if it has averages."""
        return next((c for c in self._averaged() if c.name == name), None)

    def is_measured(self, quantity: str, *derived_from: Channel) -> bool:
        """Whether a channel measures what could be derived; one typed or imported is none where the others are the bench's own."""
        return any(
            self.is_own(c) or not self.is_own(*derived_from)
            for c in self._averaged()
            if c.quantity == quantity
        )

    def of(self, channel: Channel) -> dict[int, Observation]:
        """Observations of a channel by trial in the unit of the SI (temperatures in °C, humidities in %)."""
        unit = unit_of(channel.unit)
        return {
            o.trial: propagate(o.mean * unit.factor + unit.offset, [(unit.factor, o)])
            for o in self.observations[channel.name]
        }

    @property
    def trials(self) -> list[Observation]:
        """Any observation of each trial, in order of time."""
        return _in_time(
            {o.trial: o for found in self.observations.values() for o in found}
        )

    def _averaged(self) -> list[Channel]:
        return [c for c in self.channels if self.observations.get(c.name)]


def derive_by_trial(
    quantity: Quantity,
    inputs: TrialInputs,
    channels: Sequence[Channel],
    formula: Formula,
) -> Derivation:
    """Derive one quantity in every trial that has all it is made of.

    Args:
        quantity: What.
        inputs: Of the session.
        channels: What it is made of, in the formula's order.
        formula: Takes their observations [SI].
    """
    return derive_from(
        quantity,
        {c.name: inputs.of(c) for c in channels},
        formula,
        normalised=inputs.normalised,
    )


def derive_from(
    quantity: Quantity,
    sources: Mapping[str, Mapping[int, Observation]],
    formula: Formula,
    *,
    normalised: Collection[str] = (),
) -> Derivation:
    """Derive one quantity from channels and other derived quantities.

    Args:
        quantity: What.
        sources: Observations by trial, by name of what it is made of, in the formula's order.
        formula: Takes those of one trial.
        normalised: Names of what was taken to a reference voltage; it makes nothing together with what was not.
    """
    taken = [name for name in sources if name in normalised]
    others = [name for name in sources if name not in normalised]
    if taken and others:
        return Derivation(quantity, remarks=(_mixed(quantity, taken, others),))
    found: list[Observation] = []
    refused: dict[str, list[Observation]] = {}
    missing: dict[str, list[Observation]] = {}
    for any_of_it in _in_time(
        {t: o for each in sources.values() for t, o in each.items()}
    ):
        trial = any_of_it.trial
        without = [name for name, by_trial in sources.items() if trial not in by_trial]
        if without:
            missing.setdefault(" and ".join(without), []).append(any_of_it)
            continue
        try:
            found.append(formula([by_trial[trial] for by_trial in sources.values()]))
        except ValueError as exc:
            refused.setdefault(str(exc), []).append(any_of_it)
    remarks = (
        *(
            f"{quantity.name} in {trials_named(trials)}: {why}"
            for why, trials in refused.items()
        ),
        *(
            f"{quantity.name} has no value in {trials_named(trials)}: no average of {name} there"
            for name, trials in missing.items()
        ),
    )
    return Derivation(quantity, tuple(found), remarks, is_normalised=bool(taken))


def trials_named(observations: Sequence[Observation]) -> str:
    """Trials as people are told of them.

    Args:
        observations: One of each trial, at least one.
    """
    which = "trial" if len(observations) == 1 else "trials"
    return f"{which} {', '.join(f'{o.trial} ({o.condition})' for o in observations)}"


def _mixed(quantity: Quantity, taken: Sequence[str], others: Sequence[str]) -> str:
    was, were = _was(taken), _was(others)
    return (
        f"{quantity.name} is not derived: {' and '.join(taken)} {was} taken to a reference voltage,"
        f" {' and '.join(others)} {were} not"
    )


def _was(names: Sequence[str]) -> str:
    return "was" if len(names) == 1 else "were"


def _in_time(by_trial: Mapping[int, Observation]) -> list[Observation]:
    return sorted(by_trial.values(), key=lambda o: (o.at_s, o.trial))
