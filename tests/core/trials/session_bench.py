"""A machine and its meter, and a session that is fed with its readings second by second."""

import itertools
from collections.abc import Callable, Iterator

import numpy as np

from daq.records import Accuracy, Channel, PlannedTrial, Reading
from daq.settling.parameters import STANDARD
from daq.trials.limits import Limit
from daq.trials.order import OrderKind, plan_order
from daq.trials.session import Occurrence, Session, SessionRules
from daq.trials.stages import TRANSITIONS, Happening, Stage
from daq.trials.switching import StartRule

ON_A, OFF_A, TOO_MUCH_A = 5.0, 0.0, 14.0
POWER_W = 1000.0
LONGEST_S = 400.0
Moves = set[tuple[Stage, Happening]]


def _channel(name: str, index: int, quantity: str, unit: str) -> Channel:
    accuracy = Accuracy(percent_of_reading=0.5, counts=2, resolution=0.01)
    return Channel(
        name, name.capitalize(), quantity, unit, "", "meter", index, accuracy, 1.0
    )


RULES = SessionRules(
    channels=(
        _channel("current", 0, "current", "A"),
        _channel("power", 1, "power", "W"),
        _channel("voltage", 2, "voltage", "V"),
    ),
    required=("power",),
    tolerances={"current": 0.005, "power": 0.005, "voltage": 0.005},
    start=StartRule("current", on_above=0.8, off_below=0.4, least_off_s=2.0),
    limits=(
        Limit("current", above=13.0, below=None, for_s=5.0, reason="rating"),
        Limit("voltage", above=None, below=200.0, for_s=5.0, reason="the motor"),
    ),
    parameters=STANDARD,
    target=None,
    longest_s=LONGEST_S,
)


def order_of(*names: str) -> tuple[PlannedTrial, ...]:
    return plan_order(
        names, baseline=names[0], repeats=1, kind=OrderKind.AS_WRITTEN, seed=0
    )


def _ids() -> Iterator[str]:
    return (f"trial-{n}" for n in itertools.count(1))


class Bench:
    """A machine and its meter: one reading a second into one session."""

    def __init__(
        self, session: Session | None = None, *, names: tuple[str, ...] = ("a", "b")
    ) -> None:
        ids = _ids()
        self.session = session or Session(
            RULES, order_of(*names), new_trial_id=lambda: next(ids)
        )
        self.now_s = 1000.0
        self.occurrences: list[Occurrence] = []
        self.moves: Moves = set()
        self._generator = np.random.default_rng(1)

    def _note(self, stage: Stage, occurrences: list[Occurrence]) -> list[Occurrence]:
        for occurrence in occurrences:
            if occurrence.happening is not None:
                move = (stage, occurrence.happening)
                assert TRANSITIONS[move] is occurrence.stage
                self.moves.add(move)
            stage = occurrence.stage
        assert self.session.stage is stage
        self.occurrences += occurrences
        return occurrences

    def run(
        self,
        seconds: float,
        current: float | None,
        *,
        power: float = POWER_W,
        slope: float = 0.0,
        voltage: float | None = 230.0,
    ) -> list[Occurrence]:
        """Let the machine draw so much; power has a little noise and may drift [share a second]."""
        happened: list[Occurrence] = []
        for second in range(round(seconds)):
            self.now_s += 1.0
            watts = power * (1.0 + slope * second + self._generator.normal(0.0, 5e-4))
            drawn = watts if current and current > 0.8 else 0.0
            reading = Reading("meter", self.now_s, (current, drawn, voltage))
            happened += self._note(self.session.stage, self.session.feed(reading))
        return happened

    def wait(self, seconds: float) -> list[Occurrence]:
        """Let time pass without a reading."""
        self.now_s += seconds
        return self._note(self.session.stage, self.session.tick(self.now_s))

    def operate(self, ask: Callable[[Session], list[Occurrence]]) -> list[Occurrence]:
        """Let the operator ask for something."""
        return self._note(self.session.stage, ask(self.session))

    def settle(self) -> list[Occurrence]:
        """Off, on, and on until settled."""
        return self.run(5, OFF_A) + self.run(150, ON_A)

    def stage(self) -> Stage:
        """Where the session stands; a method, so that a type checker asks again."""
        return self.session.stage

    def must_switch_off_first(self) -> bool:
        return self.session.must_switch_off_first

    def overdue(self) -> bool:
        return self.session.overdue_since_s is not None

    def is_paused_now(self) -> bool:
        return self.session.is_paused_now

    def happenings(self) -> list[Happening | None]:
        return [occurrence.happening for occurrence in self.occurrences]
