"""Zeros measured with the machine off: which readings they come from, through a whole session."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from daq.records import Accuracy, Channel, Reading, TrialResult, Window
from daq.trials.idle import GUARD_S, LONGEST_S, RUN_DOWN_S
from daq.trials.session import Session
from daq.trials.stages import Happening
from tests.core.trials.session_bench import RULES, order_of

FLOW = Channel(
    *("flow", "Airflow", "airflow", "m3/h", "outlet", "vane", 0),
    accuracy=Accuracy(percent_of_reading=1.0, resolution=0.01),
    interval_s=1.0,
    subtract_idle=True,
)
ZERO, BLOWN, RUNNING_DOWN = 0.5, 200.0, 30.0


class _Bench:
    """A machine, its power meter and a vane that does not show zero in still air."""

    def __init__(self, flow: Channel = FLOW) -> None:
        rules = replace(
            RULES,
            channels=(*RULES.channels, flow),
            tolerances={**RULES.tolerances, "flow": 0.005},
        )
        ids = (f"trial-{n}" for n in itertools.count(1))
        self.session = Session(
            rules, order_of("a", "b"), new_trial_id=lambda: next(ids)
        )
        self.now_s = 1000.0
        self.results: list[TrialResult] = []
        self.flows: list[tuple[float, float]] = []
        self._generator = np.random.default_rng(1)

    def run(self, seconds: int, *, on: bool, flow: float | None = None) -> None:
        """A reading a second of each meter, the vane's half a second after the power meter's."""
        for _ in range(seconds):
            self.now_s += 1.0
            watts = 1000.0 * (1.0 + self._generator.normal(0.0, 5e-4)) if on else 0.0
            self._feed(Reading("meter", self.now_s, (5.0 if on else 0.0, watts, 230.0)))
            level = flow if flow is not None else BLOWN if on else ZERO
            self.vane(self.now_s + 0.5, level + self._generator.normal(0.0, 0.02))

    def vane(self, at_s: float, value: float) -> None:
        self.flows.append((at_s, value))
        self._feed(Reading("vane", at_s, (value,)))

    def _feed(self, reading: Reading) -> None:
        for occurrence in self.session.feed(reading):
            if occurrence.happening is Happening.CONFIRMED:
                assert occurrence.result is not None
                self.results.append(occurrence.result)

    def within(self, window: Window) -> list[float]:
        return [v for at_s, v in self.flows if window.start_s <= at_s <= window.end_s]


def test_a_trial_tells_which_idle_readings_its_zero_came_from() -> None:
    bench = _Bench()
    bench.run(120, on=False)
    switched_on_s = bench.now_s + 1.0
    bench.run(200, on=True)
    (result,) = bench.results
    assert result.idle == Window(
        switched_on_s - GUARD_S - LONGEST_S, switched_on_s - GUARD_S
    )
    (flow,) = (a for a in result.averages if a.channel == "flow")
    # The plain mean of those readings, which the store has too.
    readings = bench.within(result.idle)
    assert flow.zero_offset == pytest.approx(sum(readings) / len(readings), rel=1e-12)
    assert flow.mean == pytest.approx(BLOWN - ZERO, abs=0.05)
    assert {a.zero_offset for a in result.averages if a.channel != "flow"} == {0.0}


def test_air_still_moving_after_the_trial_before_is_no_zero() -> None:
    bench = _Bench()
    bench.run(40, on=False)
    bench.run(200, on=True)
    off_s = bench.now_s + 1.0
    bench.run(int(RUN_DOWN_S) - 1, on=False, flow=RUNNING_DOWN)
    bench.run(25, on=False)
    bench.run(200, on=True)
    second = bench.results[1]
    assert second.idle is not None
    assert second.idle.start_s >= off_s + RUN_DOWN_S
    (flow,) = (a for a in second.averages if a.channel == "flow")
    assert flow.zero_offset == pytest.approx(ZERO, abs=0.05)


def test_a_machine_that_starts_softly_does_not_blow_into_the_zero() -> None:
    bench = _Bench()
    bench.run(60, on=False)
    # Air moves before the current is seen to rise.
    bench.run(int(GUARD_S) - 1, on=False, flow=RUNNING_DOWN)
    bench.run(200, on=True)
    (flow,) = (a for a in bench.results[0].averages if a.channel == "flow")
    assert flow.zero_offset == pytest.approx(ZERO, abs=0.05)


def test_an_idle_reading_that_comes_late_counts_all_the_same() -> None:
    bench = _Bench()
    bench.run(60, on=False)
    late_s = bench.now_s - GUARD_S
    bench.run(5, on=True)
    bench.vane(late_s, 5.0)
    bench.run(200, on=True)
    (result,) = bench.results
    (flow,) = (a for a in result.averages if a.channel == "flow")
    assert result.idle is not None
    readings = bench.within(result.idle)
    assert 5.0 in readings
    assert flow.zero_offset == pytest.approx(sum(readings) / len(readings), rel=1e-12)


def test_a_start_given_by_hand_has_no_zero_and_says_so() -> None:
    bench = _Bench()
    bench.run(60, on=False)
    bench.session.operator_switched(bench.now_s)
    bench.run(200, on=True)
    (result,) = bench.results
    assert result.idle is None
    (flow,) = (a for a in result.averages if a.channel == "flow")
    assert flow.mean == pytest.approx(BLOWN, abs=0.05)
    assert "flow: zero not subtracted" in result.note


def test_too_short_a_pause_gives_no_zero_and_says_so() -> None:
    bench = _Bench()
    bench.run(10, on=False)
    bench.run(200, on=True)
    (result,) = bench.results
    assert result.idle is None
    assert "flow: zero not subtracted" in result.note


def test_a_bench_that_does_not_ask_for_it_keeps_no_idle_window() -> None:
    bench = _Bench(replace(FLOW, subtract_idle=False))
    bench.run(120, on=False)
    bench.run(200, on=True)
    (result,) = bench.results
    assert (result.idle, result.note) == (None, "")
    (flow,) = (a for a in result.averages if a.channel == "flow")
    assert flow.mean == pytest.approx(BLOWN, abs=0.05)
