"""What whole sessions over spoiled wires came to, and whether that proves anything.

Rules for a session: answers were spoiled, and where the fault can be known at least half of those on polled wires have a gap with a
reason other than a busy line, or of an overrange a value left out; every trial is finished or says why not; no value on a protected wire lies off;
of the averages no more lie outside of their expanded uncertainty than chance allows, and none further than `ALLOWED`, on protected and
unprotected wires alike: what a wire does not show, the average has to refuse. A stuck value cannot be known, so its averages are
published only: the settling rule takes what no longer changes for settled.

An interval of 95 % misses the truth once in twenty: `n` averages may lie outside as often as a binomial count of `n` and 0.05 does with
99.9 % confidence, 5 of 20 and 31 of 340. The same bound holds for all sessions together.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from daq.records import GapReason
from tests.campaigns.wire_faults_classes import binomial_bound
from tests.campaigns.wire_faults_spoiling import UNDETECTABLE, Fault

ALLOWED = 1.7
"""Expanded uncertainties that an average may be off, of some twenty at once; as in tests/system/test_session.py."""
OUTSIDE = 0.05
"""Of intervals of 95 %."""
LEAST_TOLD = 0.5
"""Of the spoiled answers on polled wires: some are sound again, as after noise before their beginning."""
_FEW = 3
"""Answers whose outcome the session's end cuts off [1]."""
REQUIRED = ("machine_meter_power", "supply_meter_voltage")
"""Channels without whose averages no trial is finished."""
PROTECTED = (
    "supply-meter",
    "machine-meter",
    "duct-sensor",
    "duct-loop",
    "pressure-near",
    "pressure-far",
    "ambient",
    "clamp",
    "asked-clamp",
)
UNPROTECTED = ("power-analyser", "vane")
STREAMED_LINES = ("vane", "clamp")
HEAD = (
    "fault", "class", "answers", "spoiled", "readings", "gaps", "values left out", "off, protected", "off, unprotected", "trial",
    "averages", "outside U", "worst / U, protected", "unprotected", "verdict",
)  # fmt: skip


_CLASSES = {Fault.STUCK: "undetectable: looks settled where it stuck"}


@dataclass(frozen=True)
class Trial:
    """How one ended."""

    state: str
    note: str

    @property
    def is_finished(self) -> bool:
        """Whether it has averages that hold."""
        return self.state == "finished"

    @property
    def words(self) -> str:
        """For the table."""
        return f"{self.state}: {self.note}" if self.note else self.state


@dataclass(frozen=True)
class Session:
    """What one session came to.

    Attributes:
        fault: On all wires.
        counts: "answers" and "spoiled" by line; an answer that came as it was meant is not spoiled.
        readings: In the store [1].
        reasons: Gaps in the store by reason.
        left_out: Values in the store that are none, as of an overrange or a power factor without load [1].
        off_protected: Values within an average's window that lie off [1].
        off_unprotected: The same on unprotected wires [1].
        trials: In their order.
        errors: Of each average whose truth is known, by channel [expanded uncertainties].
        code: Exit code.
    """

    fault: Fault
    counts: Mapping[str, Mapping[str, int]]
    readings: int
    reasons: Mapping[str, int]
    left_out: int
    off_protected: int
    off_unprotected: int
    trials: tuple[Trial, ...]
    errors: Mapping[str, float]
    code: int

    @property
    def spoiled(self) -> int:
        """Answers [1]."""
        return sum(self.counts.get("spoiled", {}).values())

    @property
    def outside(self) -> int:
        """Averages that lie outside of their expanded uncertainty [1]."""
        return sum(error > 1.0 for error in self.errors.values())

    def worst(self, instruments: Sequence[str]) -> float:
        """Of the averages of these [expanded uncertainties]; 0 where there are none."""
        starts = tuple(name.replace("-", "_") for name in instruments)
        found = (e for name, e in self.errors.items() if name.startswith(starts))
        return max(found, default=0.0)

    @property
    def wrong(self) -> str:
        """The first rule that is broken; empty where none is."""
        return (
            _wrong_on_wires(self)
            or _wrong_of_trials(self)
            or ("" if self.fault is Fault.STUCK else _wrong_of_averages(self))
        )

    @property
    def is_met(self) -> bool:
        """Whether it proves that nothing false was kept."""
        return not self.wrong

    def cells(self) -> tuple[object, ...]:
        """As the table has it."""
        gaps = ", ".join(f"{why} {count}" for why, count in sorted(self.reasons.items()))  # fmt: skip
        is_known = self.fault not in UNDETECTABLE
        sound = "published" if self.fault is Fault.STUCK else "met"
        return (
            self.fault.value,
            _CLASSES.get(self.fault, "detectable" if is_known else "undetectable"),
            sum(self.counts.get("answers", {}).values()),
            self.spoiled,
            self.readings,
            gaps,
            self.left_out,
            self.off_protected,
            self.off_unprotected,
            "; ".join(trial.words for trial in self.trials) or "none",
            len(self.errors),
            self.outside,
            f"{self.worst(PROTECTED):.2f}",
            f"{self.worst(UNPROTECTED):.2f}",
            f"NOT MET: {self.wrong}" if self.wrong else sound,
        )


def _wrong_on_wires(session: Session) -> str:
    if not session.spoiled:
        return "nothing spoiled"
    if not session.readings:
        return "no reading"
    if session.fault in UNDETECTABLE:
        return ""
    if session.off_protected:
        return f"{session.off_protected} values off on protected wires"
    spoiled = session.counts["spoiled"]
    polled = sum(n for line, n in spoiled.items() if line not in STREAMED_LINES)
    told = sum(n for why, n in session.reasons.items() if why != GapReason.MISSED)
    # Without load a power factor is none as well, so that this counts where a meter says so itself.
    told += session.left_out if session.fault is Fault.OVERRANGE else 0
    if told < LEAST_TOLD * polled - _FEW or not told:
        return f"{told} told of {polled} spoiled on polled wires"
    return ""


def _wrong_of_trials(session: Session) -> str:
    if not session.trials:
        return "no trial"
    for trial in session.trials:
        if not trial.is_finished and not trial.note:
            return f"{trial.state} without a reason"
    is_finished = all(trial.is_finished for trial in session.trials)
    if session.code != (0 if is_finished else 1):
        return f"exit code {session.code}"
    if is_finished and not session.errors.keys() >= set(REQUIRED):
        return "finished without the averages that it needs"
    return ""


def _wrong_of_averages(session: Session) -> str:
    for name, error in session.errors.items():
        # Of a NaN nothing is true.
        if not error <= ALLOWED:
            return f"{name} {error:.2f} U off"
    most = binomial_bound(len(session.errors), OUTSIDE)
    if session.outside > most:
        return f"{session.outside} of {len(session.errors)} averages outside U, at most {most}"
    return ""


def wrong_of_all(sessions: Sequence[Session]) -> str:
    """What the sessions together do not prove; empty if they do."""
    held = [each for each in sessions if each.fault is not Fault.STUCK]
    averages = sum(len(each.errors) for each in held)
    outside = sum(each.outside for each in held)
    if held and not averages:
        return "no average was held against its truth"
    most = binomial_bound(averages, OUTSIDE)
    if outside > most:
        return f"{outside} of {averages} averages outside U, at most {most}"
    return ""
