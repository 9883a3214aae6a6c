"""The first sentences of a report."""

from daq.report.answer import NO_BREAK, further_sentences, headline
from tests.core.report.made_session import ONCE, REAL, SAME, compared


def plain(text: str) -> str:
    return text.replace(NO_BREAK, " ")


def test_the_headline_says_how_much_is_lost_and_that_it_is_real() -> None:
    said = headline(compared(REAL))
    # 19 against 20 is 5 % less.
    assert plain(said.sentence).startswith("Outlet velocity: 5.0")
    assert "% less with “long lead” than with “short lead”" in plain(said.sentence)
    assert said.sentence.endswith("and that is real.")
    assert said.addition == ""


def test_the_headline_names_the_greatest_loss_and_counts_the_others() -> None:
    said = headline(compared({**REAL, "other lead": (19.91, 20.0, 20.1)}))
    assert "“long lead”" in plain(said.sentence)
    assert said.addition == (
        "Of 2 conditions 1 really differs from the baseline in this; of the others that is not shown."
    )


def test_a_gain_is_called_more() -> None:
    said = headline(
        compared({"short lead": (19.9, 20.0, 20.1), "new": (20.9, 21.0, 21.1)})
    )
    assert "% more with “new”" in said.sentence


def test_what_was_not_repeated_is_called_undecided_and_never_real() -> None:
    said = headline(compared(ONCE))
    assert "undecided" in said.sentence
    assert "real" not in said.sentence
    assert "repeated" in said.addition


def test_no_difference_is_said_with_what_would_have_been_found() -> None:
    said = headline(compared(SAME))
    assert "no difference" in said.sentence
    assert "would have been found 4 times in 5" in said.addition


def test_without_a_baseline_the_headline_says_what_to_do() -> None:
    said = headline(compared({"long lead": (19.0, 19.1)}))
    assert "Carry out the baseline" in said.sentence + said.addition


def test_nothing_is_said_twice_where_the_headline_is_all_there_is() -> None:
    assert further_sentences(compared({"long lead": (19.0,)})) == []
    assert len(further_sentences(compared(REAL))) == 1


def test_a_title_of_several_words_stands_in_front_as_it_is() -> None:
    comparison = compared(REAL)
    assert headline(comparison).sentence.startswith("Outlet velocity: ")
