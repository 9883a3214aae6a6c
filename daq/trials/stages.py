"""The stages of a session, the one table of what may follow what, and the record of something that happened."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from daq.records import PlannedTrial, TrialResult
from daq.settling.verdicts import HeldBackBy
from daq.trials.limits import Breach


class Stage(StrEnum):
    """Where the session stands."""

    WAITING = "waiting"
    RUNNING_UP = "running-up"
    SETTLING = "settling"
    AVERAGING = "averaging"
    DONE = "done"
    NOT_SETTLED = "not-settled"
    LIMIT = "limit"
    FINISHED = "finished"


class Happening(StrEnum):
    """What can move a session from stage to stage."""

    SWITCHED_ON = "switched on"
    RUN_UP_OVER = "run-up over"
    DECLARED = "declared settled, provisionally"
    WITHDRAWN = "declaration withdrawn"
    CONFIRMED = "settled, confirmed"
    TIME_UP = "longest time is up"
    LIMIT_BROKEN = "limit broken"
    OFF_MORE_TO_COME = "switched off, more to come"
    OFF_LAST = "switched off, nothing left"
    SKIPPED_LAST = "left out, nothing left"
    ASKED_AGAIN = "asked for again"


SWITCHED_OFF = frozenset({Happening.OFF_MORE_TO_COME, Happening.OFF_LAST})
RUNNING = (Stage.RUNNING_UP, Stage.SETTLING, Stage.AVERAGING)
OVER = (Stage.DONE, Stage.NOT_SETTLED, Stage.LIMIT)

TRANSITIONS: Mapping[tuple[Stage, Happening], Stage] = {
    (Stage.WAITING, Happening.SWITCHED_ON): Stage.RUNNING_UP,
    (Stage.RUNNING_UP, Happening.RUN_UP_OVER): Stage.SETTLING,
    (Stage.SETTLING, Happening.DECLARED): Stage.AVERAGING,
    (Stage.AVERAGING, Happening.WITHDRAWN): Stage.SETTLING,
    (Stage.AVERAGING, Happening.CONFIRMED): Stage.DONE,
    **{(stage, Happening.TIME_UP): Stage.NOT_SETTLED for stage in RUNNING},
    **{
        (stage, Happening.LIMIT_BROKEN): Stage.LIMIT
        for stage in (*RUNNING, Stage.DONE, Stage.NOT_SETTLED)
    },
    # Too soon: the condition is asked for again.
    **{
        (stage, Happening.OFF_MORE_TO_COME): Stage.WAITING
        for stage in (*RUNNING, *OVER)
    },
    **{(stage, Happening.OFF_LAST): Stage.FINISHED for stage in OVER},
    # The operator's doing. A pause is no stage: it lets nothing begin, and what waits goes on waiting.
    (Stage.WAITING, Happening.SKIPPED_LAST): Stage.FINISHED,
    (Stage.FINISHED, Happening.ASKED_AGAIN): Stage.WAITING,
}


@dataclass(frozen=True, slots=True)
class Occurrence:
    """Something that happened, for the store, the screens and the log.

    Attributes:
        stage: After it.
        happening: What moved the session; None where only the trial's record changed.
        at_s: When [s].
        planned: The line of the order concerned.
        attempt: [1] of that line.
        trial_id: UUID of the running trial; empty where there is none.
        result: The trial as it ended or was confirmed.
        breach: The limit that was broken.
        reason: Why a declaration was withdrawn, or a trial given up before its time.
        channels: Those that a declaration was withdrawn for.
        missed: Title of the channel whose reading was not typed in time; empty where none is told of.
        typed: Readings that were typed in the trial so far, and those of them that count after this [1].
    """

    stage: Stage
    happening: Happening | None
    at_s: float
    planned: PlannedTrial | None
    attempt: int = 1
    trial_id: str = ""
    result: TrialResult | None = None
    breach: Breach | None = None
    reason: HeldBackBy | None = None
    channels: tuple[str, ...] = ()
    missed: str = ""
    typed: tuple[int, int] = (0, 0)
