"""Trials whose meters fall silent: what was missing is named, and asked for again only where that may help."""

import numpy as np

from daq.records import Accuracy, Channel, Reading, TrialResult, TrialState
from daq.settling.parameters import STANDARD
from daq.settling.verdicts import HeldBackBy
from daq.trials.reasons import REASONS
from daq.trials.session import Occurrence, Session, SessionRules
from daq.trials.stages import Happening, Stage
from daq.trials.switching import StartRule
from tests.core.trials.session_bench import order_of

LONGEST_S = 400
GAPS = f"velocity: gaps ({REASONS[HeldBackBy.GAPS].remedy})"
SWITCHED_ON_S = 5


def _channel(name: str, instrument: str, index: int, unit: str) -> Channel:
    accuracy = Accuracy(percent_of_reading=0.5, resolution=0.001)
    return Channel(name, name, name, unit, "", instrument, index, accuracy, 1.0)


RULES = SessionRules(
    channels=(
        _channel("current", "meter", 0, "A"),
        _channel("power", "meter", 1, "W"),
        _channel("velocity", "vane", 0, "m/s"),
        _channel("temperature", "probe", 0, "Cel"),
    ),
    required=("power", "velocity"),
    tolerances=dict.fromkeys(("current", "power", "velocity", "temperature"), 0.005),
    start=StartRule("current", on_above=0.8, off_below=0.4, least_off_s=2.0),
    limits=(),
    parameters=STANDARD,
    target=None,
    longest_s=float(LONGEST_S),
)


class Trial:
    """One trial of a session: the mains meter is always read, the others at the seconds given."""

    def __init__(
        self,
        *,
        vane: range = range(1000),
        probe: range = range(1000),
        power_drift: float = 0.0,
    ) -> None:
        self.session = Session(RULES, order_of("a", "b"))
        self._vane, self._probe, self._power_drift = vane, probe, power_drift
        self._random = np.random.default_rng(1)

    def _noisy(self, level: float) -> float:
        return level * (1.0 + float(self._random.normal(0.0, 5e-4)))

    def run(self, from_s: int, until_s: int) -> list[Occurrence]:
        happened: list[Occurrence] = []
        for at_s in range(from_s, until_s):
            is_on = at_s >= SWITCHED_ON_S
            watts = self._noisy(1000.0 * (1.0 + self._power_drift * at_s))
            mains = (5.0, watts) if is_on else (0.0, 0.0)
            happened += self.session.feed(Reading("meter", at_s, mains))
            if at_s in self._vane:
                happened += self.session.feed(
                    Reading("vane", at_s + 0.3, (self._noisy(12.0),))
                )
            if at_s in self._probe:
                happened += self.session.feed(
                    Reading("probe", at_s + 0.6, (self._noisy(21.0),))
                )
        return happened

    def switch_off(self, from_s: int) -> TrialResult:
        results = [
            o.result
            for at_s in range(from_s, from_s + 5)
            for o in self.session.feed(Reading("meter", at_s, (0.0, 0.0)))
        ]
        (result,) = [r for r in results if r is not None]
        return result


def _given_up(trial: Trial) -> TrialResult:
    up = trial.run(0, SWITCHED_ON_S + LONGEST_S + 1)[-1]
    assert up.happening is Happening.TIME_UP
    assert trial.session.stage is Stage.NOT_SETTLED
    assert up.result is not None
    return up.result


def _held_back(trial: Trial, channel: str) -> HeldBackBy | None:
    progress = trial.session.channel_progress(channel)
    assert progress is not None
    return progress.held_back_by


def test_a_meter_that_was_never_heard_leaves_the_trial_unfinished() -> None:
    trial = Trial(vane=range(0))
    result = _given_up(trial)
    assert result.state is TrialState.UNFINISHED
    assert GAPS in result.note.split("; ")
    assert result.averages == ()


def test_a_meter_that_fell_silent_leaves_the_trial_unfinished() -> None:
    trial = Trial(vane=range(30))
    result = _given_up(trial)
    assert result.state is TrialState.UNFINISHED
    # The other channel is settled and nothing is to be said of it.
    assert result.note == GAPS


def test_the_condition_whose_meter_was_silent_is_asked_for_again() -> None:
    trial = Trial(vane=range(30))
    _given_up(trial)
    ended = trial.switch_off(SWITCHED_ON_S + LONGEST_S + 1)
    assert (ended.state, ended.note) == (TrialState.UNFINISHED, GAPS)
    called_for = trial.session.called_for
    assert called_for is not None
    assert called_for.condition == "a"
    assert trial.session.done_count == 0
    assert trial.session.stage is Stage.WAITING


def test_the_last_condition_whose_meter_was_silent_does_not_finish_the_session() -> (
    None
):
    trial = Trial(vane=range(30))
    trial.session = Session(RULES, order_of("a"))
    _given_up(trial)
    trial.switch_off(SWITCHED_ON_S + LONGEST_S + 1)
    assert trial.session.stage is Stage.WAITING


def test_a_trial_that_drifts_is_not_settled_and_says_which_channel_and_why() -> None:
    trial = Trial(power_drift=1e-3)
    result = _given_up(trial)
    assert result.state is TrialState.NOT_SETTLED
    drifting = f"power: drifting ({REASONS[HeldBackBy.DRIFT].remedy})"
    assert drifting in result.note.split("; ")
    assert "velocity" not in result.note
    ended = trial.switch_off(SWITCHED_ON_S + LONGEST_S + 1)
    assert (ended.state, ended.note) == (TrialState.NOT_SETTLED, result.note)
    called_for = trial.session.called_for
    assert called_for is not None
    assert called_for.condition == "b"


def test_a_meter_that_comes_back_in_time_lets_the_trial_settle() -> None:
    trial = Trial(vane=range(60, 1000))
    before = trial.run(0, 60)
    assert [o.happening for o in before] == [Happening.SWITCHED_ON]
    after = trial.run(60, 300)
    assert after[-1].happening is Happening.CONFIRMED
    assert after[-1].result is not None
    assert after[-1].result.note == ""


def test_a_silent_channel_is_held_back_by_gaps_during_run_up_and_while_settling() -> (
    None
):
    never = Trial(vane=range(0))
    never.run(0, 60)
    assert never.session.stage is Stage.RUNNING_UP
    assert _held_back(never, "velocity") is HeldBackBy.GAPS
    fallen = Trial(vane=range(30))
    fallen.run(0, 60)
    assert fallen.session.stage is Stage.SETTLING
    assert _held_back(fallen, "velocity") is HeldBackBy.GAPS
    assert _held_back(fallen, "power") is not HeldBackBy.GAPS


def test_a_channel_that_nobody_waits_for_and_that_was_silent_stands_in_the_note() -> (
    None
):
    trial = Trial(probe=range(10))
    confirmed = trial.run(0, 300)[-1]
    assert confirmed.happening is Happening.CONFIRMED
    assert confirmed.result is not None
    assert {a.channel for a in confirmed.result.averages} == {
        "current",
        "power",
        "velocity",
    }
    assert confirmed.result.note == "temperature: no average, readings are missing"
    ended = trial.switch_off(300)
    assert (ended.state, ended.note) == (TrialState.FINISHED, confirmed.result.note)
