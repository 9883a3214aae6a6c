"""What the alarm of a broken limit says may come of it, and of one that is over."""

import re

import pytest

from daq.alarm_words import breach_text
from daq.records import Accuracy, Channel
from daq.trials.limits import Breach, Limit
from daq.wording import without_seconds

AT_RISK = "What this limit protects may be at risk: check it."
HOT = "Lead, plug or motor may overheat."
STALLED = "The machine may stall and overheat."
LOW, HIGH = 1.0, 21.0


def _text(
    quantity: str,
    value: float | None,
    *,
    held_s: float = 5.0,
    is_over: bool = False,
) -> str:
    accuracy = Accuracy(resolution=0.1)
    channel = Channel(quantity, quantity.capitalize(), quantity, "A", "", "meter", 0, accuracy, 1.0)  # fmt: skip
    limit = Limit(quantity, above=20.0, below=2.0, for_s=held_s, reason="its rating")
    return breach_text(
        Breach(limit, value, 5.0, 5.0 + held_s, is_over=is_over), channel
    )


@pytest.mark.parametrize(
    ("quantity", "value", "consequence"),
    [
        ("current", HIGH, HOT),
        ("power", HIGH, HOT),
        ("apparent power", HIGH, HOT),
        ("current", None, HOT),
        ("current", LOW, STALLED),
        ("power", LOW, STALLED),
        ("voltage", LOW, STALLED),
        ("voltage", HIGH, "Insulation or motor may be damaged."),
        ("temperature", HIGH, "Something may overheat."),
        ("temperature", LOW, AT_RISK),
        *[(q, v, AT_RISK) for q in ("airflow", "velocity", "pressure") for v in (LOW, HIGH)],
        ("rotational speed", HIGH, AT_RISK),
    ],
)  # fmt: skip
def test_what_may_come_of_a_broken_limit_follows_from_its_quantity(
    quantity: str, value: float | None, consequence: str
) -> None:
    text = _text(quantity, value)
    assert text.endswith(f" {consequence} Switch off at the plug.")
    assert "(its rating)" in text


def test_a_limit_without_a_time_that_one_reading_broke_names_no_time() -> None:
    assert _text("current", HIGH, held_s=0.0) == (
        f"Current 21.0 A is above 20.0 A (its rating). {HOT} Switch off at the plug."
    )
    assert "value. Over" in _text("current", None, held_s=0.4)


def test_a_breach_that_is_over_is_told_in_the_past_without_a_time_that_grows() -> None:
    assert _text("current", HIGH, is_over=True) == (
        "Current 21.0 A was above 20.0 A (its rating)."
        " Lead, plug or motor may have overheated. Switch off at the plug."
    )
    assert _text("voltage", LOW, is_over=True) == (
        "Voltage 1.0 A was below 2.0 A (its rating)."
        " The machine may have stalled and overheated. Switch off at the plug."
    )
    assert _text("current", None, is_over=True) == (
        "Current showed no usable value. Over its range, it may have been above 20.0 A (its rating)."
        " Lead, plug or motor may have overheated. Switch off at the plug."
    )


@pytest.mark.parametrize("quantity", ["current", "voltage", "temperature", "velocity"])
@pytest.mark.parametrize("value", [LOW, HIGH, None])
@pytest.mark.parametrize("is_over", [False, True])
def test_every_such_alarm_is_whole_sentences_that_end_at_the_plug(
    quantity: str, value: float | None, *, is_over: bool
) -> None:
    for text in (_text(quantity, value, is_over=is_over), without_seconds(_text(quantity, value))):  # fmt: skip
        said, *meant, to_do = re.split(r"(?<=\.) (?=[A-Z])", text)
        assert said
        assert any(re.search(r"\bmay\b", each) for each in meant)
        assert to_do == "Switch off at the plug."
        assert "  " not in text
        assert " ." not in text
