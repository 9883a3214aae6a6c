"""One whole session on the simulators' bench, without wires: every reading goes through both sides' protocols, time is a number.

The rig (physics and meters) and the simulated person are those of `daq demo`, the polls come at its spacing, and the session is the
program's. What is left out is what cannot change an average: pseudo-terminals, processes and the host's delays.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from heapq import heappop, heappush
from pathlib import Path

from daq.cli.files import bundle, load_bench_and_plan
from daq.config.bench import Bench, Instrument
from daq.config.plan import Plan
from daq.protocols import WireProtocol
from daq.records import Gap, Reading, TrialAverage, TrialState
from daq.stats import student_t_quantile
from daq.trials.session import Occurrence, Session
from daq.trials.stages import Happening, Stage
from simulators.config import LineSettings, MeterSettings, Simulation, load_simulation
from simulators.instruments import Meter
from simulators.kinds import Station
from simulators.operator import Act, Operator, Seen
from simulators.rig import Rig, seeded

SPEED = 12.0
"""As in the demonstration: times on the wire weigh so much more in bench time."""

_GLANCE_S = 0.15
_LONGEST_S = 3.0 * 3600.0


@dataclass(frozen=True, slots=True)
class Compared:
    """One average and what it should be.

    Attributes:
        condition: That was fitted.
        channel: Name of the channel.
        required: Whether the trial waited for it.
        average: As the program gave it.
        truth: Of the physics, settled, supply at nominal.
        shown_truth: What this meter, with this run's errors, makes of the truth.
    """

    condition: str
    channel: str
    required: bool
    average: TrialAverage
    truth: float
    shown_truth: float

    @property
    def error_in_u(self) -> float:
        """Error in expanded uncertainties [1]."""
        return abs(self.average.mean - self.truth) / self.average.expanded_uncertainty

    @property
    def scatter_in_u(self) -> float:
        """Error in expanded type A uncertainties, the meter's own error taken out [1].

        The whole uncertainty is mostly the meter's accuracy, and would hide it if settling or scatter were judged badly.
        """
        a = self.average
        quantile = student_t_quantile(0.975, a.degrees_of_freedom_a)
        return abs(a.mean - self.shown_truth) / (quantile * a.std_uncertainty_type_a)


@dataclass(frozen=True, slots=True)
class SessionTold:
    """What came of one session.

    Attributes:
        seed: Of all chance in it.
        compared: Every average whose truth is known.
        confirmed_s: From switch-on to the confirmed average, by trial [s].
        declared_s: From switch-on to the first provisional declaration, by trial [s].
        withdrawn: Declarations that were withdrawn [1].
        not_settled: Trials that ended without an average [1].
        length_s: The whole session [s of bench time].
    """

    seed: int
    compared: tuple[Compared, ...]
    confirmed_s: tuple[float, ...]
    declared_s: tuple[float, ...]
    withdrawn: int
    not_settled: int
    length_s: float


class _Conversation:
    """One instrument of the bench with its meter at the other end."""

    def __init__(self, instrument: Instrument, meter: MeterSettings, rig: Rig) -> None:
        self.instrument = instrument
        self._station: Station = rig.stations[meter.name]
        self._protocol: WireProtocol = instrument.make_protocol(speed=SPEED)
        self._rig = rig

    @property
    def meter(self) -> Meter:
        """At the other end."""
        return self._station.meter

    def next_outcome(self, bench_s: float) -> Reading | None:
        """One poll, or one line of a meter that talks by itself, begun at this bench time."""
        wire_s = bench_s / SPEED
        request = self._protocol.query(wire_s)
        while True:
            wire_s = self._exchange(request, wire_s)
            outcome = self._protocol.next_reading()
            if isinstance(outcome, Reading):
                return self._in_bench_time(outcome)
            if isinstance(outcome, Gap):
                raise _no_reading(outcome)
            request = self._protocol.query(wire_s)
            if not request:
                return None

    def _exchange(self, request: bytes, wire_s: float) -> float:
        """Carry the request there and the reply back; returns when its last character came."""
        character_s = self.instrument.port.char_s
        arrived_s = wire_s + len(request) * character_s
        arrived_s += self.instrument.silence_before_s
        self._rig.advance(arrived_s * SPEED)
        station, at_s = self._station, self._rig.now_s
        said = station.answer(request, at_s) if request else station.speak(at_s)
        if said is None:
            msg = f"{self.instrument.name}: the meter says nothing to {request!r}"
            raise ValueError(msg)
        end_s = arrived_s + said.after_s + len(said.data) * character_s
        self._protocol.feed(said.data, end_s)
        return end_s

    def _in_bench_time(self, reading: Reading) -> Reading:
        at_s = reading.at_s * SPEED - self.instrument.lag_s
        return Reading(reading.instrument, at_s, reading.values, reading.flags)


class SimulatedSession:
    """Runs one session of a scenario from its first instruction to its end."""

    def __init__(self, scenario: str, seed: int) -> None:
        folder = bundle() / "configs" / scenario
        self._bench, self._plan = _files(folder)
        simulation = load_simulation(folder / "simulation.toml")
        self._seed = seed
        self._rig = Rig(simulation, seed=seed)
        self._person = Operator(seeded(seed, "person"), known=self._rig.conditions)
        self._session = Session(self._plan.rules, self._plan.order(seed))
        self._truth = _truth_of(self._rig)
        self._talks = _conversations(self._bench, simulation, self._rig)
        self._talk_numbers = {
            channel.name: number
            for number, talk in enumerate(self._talks)
            for channel in talk.instrument.channels
        }
        self._occurrences: list[Occurrence] = []

    def run(self) -> SessionTold:
        """Let time pass until the session is finished.

        Raises:
            ValueError: If it does not come to an end.
        """
        for now_s, talk in self._turns():
            if talk is None:
                self._glance(now_s)
                continue
            reading = talk.next_outcome(now_s)
            if reading is not None:
                self._occurrences += self._session.feed(reading)
            if self._session.stage is Stage.FINISHED:
                return self._told(now_s)
        msg = f"seed {self._seed}: not finished after {_LONGEST_S:.0f} s"
        raise ValueError(msg)

    def _turns(self) -> Iterator[tuple[float, _Conversation | None]]:
        """Who is next, and when; None is the person's glance at the page."""
        turns: list[tuple[float, int]] = [
            (1.0, number) for number in range(len(self._talks))
        ]
        heappush(turns, (1.0, len(self._talks)))
        now_s = 0.0
        while now_s < _LONGEST_S:
            now_s, number = heappop(turns)
            is_glance = number == len(self._talks)
            talk = None if is_glance else self._talks[number]
            step_s = talk.instrument.interval_s if talk else _GLANCE_S * SPEED
            yield now_s, talk
            heappush(turns, (now_s + step_s, number))

    def _glance(self, now_s: float) -> None:
        self._rig.advance(now_s)
        self._occurrences += self._session.tick(now_s)
        act = self._person.look(
            self._seen(), is_running=self._rig.is_running, now_s=self._rig.now_s
        )
        if act is Act.STOP:
            self._rig.switch(on=False)
        elif act is Act.FIT_AND_START and self._session.called_for is not None:
            self._rig.fit(self._session.called_for.condition)
            self._rig.switch(on=True)

    def _seen(self) -> Seen:
        line, stage = self._session.called_for, self._session.stage.value
        if line is None:
            return Seen(stage, None, (stage,))
        occasion = (stage, line.condition, line.repeat, line.position)
        return Seen(stage, line.condition, occasion)

    def _told(self, now_s: float) -> SessionTold:
        started: dict[str, float] = {}
        declared: dict[str, float] = {}
        confirmed: dict[str, float] = {}
        compared: list[Compared] = []
        for event in self._occurrences:
            since_s = event.at_s - started.setdefault(event.trial_id, event.at_s)
            if event.happening is Happening.DECLARED:
                declared.setdefault(event.trial_id, since_s)
            elif event.happening is Happening.CONFIRMED:
                confirmed[event.trial_id] = since_s
                compared += self._compared(event)
        return SessionTold(
            seed=self._seed,
            compared=tuple(compared),
            confirmed_s=tuple(confirmed.values()),
            declared_s=tuple(declared.values()),
            withdrawn=self._count(Happening.WITHDRAWN),
            not_settled=self._lost_trials(),
            length_s=now_s,
        )

    def _count(self, happening: Happening) -> int:
        return sum(event.happening is happening for event in self._occurrences)

    def _lost_trials(self) -> int:
        over = {Happening.OFF_MORE_TO_COME, Happening.OFF_LAST}
        return sum(
            event.happening in over
            and event.result is not None
            and event.result.state is not TrialState.FINISHED
            for event in self._occurrences
        )

    def _compared(self, event: Occurrence) -> Iterator[Compared]:
        if event.result is None:
            return
        places = {c.name: (c.place, c.quantity) for c in self._bench.channels}
        condition = event.result.planned.condition
        for average in event.result.averages:
            place, quantity = places[average.channel]
            truth = self._truth.get((condition, place, quantity))
            if truth is None:
                continue
            middle_s = (average.window.start_s + average.window.end_s) / 2.0
            meter = self._talks[self._talk_numbers[average.channel]].meter
            yield Compared(
                condition,
                average.channel,
                average.required,
                average,
                truth,
                _as_shown(meter, quantity, truth, middle_s),
            )


def _no_reading(gap: Gap) -> ValueError:
    return ValueError(f"{gap.instrument}: {gap.reason} {gap.detail}")


def _files(folder: Path) -> tuple[Bench, Plan]:
    return load_bench_and_plan(folder / "bench.toml", folder / "plan.toml")


def _truth_of(rig: Rig) -> dict[tuple[str, str, str], float]:
    entries = rig.truth()["entries"]
    if not isinstance(entries, list):
        msg = f"truth {entries!r}, expected a list"
        raise TypeError(msg)
    return {(e["condition"], e["place"], e["quantity"]): e["value"] for e in entries}


def _as_shown(meter: Meter, quantity: str, value: float, at_s: float) -> float:
    """The value with the meter's errors of this run, before noise and rounding."""
    full_scale = meter.sense(quantity).full_scale
    return meter._errors[quantity].distorted(value, full_scale=full_scale, at_s=at_s)


def _conversations(
    bench: Bench, simulation: Simulation, rig: Rig
) -> list[_Conversation]:
    """Every instrument with the meter that is on its port under its unit."""
    lines: dict[str, LineSettings] = {line.name: line for line in simulation.lines}
    found = []
    for instrument in bench.instruments:
        line = lines[Path(instrument.port.url).name]
        meter = next(
            m
            for m in simulation.meters_on(line.name)
            if m.unit == (instrument.unit or 0)
        )
        found.append(_Conversation(instrument, meter, rig))
    return found
