"""What to buy by this session, in sentences and a table: the advice, its reasons, its doubts, the steps from cheap to dear."""

from collections.abc import Iterator

from daq.advice.pairs import PairDifference
from daq.advice.price import PriceComparison, PricedCondition, Rival, Step
from daq.advice.shown import enumerated, money, round_figure, signed_average
from daq.comparison.observations import Quantity
from daq.comparison.verdicts import Verdict
from daq.comparison_words import quoted, shown_difference
from daq.wording import shown_average, unit_symbol

Row = tuple[str, ...]


def price_sentences(found: PriceComparison) -> list[str]:
    """What the air costs: advice with reasons and doubts, the steps, who is beaten, and what is missing."""
    if found.quantity is None:
        return [
            "Prices are held against nothing: no airflow, or anything else of which more is better, was compared."
        ]
    return [
        *_advice(found),
        *(_step_sentence(step, found, found.quantity) for step in found.steps),
        *_beaten_sentences(found, found.quantity),
        *_missing(found),
        *_basis(found, found.quantity),
    ]


def price_rows(found: PriceComparison) -> list[Row]:
    """Conditions with a price, cheapest first; empty where there is none."""
    quantity = found.quantity
    if quantity is None or not found.priced:
        return []
    steps = {step.dearer: step for step in found.steps}
    rows = [
        (
            each.name,
            money(each.price, found.currency),
            shown_average(
                each.level.mean, each.level.expanded_uncertainty, quantity.unit
            ),
            _to_baseline(each, quantity),
            _step_cell(steps.get(each.name), found),
            _standing(each.name, found),
        )
        for each in found.priced
    ]
    heading = (
        "condition",
        "price",
        "mean ± U",
        "to the baseline",
        f"price per {_unit(quantity)} recovered",
        "by this session",
    )
    return [heading, *rows]


def _to_baseline(each: PricedCondition, quantity: Quantity) -> str:
    if each.difference is None:
        return "baseline"
    return shown_difference(each.difference, quantity.unit)


def _step_cell(step: Step | None, found: PriceComparison) -> str:
    if step is None:
        return ""
    if step.price_per_unit is None:
        return f"no gain shown over {quoted(step.cheaper)}"
    return f"{_per_unit(step, found)} over {quoted(step.cheaper)}"


def _standing(name: str, found: PriceComparison) -> str:
    if name in found.warned:
        return "a warning stands against it"
    if name == found.recommended:
        return "recommended"
    better = [rival.by for rival in found.rivals_of(name) if rival.is_better]
    return f"beaten by {quoted(better[0])}" if better else ""


# ---- advice


def _advice(found: PriceComparison) -> Iterator[str]:
    choice = next((p for p in found.priced if p.name == found.recommended), None)
    if choice is None or found.quantity is None:
        yield _why_no_advice(found)
        return
    yield (
        f"Of what has a price, {quoted(choice.name)} ({money(choice.price, found.currency)}) is advised: the cheapest that"
        " nothing else is really better than, by this session."
    )
    yield from _reasons(choice, found, found.quantity)
    yield from _doubts(choice, found, found.quantity)


def _why_no_advice(found: PriceComparison) -> str:
    usable = [each.name for each in found.priced if each.name not in found.warned]
    if not found.priced:
        return "No advice by price: the plan states none for what was averaged (price of a [[condition]])."
    if not usable:
        return "No advice by price: a warning stands against everything that has one."
    if len(usable) == 1:
        return f"No advice by price: only {quoted(usable[0])} can be chosen, there is nothing to hold it against."
    return (
        "No advice by price: what changes from one switch-on to the next is not known well enough to call any difference"
        " real. Repeat the conditions, or state a spread with its source; until then the steps below are figures only."
    )


def _reasons(
    choice: PricedCondition, found: PriceComparison, quantity: Quantity
) -> Iterator[str]:
    """Why nothing cheaper."""
    for each in found.priced:
        better = list(_better_than(each.name, found))
        if each.price < choice.price and better and each.name not in found.warned:
            other, gain = better[0]
            yield (
                f"Reason: {quoted(each.name)} costs {money(choice.price - each.price, found.currency)} less, but"
                f" {quoted(other)} really brings more ({_gain(gain, quantity)})."
            )


def _better_than(
    name: str, found: PriceComparison
) -> Iterator[tuple[str, PairDifference]]:
    for step in found.steps:
        if step.cheaper == name and step.gain.is_more:
            yield step.dearer, step.gain
    for rival in found.rivals_of(name):
        if rival.is_better:
            yield rival.by, rival.gain


def _doubts(
    choice: PricedCondition, found: PriceComparison, quantity: Quantity
) -> Iterator[str]:
    """What the advice leaves open."""
    for rival in found.rivals_of(choice.name):
        yield (
            f"Doubt: it is not shown to bring more than {quoted(rival.by)}, which costs"
            f" {money(rival.saving, found.currency)} less ({_gain(_turned(rival), quantity)})."
        )
    for rival in found.rivals:
        if rival.by == choice.name and not rival.is_better:
            most = -rival.gain.least
            yield (
                f"Doubt: {quoted(rival.beaten)}, {money(rival.saving, found.currency)} dearer, may bring up to"
                f" {round_figure(most)} {_unit(quantity)} more without this session showing it."
            )
    if choice.difference and choice.difference.verdict is Verdict.REAL:
        lost = shown_difference(choice.difference, quantity.unit)
        yield f"It really differs from {quoted(found.baseline)}: {lost}."


def _turned(rival: Rival) -> PairDifference:
    return PairDifference(
        rival.beaten,
        rival.by,
        -rival.gain.difference,
        rival.gain.expanded_uncertainty,
        rival.gain.verdict,
    )


# ---- steps, rivals, what is missing


def _step_sentence(step: Step, found: PriceComparison, quantity: Quantity) -> str:
    gain = _gain(step.gain, quantity)
    extra = (
        f"{money(step.extra_price, found.currency)} more"
        if step.extra_price
        else "at the same price"
    )
    head = f"From {quoted(step.cheaper)} to {quoted(step.dearer)}, {extra}"
    if step.price_per_unit is not None:
        return f"{head}: {gain}, {_per_unit(step, found)} for each {_unit(quantity)} recovered."
    if step.gain.is_less:
        return f"{head}: it brings less ({gain})."
    least = ""
    if step.at_least is not None and step.extra_price:
        least = (
            f"; if it brings anything, {round_figure(step.at_least)} {found.currency} or more for each"
            f" {_unit(quantity)}"
        )
    if step.gain.verdict is Verdict.UNDECIDED:
        return f"{head}: {gain}, undecided because it was not repeated enough{least}."
    return f"{head}: not shown to bring anything ({gain}){least}."


def _beaten_sentences(found: PriceComparison, quantity: Quantity) -> Iterator[str]:
    """Who is beaten for certain; what is only not shown stands with the advice and the steps."""
    for each in found.priced:
        better = [rival for rival in found.rivals_of(each.name) if rival.is_better]
        if better:
            by = better[0]
            cost = (
                f"costs {money(by.saving, found.currency)} less and"
                if by.saving
                else "costs the same and"
            )
            yield (
                f"{quoted(each.name)} is beaten: {quoted(by.by)} {cost} really brings more ({_gain(by.gain, quantity)})."
            )


def _missing(found: PriceComparison) -> Iterator[str]:
    if found.unpriced and found.priced:
        names = enumerated([quoted(name) for name in found.unpriced])
        yield f"Without a price, and so left out: {names}."
    if found.unmeasured:
        names = enumerated([quoted(name) for name in found.unmeasured])
        yield f"With a price but without an average: {names}."
    if found.warned:
        names = enumerated([quoted(name) for name in found.warned])
        yield f"Not advised whatever it costs, because a warning stands against it: {names}."


def _basis(found: PriceComparison, quantity: Quantity) -> Iterator[str]:
    if found.steps:
        yield (
            f"Only price and {quoted(quantity.title)} were weighed, not wear, weight or what else counts. All pairs are"
            " looked at together, so a difference that is real exceeds more than its own uncertainty."
        )


def _gain(gain: PairDifference, quantity: Quantity) -> str:
    return signed_average(gain.difference, gain.expanded_uncertainty, quantity.unit)


def _per_unit(step: Step, found: PriceComparison) -> str:
    if step.price_per_unit is None or step.at_least is None or step.at_most is None:
        return ""
    if not step.extra_price:
        return "at no extra price"
    interval = f"{round_figure(step.at_least)} to {round_figure(step.at_most)}"
    return f"{round_figure(step.price_per_unit)} {found.currency} ({interval})"


def _unit(quantity: Quantity) -> str:
    return unit_symbol(quantity.unit) or "unit"
