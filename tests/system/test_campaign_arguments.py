"""A campaign is not asked for nothing, and one that is interrupted says so."""

import argparse

import pytest

from tests.campaigns.arguments import a_count, a_span, unless_broken_off


@pytest.mark.parametrize("text", ["0", "-1"])
def test_a_count_is_one_or_more(text: str) -> None:
    assert a_count("1") == 1
    with pytest.raises(argparse.ArgumentTypeError, match=f"1 or more, got {text}: "):
        a_count(text)


@pytest.mark.parametrize("text", ["0", "-0.5", "nan", "inf"])
def test_a_span_is_more_than_nothing(text: str) -> None:
    assert a_span("0.5") == 0.5
    with pytest.raises(argparse.ArgumentTypeError, match=f"more than 0.*got {text}: "):
        a_span(text)


def test_an_interrupted_campaign_is_told_as_broken_off(
    capsys: pytest.CaptureFixture[str],
) -> None:
    def interrupted() -> int:
        raise KeyboardInterrupt

    assert unless_broken_off(interrupted) == 130
    assert capsys.readouterr().out == "NOT MEASURED: broken off\n"
    assert unless_broken_off(lambda: 0) == 0
    assert unless_broken_off(lambda: 1) == 1
