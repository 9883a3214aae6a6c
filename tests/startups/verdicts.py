"""What the rule said of a start-up, held against its truth, and the figures of many.

    false settle    declared on a record that never settles, or more than half a second before the regime in force had settled
    missed          not declared although some regime stayed settled for at least four minutes
    delay           from true settling to the declaration; to result: to the end of averaging; correct ones only
    covered         the mean is within U of the settled value; over all declared records that have one, false ones included
    interval score  width plus 2/0.05 times what is missing to cover, relative to the value

Source of the interval score: T. Gneiting and A. E. Raftery, Journal of the American Statistical Association 102 (2007) 359, eq. (43).
"""

from collections.abc import Sequence
from dataclasses import dataclass

from daq.settling.parameters import STANDARD, Parameters
from daq.settling.record import RecordVerdict, settle_record
from tests.startups.records import Regime, StartUp

_GRACE_S = 0.5
_ROOM_S = 240.0


@dataclass(frozen=True, slots=True)
class Judged:
    """One record's outcome.

    Attributes:
        name: Of the record.
        kind: Of the record.
        never: It never settles.
        declared: The rule called it settled and finished.
        false: A false settle.
        missed: A missed one.
        withdrawn: Declarations withdrawn before [1].
        delay_s: To the declaration; None unless correct.
        to_result_s: To the end of averaging; None unless correct.
        error: Of the mean, relative to the value [1]; None without a truth.
        u: Expanded uncertainty, relative to the value [1]; None without a truth.
        tolerance: Of the record [1].
    """

    name: str
    kind: str
    never: bool
    declared: bool
    false: bool
    missed: bool
    withdrawn: int
    delay_s: float | None
    to_result_s: float | None
    error: float | None
    u: float | None
    tolerance: float

    @property
    def covered(self) -> bool:
        """The mean is within U of the truth."""
        return (
            self.error is not None and self.u is not None and abs(self.error) <= self.u
        )

    @property
    def interval_score(self) -> float:
        """Relative to the value [1]; of a record with a truth."""
        if self.error is None or self.u is None:
            message = f"{self.name}: no truth to score against"
            raise ValueError(message)
        return 2.0 * self.u + 40.0 * max(0.0, abs(self.error) - self.u)


def judge(record: StartUp, parameters: Parameters = STANDARD) -> Judged:
    """Run the rule over the record and hold its verdict against the truth."""
    verdict = settle_record(
        record.times_s.tolist(),
        record.values.tolist(),
        tolerance=record.tolerance,
        resolution=record.resolution,
        parameters=parameters,
        find_smallest=False,
    )
    return hold_against_truth(record, verdict)


def hold_against_truth(record: StartUp, verdict: RecordVerdict) -> Judged:
    """The verdict in the words of this module."""
    reached = [r for r in record.regimes if r.settle_s is not None]
    regime = _in_force(record, verdict)
    late_s = _after_settling_s(regime, verdict)
    correct = late_s is not None and late_s >= -_GRACE_S and not record.never
    value = _truth(record, regime, reached, verdict)
    return Judged(
        name=record.name,
        kind=record.kind,
        never=record.never,
        declared=verdict.settled,
        false=verdict.settled and not correct,
        missed=not verdict.settled and _had_room(record, reached),
        withdrawn=verdict.provisional,
        delay_s=late_s if correct else None,
        to_result_s=_result_s(verdict, regime) if correct else None,
        error=None if value is None else (verdict.mean or 0.0) / value - 1.0,
        u=None if value is None else (verdict.expanded_uncertainty or 0.0) / abs(value),
        tolerance=record.tolerance,
    )


def _in_force(record: StartUp, verdict: RecordVerdict) -> Regime | None:
    at_s = verdict.declared_s
    if not verdict.settled or at_s is None:
        return None
    found = [r for r in record.regimes if r.from_s <= at_s <= r.to_s + _GRACE_S]
    return found[-1] if found else None


def _after_settling_s(regime: Regime | None, verdict: RecordVerdict) -> float | None:
    if regime is None or regime.settle_s is None or verdict.declared_s is None:
        return None
    return verdict.declared_s - regime.settle_s


def _result_s(verdict: RecordVerdict, regime: Regime | None) -> float | None:
    if regime is None or regime.settle_s is None or verdict.confirmed_s is None:
        return None
    return verdict.confirmed_s - regime.settle_s


def _truth(
    record: StartUp,
    regime: Regime | None,
    reached: Sequence[Regime],
    verdict: RecordVerdict,
) -> float | None:
    if not verdict.settled or record.never or not reached:
        return None
    return (regime or reached[-1]).value


def _had_room(record: StartUp, reached: Sequence[Regime]) -> bool:
    return not record.never and any(
        r.settle_s is not None and r.to_s - r.settle_s >= _ROOM_S for r in reached
    )
