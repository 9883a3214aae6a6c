"""Figures of advice as people read them: signed differences, money, round figures."""

from daq.comparison_words import MINUS
from daq.wording import decimals_of_uncertainty, unit_symbol


def signed_average(value: float, expanded: float, unit: str) -> str:
    """A difference with its sign and its expanded uncertainty, both to the uncertainty's second digit."""
    decimals = decimals_of_uncertainty(expanded)
    size = f"{abs(value):.{decimals}f}"
    sign = "" if float(size) == 0.0 else ("+" if value > 0.0 else MINUS)
    return f"{sign}{size} ± {expanded:.{decimals}f} {unit_symbol(unit)}".rstrip()


def round_figure(value: float) -> str:
    """A figure to two significant digits, without an exponent."""
    sign = MINUS if value < 0.0 else ""
    size = abs(value)
    return f"{sign}{size:.{decimals_of_uncertainty(size) if size else 0}f}"


def money(amount: float, currency: str) -> str:
    """A price; cents only where there are some."""
    decimals = 0 if round(amount, 2) == round(amount) else 2
    return f"{amount:.{decimals}f} {currency}".rstrip()


def as_sentence(text: str) -> str:
    """A remark as a sentence of its own."""
    return f"{text[:1].upper()}{text[1:]}."


def enumerated(parts: list[str]) -> str:
    """Several things in a row: "a, b and c"."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} and {parts[-1]}"
