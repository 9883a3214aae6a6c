"""What the formulas of air refuse: figures that no bench can have, with a text that says what was expected."""

import math


def expect_within(
    value: float, low: float, high: float, *, name: str, unit: str
) -> None:
    """Refuse what is not finite or lies outside, with a ValueError."""
    # Written so that a NaN is refused too.
    if not low <= value <= high:
        msg = f"{_said(value, name, unit)}, expected {low:g} to {high:g}"
        raise ValueError(msg)


def expect_finite(value: float, *, name: str, unit: str) -> None:
    """Refuse infinities and what is no number, with a ValueError."""
    if not math.isfinite(value):
        msg = f"{_said(value, name, unit)}, expected a finite figure"
        raise ValueError(msg)


def expect_positive(value: float, *, name: str, unit: str) -> None:
    """Refuse what is not finite or not above zero, with a ValueError."""
    if not (math.isfinite(value) and value > 0.0):
        msg = f"{_said(value, name, unit)}, expected above 0"
        raise ValueError(msg)


def expect_not_negative(value: float, *, name: str, unit: str) -> None:
    """Refuse what is not finite or below zero, with a ValueError."""
    if not (math.isfinite(value) and value >= 0.0):
        msg = f"{_said(value, name, unit)}, expected 0 or more"
        raise ValueError(msg)


def _said(value: float, name: str, unit: str) -> str:
    return f"{name} {value:g} {unit}".rstrip()
