"""A session with a channel that the operator types: asked for while averaging, waited for, averaged, judged again alike."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import chain
from typing import cast

import numpy as np
import pytest

from daq.records import Accuracy, Channel, Reading, TrialResult, Window
from daq.settling.group import SettlingGroup
from daq.settling.level import LevelEstimate
from daq.settling.parameters import STANDARD
from daq.trials.judging import (
    SessionRules,
    render_rule,
    settled_averages,
    with_recorded_rule,
)
from daq.trials.reanalysis import ReadingBlock, is_reproduced, judge_again
from daq.trials.session import Session
from daq.trials.stages import Happening, Stage
from daq.typed import LEAST_READINGS, TypedReadings
from tests.core.trials.session_bench import RULES, Bench, order_of

VELOCITY = Channel(
    "velocity", "Velocity", "velocity", "m/s", "outlet", "velocity", 0, Accuracy(percent_of_reading=1.0, resolution=0.1), 60.0
)  # fmt: skip
TYPED = replace(
    RULES,
    channels=(*RULES.channels, VELOCITY),
    tolerances={**RULES.tolerances, "velocity": 0.01},
    typed=("velocity",),
)


class TypingBench(Bench):
    """A bench whose operator types what is asked for.

    Attributes:
        answers: What the display shows, in turn; None where the operator does not answer any more.
        fed: Every reading in order of arrival.
    """

    def __init__(
        self, answers: Iterator[float | None], rules: SessionRules = TYPED
    ) -> None:
        super().__init__(
            Session(rules, order_of("a", "b"), new_trial_id=lambda: "trial-1")
        )
        self.answers = answers
        self.fed: list[Reading] = []
        self.typed_s: list[float] = []

    def second(self, current: float) -> None:
        self.now_s += 1.0
        watts = 1000.0 * (1.0 + self._generator.normal(0.0, 5e-4))
        drawn = watts if current > 0.8 else 0.0
        self.give(Reading("meter", self.now_s, (current, drawn, 230.0)))
        asking = self.session.asking()
        if asking is not None and self.now_s - asking.since_s >= 3.0:
            answer = next(self.answers)
            if answer is not None:
                self.typed_s.append(self.now_s)
                self.give(Reading("velocity", self.now_s, (answer,)))

    def give(self, reading: Reading) -> None:
        self.fed.append(reading)
        self._note(self.session.stage, self.session.feed(reading))

    def measure(self) -> TrialResult:
        """A whole trial until it is decided."""
        for _ in range(5):
            self.second(0.0)
        for _ in range(500):
            self.second(5.0)
            if self.stage() in {Stage.DONE, Stage.NOT_SETTLED}:
                break
        result = self.occurrences[-1].result
        assert result is not None
        return result

    def blocks(self) -> list[ReadingBlock]:
        names = ("current", "power", "voltage", "velocity")
        rows = [
            (3 if reading.instrument == "velocity" else which, reading.at_s, value)
            for reading in self.fed
            for which, value in enumerate(reading.values)
        ]
        which, times_s, values = (
            np.array(column) for column in zip(*rows, strict=True)
        )
        return [
            ReadingBlock(names, which.astype(np.intp)[i : i + 97], times_s[i : i + 97], values[i : i + 97])
            for i in range(0, len(rows), 97)
        ]  # fmt: skip


def steady() -> Iterator[float | None]:
    while True:
        yield from (12.3, 12.4, 12.3, 12.2, 12.3)


def ignored_after(count: int) -> Iterator[float | None]:
    yield from (12.3 for _ in range(count))
    while True:
        yield None


@pytest.fixture(scope="module")
def answered() -> tuple[TypingBench, TrialResult]:
    bench = TypingBench(steady())
    return bench, bench.measure()


@pytest.mark.slow
def test_a_trial_is_done_once_it_is_settled_and_the_readings_are_there(
    answered: tuple[TypingBench, TrialResult],
) -> None:
    bench, result = answered
    assert bench.stage() is Stage.DONE
    average = {a.channel: a for a in result.averages}["velocity"]
    assert average.mean == pytest.approx(12.3, abs=0.05)
    assert average.required
    assert average.count >= LEAST_READINGS
    window = average.window
    assert all(window.start_s <= at_s <= window.end_s for at_s in bench.typed_s)
    assert {a.window for a in result.averages} == {window}
    assert "velocity" not in result.note


@pytest.mark.slow
def test_nothing_is_asked_for_before_the_trial_averages(
    answered: tuple[TypingBench, TrialResult],
) -> None:
    bench, _ = answered
    declared = [o.at_s for o in bench.occurrences if o.happening is Happening.DECLARED]
    assert min(bench.typed_s) > declared[0]


@pytest.mark.slow
def test_the_same_readings_judged_again_give_the_same_averages_to_the_bit(
    answered: tuple[TypingBench, TrialResult],
) -> None:
    bench, result = answered
    rules = with_recorded_rule(replace(TYPED, typed=()), render_rule(TYPED))
    again = judge_again(result, rules, bench.blocks, idle={}, even_so=False)
    assert is_reproduced(result, again)
    assert {a.channel for a in again.averages} >= {"velocity", "power"}


@pytest.mark.slow
def test_a_confirmed_stray_is_told_of_the_trial_and_again_when_it_is_judged_again() -> (
    None
):
    bench = TypingBench(chain([123.0], steady()))
    result = bench.measure()
    note = "velocity: one typed reading is far from the others: 123.0"
    assert note in result.note.split("; ")
    again = judge_again(result, TYPED, bench.blocks, idle={}, even_so=False)
    assert is_reproduced(result, again)
    assert again.note == result.note


@pytest.mark.slow
def test_the_window_lasts_longer_for_readings_that_come_late_and_not_for_ever() -> None:
    rules = replace(TYPED, parameters=replace(STANDARD, longest_s=100.0))
    bench = TypingBench(ignored_after(3), rules)
    result = bench.measure()
    assert bench.stage() is Stage.DONE
    assert "velocity: too few typed readings: 3 of 5" in result.note
    # Also while it can still be repeated.
    trial = bench.session.trial()
    assert trial is not None
    assert trial.lacking == ("3 of 5 readings of Velocity",)
    assert {a.channel for a in result.averages} == {"current", "power", "voltage"}
    declared_s = next(
        o.at_s for o in bench.occurrences if o.happening is Happening.DECLARED
    )
    lasted_s = bench.occurrences[-1].at_s - declared_s
    assert lasted_s == pytest.approx(100.0, abs=3.0)
    again = judge_again(result, rules, bench.blocks, idle={}, even_so=False)
    assert is_reproduced(result, again)


@pytest.mark.slow
def test_what_cannot_be_read_is_asked_for_again() -> None:
    bench = TypingBench(steady())
    for _ in range(5):
        bench.second(0.0)
    while bench.session.asking() is None:
        bench.second(5.0)
    first = bench.session.asking()
    assert first is not None
    bench.session.cannot_read()
    assert bench.session.asking() is None
    while (again := bench.session.asking()) is None:
        bench.second(5.0)
    assert again.number == first.number == 1
    assert again.since_s > first.since_s


WINDOW = Window(100.0, 160.0)


@dataclass
class Confirmed:
    """Stands for a group that has confirmed a window, without the readings that it takes."""

    power: LevelEstimate
    window: Window = WINDOW

    def levels(self) -> dict[str, LevelEstimate]:
        return {"power": self.power}

    def spikes(self) -> dict[str, int]:
        return {}


def test_what_the_required_channel_may_still_drift_is_in_the_typed_channels_uncertainty() -> (
    None
):
    typed = TypedReadings(["velocity"])
    for _ in range(LEAST_READINGS):
        typed.take("velocity", 120.0, 12.3)
    # 1000 W whose window holds 2 W of drift, known to within 1 W, with 2 W more left open: 0.3 %.
    power = LevelEstimate(
        1000.0, 1002.0, 1.0, 20.0, 0.0, 5.0, 60, 20.0, open_drift=2.0, drift_in_mean=2.0
    )
    judgement = settled_averages(
        cast("SettlingGroup", Confirmed(power)), TYPED, idle={}, typed=typed
    )
    (average,) = (a for a in judgement.averages if a.channel == "velocity")
    (part,) = (c for c in average.contributions if c.name == "drift left open")
    assert part.std_uncertainty == pytest.approx(0.003 * 12.3, rel=1e-9)
