"""What the air costs: conditions with a price against each other, cheapest first.

A dearer condition is better only where its difference to the cheaper one is real; else it is not shown to bring anything,
which is not the same as bringing nothing. Recommended is the cheapest that no other is really better than. What else a buyer weighs (wear, safety, weight) is not known here.
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass

from daq.advice.pairs import PairDifference, Pairs, pairwise
from daq.comparison.conveying import airflow_comparison
from daq.comparison.levels import ConditionLevel
from daq.comparison.observations import Quantity
from daq.comparison.session import SessionComparison
from daq.comparison.verdicts import Difference, QuantityComparison, Verdict

MORE_IS_BETTER = ("airflow", "velocity", "air power", "efficiency")
"""Kinds of quantity of which a buyer wants more; of others nobody can say without knowing what for."""


@dataclass(frozen=True, slots=True)
class PricedCondition:
    """One condition with a price.

    Attributes:
        name: Of the condition.
        price: In the plan's currency.
        level: What it averaged to.
        difference: To the baseline; None for the baseline itself.
    """

    name: str
    price: float
    level: ConditionLevel
    difference: Difference | None


@dataclass(frozen=True, slots=True)
class Rival:
    """A condition that costs less than another, or as much, and is not worse.

    Attributes:
        beaten: Name of the other.
        by: Name.
        saving: Price of the other less its own.
        gain: What it has more than the other: `by` less `beaten`.
    """

    beaten: str
    by: str
    saving: float
    gain: PairDifference

    @property
    def is_better(self) -> bool:
        """Whether it is really better; else it is only not shown to be worse."""
        return self.gain.is_more


@dataclass(frozen=True, slots=True)
class Step:
    """From the last condition that was shown to bring more, or the cheapest, to the next dearer one.

    Attributes:
        cheaper, dearer: Names.
        extra_price: Of the dearer one, not below 0.
        gain: What it has more: `dearer` less `cheaper`.
    """

    cheaper: str
    dearer: str
    extra_price: float
    gain: PairDifference

    @property
    def price_per_unit(self) -> float | None:
        """For each unit recovered; None where no gain is shown."""
        return self.extra_price / self.gain.difference if self._is_shown else None

    @property
    def at_most(self) -> float | None:
        """Upper end of its interval, 95 %; None where no gain is shown."""
        return self.extra_price / self.gain.least if self._is_shown else None

    @property
    def at_least(self) -> float | None:
        """Lower end, for a gain that is not shown too; None where the step brings less in any case."""
        return self.extra_price / self.gain.most if self.gain.most > 0.0 else None

    @property
    def _is_shown(self) -> bool:
        return self.gain.is_more and self.gain.least > 0.0


@dataclass(frozen=True, slots=True)
class PriceComparison:
    """What the air costs.

    Attributes:
        quantity: What is bought; None where the session has nothing of which more is better.
        currency: Of the prices.
        baseline: Name of the condition that the others are compared with.
        priced: With a price and an average, cheapest first.
        steps: From cheap to dear.
        rivals: Who is cheaper and really better, or cheaper and not shown to be worse.
        recommended: The cheapest that no other is really better than; None where nothing can be said of that.
        unpriced: Conditions besides the baseline that were averaged and have no price.
        unmeasured: Conditions with a price and no average.
        warned: Conditions with a price that are not recommended, because a warning stands against them.
    """

    quantity: Quantity | None
    currency: str
    baseline: str
    priced: tuple[PricedCondition, ...] = ()
    steps: tuple[Step, ...] = ()
    rivals: tuple[Rival, ...] = ()
    recommended: str | None = None
    unpriced: tuple[str, ...] = ()
    unmeasured: tuple[str, ...] = ()
    warned: tuple[str, ...] = ()

    def rivals_of(self, condition: str) -> list[Rival]:
        """Who beats a condition: those that are really better first, of these the cheapest."""
        found = [rival for rival in self.rivals if rival.beaten == condition]
        return sorted(found, key=lambda rival: (not rival.is_better, -rival.saving))


def compare_prices(
    comparison: SessionComparison, *, warned: Collection[str] = ()
) -> PriceComparison:
    """Hold the conditions' prices against what they bring.

    Args:
        comparison: Of the session.
        warned: Conditions that must not be recommended, whatever they cost.
    """
    figures = comparison.figures
    compared = _bought(comparison)
    prices = {c.name: c.price for c in figures.facts.conditions}
    levels = _levels(comparison, compared)
    priced = _priced(compared, levels, prices) if compared else ()
    names = [each.name for each in priced]
    pairs = Pairs()
    if compared:
        observations = figures.observations[compared.quantity.name]
        pairs = pairwise(compared, observations, names)
    ladder = [each for each in priced if each.name not in warned]
    return PriceComparison(
        quantity=compared.quantity if compared else None,
        currency=figures.facts.rules.currency,
        baseline=figures.baseline,
        priced=priced,
        steps=tuple(_steps(ladder, pairs)),
        rivals=tuple(_rivals(priced, pairs)),
        recommended=_recommended(ladder, pairs, compared),
        unpriced=tuple(
            name
            for name in levels
            if prices.get(name) is None and name != figures.baseline
        ),
        unmeasured=tuple(
            name
            for name, price in prices.items()
            if price is not None and name not in levels
        ),
        warned=tuple(name for name in names if name in warned),
    )


def _bought(comparison: SessionComparison) -> QuantityComparison | None:
    """The answer's comparison if more of it is better, else that of an airflow."""
    answer = comparison.of(comparison.answer) if comparison.answer else None
    if answer and answer.quantity.quantity in MORE_IS_BETTER:
        return answer
    return airflow_comparison(comparison)


def _levels(
    comparison: SessionComparison, compared: QuantityComparison | None
) -> dict[str, ConditionLevel]:
    """What each condition averaged to; of any quantity where there is nothing to buy."""
    return {
        level.condition: level
        for level in comparison.levels
        if compared is None or level.quantity == compared.quantity.name
    }


def _priced(
    compared: QuantityComparison,
    levels: dict[str, ConditionLevel],
    prices: dict[str, float | None],
) -> tuple[PricedCondition, ...]:
    differences = {each.condition: each for each in compared.differences}
    found = [
        PricedCondition(name, price, level, differences.get(name))
        for name, level in levels.items()
        if (price := prices.get(name)) is not None
    ]
    # Of equal prices the better one first, so that no step leads down.
    return tuple(sorted(found, key=lambda each: (each.price, -each.level.mean)))


def _steps(ladder: Sequence[PricedCondition], pairs: Pairs) -> Iterator[Step]:
    if not ladder:
        return
    stands = ladder[0]
    for dearer in ladder[1:]:
        gain = pairs.of(dearer.name, stands.name)
        yield Step(stands.name, dearer.name, dearer.price - stands.price, gain)
        if gain.is_more:
            stands = dearer


def _rivals(priced: Sequence[PricedCondition], pairs: Pairs) -> Iterator[Rival]:
    for beaten in priced:
        for by in priced:
            saving = beaten.price - by.price
            if by is beaten or saving < 0.0:
                continue
            gain = pairs.of(by.name, beaten.name)
            is_no_worse = gain.verdict is Verdict.NOT_SHOWN and saving > 0.0
            if gain.is_more or is_no_worse:
                yield Rival(beaten.name, by.name, saving, gain)


def _recommended(
    ladder: Sequence[PricedCondition],
    pairs: Pairs,
    compared: QuantityComparison | None,
) -> str | None:
    """The cheapest that no other is really better than."""
    if compared is None or compared.spread is None or len(ladder) < 2:
        return None
    return next(
        each.name
        for each in ladder
        if not any(
            pairs.of(other.name, each.name).is_more
            for other in ladder
            if other is not each
        )
    )
