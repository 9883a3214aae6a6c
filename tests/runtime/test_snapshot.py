"""What is pushed to those who follow: the parts that have changed, and no value that travels by itself."""

import json
from typing import Any

import pytest

from daq.config.bench import Bench
from daq.config.plan import Plan
from daq.runtime.snapshot import PartLine, Pushes
from daq.trials.stages import Stage
from tests.runtime.conftest import Computer, Rehearsal


class Follower:
    """Keeps what the page would: the whole at first, then what is news."""

    def __init__(self, rehearsal: Rehearsal) -> None:
        self._board = rehearsal.board
        self._pushes = Pushes()
        self.kept: dict[str, Any] = {}

    def news(self) -> set[str]:
        """Names of the parts that are pushed now."""
        text = self._pushes.news(self._board.snapshot())
        parts: dict[str, Any] = json.loads(text, parse_constant=pytest.fail)
        self.kept |= parts
        return set(parts)

    def whole(self) -> dict[str, Any]:
        shown: dict[str, Any] = json.loads(self._board.snapshot().as_json())
        return shown


@pytest.fixture
def rehearsal(bench: Bench, plan: Plan, computer: Computer) -> Rehearsal:
    return Rehearsal(bench, plan, computer)


@pytest.fixture
def follower(rehearsal: Rehearsal) -> Follower:
    rehearsal.read(0.0, 5.0)
    follower = Follower(rehearsal)
    follower.news()
    return follower


def test_at_first_everything_is_news(rehearsal: Rehearsal) -> None:
    follower = Follower(rehearsal)
    follower.news()
    assert follower.kept == follower.whole()


def test_where_nothing_has_changed_only_the_clock_is_told(follower: Follower) -> None:
    assert follower.news() == {"clock"}
    assert follower.news() == {"clock"}


def test_values_and_their_times_do_not_make_channels_news(
    rehearsal: Rehearsal, follower: Follower
) -> None:
    rehearsal.read(0.1, 7.0)
    # Its count of readings is told, its values travel by themselves.
    assert follower.news() == {"clock", "instruments"}


def test_a_value_that_grows_old_makes_channels_news_with_the_newest_value(
    rehearsal: Rehearsal, follower: Follower, computer: Computer
) -> None:
    rehearsal.read(0.1, 7.0)
    computer.pass_s(5.0)
    assert "channels" in follower.news()
    power = next(c for c in follower.kept["channels"] if c["name"] == "power")
    assert (power["condition"], power["value"]) == ("old", 7.0)


def test_a_part_that_changes_and_changes_back_is_told_twice(
    rehearsal: Rehearsal, follower: Follower
) -> None:
    rehearsal.board.broker = PartLine("ok", "127.0.0.1:1883")
    assert follower.news() == {"clock", "broker"}
    rehearsal.board.broker = PartLine("away", "connection refused")
    assert follower.news() == {"clock", "broker"}
    assert follower.kept["broker"]["text"] == "connection refused"


def test_what_becomes_nothing_is_told_too(
    rehearsal: Rehearsal, follower: Follower
) -> None:
    rehearsal.board.close()
    assert {"session", "condition", "slip", "stage"} <= follower.news()
    assert follower.kept["session"] is None
    assert follower.kept == follower.whole()


def test_a_follower_has_the_whole_at_any_moment_of_a_trial(
    rehearsal: Rehearsal, follower: Follower
) -> None:
    rehearsal.stand_still()
    for stage in (Stage.RUNNING_UP, Stage.SETTLING, Stage.AVERAGING, Stage.DONE):
        rehearsal.run_until(stage)
        follower.news()
        assert without_values(follower.kept) == without_values(follower.whole())


def without_values(shown: dict[str, Any]) -> dict[str, Any]:
    channels = [{**c, "value": None, "at_s": None} for c in shown["channels"]]
    return {**shown, "channels": channels}
