"""A trial judged again from its readings: the same rule gives the same, another rule what it gives."""

import dataclasses
import itertools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.records import (
    Accuracy,
    Channel,
    PlannedTrial,
    Reading,
    TrialResult,
    TrialState,
)
from daq.settling.options import OptionError
from daq.settling.parameters import STANDARD
from daq.trials.judging import (
    AVERAGED_EVEN_SO,
    CAN_BE_AVERAGED,
    SessionRules,
    reading_order,
    recorded_channels,
    render_rule,
    with_recorded_rule,
)
from daq.trials.limits import Limit
from daq.trials.reanalysis import ReadingBlock, is_reproduced, judge_again
from daq.trials.session import Session
from daq.trials.stages import Happening
from daq.trials.switching import StartRule

ON_S, LONGEST_S = 30.0, 420.0
LINE = PlannedTrial(0, "clean", 1, baseline=True)


def _channel(name: str, instrument: str, index: int, unit: str) -> Channel:
    quantity = {"A": "current", "W": "power", "m/s": "velocity"}[unit]
    accuracy = Accuracy(percent_of_reading=0.5, resolution=0.01)
    return Channel(
        name,
        name.capitalize(),
        quantity,
        unit,
        "",
        instrument,
        index,
        accuracy,
        1.0,
        subtract_idle=unit == "m/s",
    )


RULES = SessionRules(
    channels=(
        _channel("velocity", "vane", 0, "m/s"),
        _channel("power", "meter", 0, "W"),
        _channel("current", "meter", 1, "A"),
    ),
    required=("power", "velocity"),
    tolerances={"velocity": 0.01, "power": 0.005, "current": 0.005},
    start=StartRule("current", on_above=0.8, off_below=0.4, least_off_s=2.0),
    limits=(Limit("power", above=1500.0, below=None, for_s=3.0, reason="the plug"),),
    parameters=STANDARD,
    target=None,
    longest_s=LONGEST_S,
)


@dataclass
class Recording:
    """A session that keeps its readings as a store does: those of the trial as they came, and which were judged."""

    rules: SessionRules = RULES
    kept: list[Reading] = field(default_factory=list)
    idle_before: list[Reading] = field(default_factory=list)
    judged: int | None = None
    ended: TrialResult | None = None

    def run(self, readings: Iterable[Reading]) -> TrialResult:
        session = Session(self.rules, [LINE, dataclasses.replace(LINE, position=1)])
        runs = False
        for reading in readings:
            for occurrence in session.feed(reading):
                happening = occurrence.happening
                runs = runs or happening is Happening.SWITCHED_ON
                if happening in {Happening.TIME_UP, Happening.LIMIT_BROKEN}:
                    self.judged = len(self.kept)
                if happening is Happening.OFF_MORE_TO_COME:
                    assert occurrence.result is not None
                    return occurrence.result
            (self.kept if runs else self.idle_before).append(reading)
        raise AssertionError("the machine was never switched off")

    def blocks(self, *, length: int = 10_000) -> list[ReadingBlock]:
        """The judged readings, cut into blocks of so many."""
        order = reading_order(self.rules)
        names = tuple(channel.name for channel in order)
        rows = [
            (number, reading.at_s, value)
            for reading in self.kept[: self.judged]
            for number, channel in enumerate(order)
            if channel.instrument == reading.instrument
            and (value := reading.values[channel.field_index]) is not None
        ]
        return [
            ReadingBlock(
                names,
                np.array(
                    [row[0] for row in rows[first : first + length]], dtype=np.intp
                ),
                np.array([row[1] for row in rows[first : first + length]]),
                np.array([row[2] for row in rows[first : first + length]]),
            )
            for first in range(0, len(rows), length)
        ]

    def idle(self, result: TrialResult) -> dict[str, list[float]]:
        if result.idle is None:
            return {}
        return {
            "velocity": [
                reading.values[0]
                for reading in (*self.idle_before, *self.kept)
                if reading.instrument == "vane"
                and reading.values[0] is not None
                and result.idle.start_s <= reading.at_s <= result.idle.end_s
            ]
        }

    def again(
        self,
        result: TrialResult,
        rules: SessionRules | None = None,
        length: int = 10_000,
        *,
        even_so: bool = False,
    ) -> TrialResult:
        return judge_again(
            result,
            rules or self.rules,
            lambda: self.blocks(length=length),
            idle=self.idle(result),
            even_so=even_so,
        )


def readings(
    *,
    seed: int = 1,
    on_for_s: float = 260.0,
    slope_per_s: float = 0.0,
    power_w: float = 900.0,
    delays: Sequence[float] = (0.0,),
) -> list[Reading]:
    """Off, on and off again; each reading arrives so much after it was true, the delays taking turns."""
    random = np.random.default_rng(seed)
    off_s = ON_S + on_for_s
    made: list[tuple[float, Reading]] = []
    late = itertools.cycle(delays)
    last_s = {"meter": 0.0, "vane": 0.0}
    for tick in range(round(2.0 * (off_s + 10.0))):
        at_s = tick / 2.0
        runs = ON_S <= at_s < off_s
        share = 1.0 + slope_per_s * (at_s - ON_S)
        if tick % 2 == 0:
            watts = power_w * share * (1.0 + 3e-4 * random.standard_normal())
            reading = Reading("meter", at_s, (watts, 4.0) if runs else (0.0, 0.0))
        else:
            metres = 12.0 * (1.0 + 2e-3 * random.standard_normal()) if runs else 0.03
            reading = Reading("vane", at_s, (None if tick % 77 == 0 else metres,))
        # A line keeps the order of its own readings.
        arrived_s = max(at_s + next(late), last_s[reading.instrument])
        last_s[reading.instrument] = arrived_s
        made.append((arrived_s, reading))
    return [reading for _, reading in sorted(made, key=lambda item: item[0])]


# ---- the same rule


def test_a_settled_trial_comes_out_the_same_to_the_bit() -> None:
    recording = Recording()
    live = recording.run(readings())
    assert live.state is TrialState.FINISHED
    # The vane's zero was measured before the switch-on, so its re-analysis needs those readings too.
    assert {a.channel: a.zero_offset for a in live.averages}[
        "velocity"
    ] == pytest.approx(0.03)
    again = recording.again(live)
    assert again.averages == live.averages
    assert (again.state, again.note) == (live.state, live.note)
    assert is_reproduced(live, again)


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 1000),
    delays=st.lists(st.floats(0.0, 9.0), min_size=1, max_size=7),
    length=st.integers(1, 500),
)
def test_late_and_disordered_readings_come_out_the_same_however_they_are_cut(
    seed: int, delays: list[float], length: int
) -> None:
    recording = Recording()
    live = recording.run(readings(seed=seed, delays=delays))
    again = recording.again(live, length=length)
    assert again.averages == live.averages


def test_a_trial_given_up_is_not_settled_by_what_came_after_it_was_given_up() -> None:
    recording = Recording(rules=dataclasses.replace(RULES, longest_s=60.0), judged=None)
    live = recording.run(readings())
    assert live.state is TrialState.NOT_SETTLED
    assert CAN_BE_AVERAGED in live.note
    again = recording.again(live)
    assert (again.state, again.averages) == (TrialState.NOT_SETTLED, ())


def test_a_trial_switched_off_too_soon_stays_unfinished() -> None:
    recording = Recording()
    live = recording.run(readings(on_for_s=60.0))
    assert live.state is TrialState.UNFINISHED
    assert live.note == (
        "power: too short (let it run for some minutes after switching on);"
        f" velocity: too short; {CAN_BE_AVERAGED}"
    )
    again = recording.again(live)
    assert (again.state, again.averages) == (TrialState.UNFINISHED, ())


@pytest.mark.parametrize("length", [1, 7, 10_000])
@pytest.mark.parametrize(("on_for_s", "slope_per_s"), [(60.0, 0.0), (150.0, 1e-4)])
def test_why_a_trial_had_not_settled_comes_out_the_same_again(
    length: int, on_for_s: float, slope_per_s: float
) -> None:
    recording = Recording()
    live = recording.run(readings(on_for_s=on_for_s, slope_per_s=slope_per_s))
    assert live.state is TrialState.UNFINISHED
    again = recording.again(live, length=length)
    # Live it can also be told how to have an average all the same.
    assert f"{again.note}; {CAN_BE_AVERAGED}" == live.note


def test_why_a_trial_had_not_settled_is_asked_before_the_machine_stops() -> None:
    recording = Recording()
    live = recording.run(readings(on_for_s=150.0, slope_per_s=1e-4))
    # What a stopped machine reads looks like a step.
    assert live.note.startswith("power: drifting")
    assert "step" not in live.note


def test_a_trial_stopped_by_a_limit_is_not_settled_by_what_came_after() -> None:
    limit = dataclasses.replace(RULES.limits[0], above=800.0, for_s=100.0)
    recording = Recording(rules=dataclasses.replace(RULES, limits=(limit,)))
    live = recording.run(readings())
    assert (live.state, live.averages) == (TrialState.LIMIT_BROKEN, ())
    again = recording.again(live)
    assert (again.state, again.averages) == (TrialState.LIMIT_BROKEN, ())
    # The readings after it would have settled.
    recording.judged = None
    assert recording.again(live).averages


def test_a_lost_reading_is_found_out() -> None:
    recording = Recording()
    live = recording.run(readings())
    del recording.kept[120]
    assert not is_reproduced(live, recording.again(live))


# ---- another rule


def test_a_wider_tolerance_settles_what_drifted() -> None:
    recording = Recording()
    live = recording.run(readings(on_for_s=400.0, slope_per_s=5e-5))
    assert live.state is not TrialState.FINISHED
    wider = dataclasses.replace(RULES, tolerances=dict.fromkeys(RULES.tolerances, 0.05))
    again = recording.again(live, wider)
    assert again.state is TrialState.FINISHED
    assert {a.channel for a in again.averages} == {"velocity", "power", "current"}


def test_a_narrower_tolerance_takes_a_result_back_and_says_why() -> None:
    recording = Recording()
    live = recording.run(readings())
    narrower = dataclasses.replace(
        RULES, tolerances=dict.fromkeys(RULES.tolerances, 1e-5)
    )
    again = recording.again(live, narrower)
    assert (again.state, again.averages) == (TrialState.NOT_SETTLED, ())
    assert again.note.startswith(("power: ", "velocity: "))
    # What was recorded is left as it is.
    assert live.state is TrialState.FINISHED


def test_the_plans_longest_time_holds_for_the_other_rule_too() -> None:
    recording = Recording()
    live = recording.run(readings())
    (average, *_) = live.averages
    too_short_s = average.window.end_s - ON_S - 10.0
    rules = dataclasses.replace(RULES, longest_s=too_short_s)
    assert recording.again(live, rules).averages == ()


# ---- not settled, averaged even so


def test_a_trial_that_did_not_settle_is_averaged_on_request_and_marked() -> None:
    recording = Recording()
    live = recording.run(readings(on_for_s=150.0, slope_per_s=1e-4))
    assert (live.state, live.averages) == (TrialState.UNFINISHED, ())
    again = recording.again(live, even_so=True)
    assert again.state is TrialState.NOT_SETTLED
    assert AVERAGED_EVEN_SO in again.note
    averages = {a.channel: a for a in again.averages}
    assert set(averages) == {"velocity", "power", "current"}
    # 900 W at the switch-on, 1e-4 of it more each second, for 150 s: the last level is 913.5 W, and the average
    # says so within its uncertainty although it did not hold still.
    power = averages["power"]
    assert abs(power.mean - 913.5) <= power.expanded_uncertainty
    # Over two minutes it rose by 10.8 W.
    drift = {part.name: part for part in power.contributions}["drift left open"]
    assert drift.std_uncertainty > 1.0
    # What was read after the switch-off, 0 W, is in no average.
    assert power.window.end_s <= ON_S + 150.0
    assert averages["current"].mean == pytest.approx(4.0)
    assert is_reproduced(live, again)


def test_a_settled_trial_is_averaged_as_ever_on_that_request() -> None:
    recording = Recording()
    live = recording.run(readings())
    assert recording.again(live, even_so=True) == recording.again(live)


# ---- what is written with a trial


def test_the_recorded_rule_comes_back_to_the_bit() -> None:
    rules = dataclasses.replace(
        RULES, target=0.1 / 3.0, tolerances={**RULES.tolerances, "power": 0.01 / 3.0}
    )
    text = render_rule(rules)
    assert with_recorded_rule(RULES, text) == rules
    assert recorded_channels(text) == ("velocity", "power", "current")


def test_a_rule_of_an_earlier_version_is_refused_but_tells_its_channels() -> None:
    earlier = '{"of_old": 1.0, "tolerances": {"power": 0.005, "current": 0.01}}'
    assert recorded_channels(earlier) == ("power", "current")
    with pytest.raises(OptionError, match="another version of the rule"):
        with_recorded_rule(RULES, earlier)
