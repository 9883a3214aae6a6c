"""The stages of a session, and the one table of what may follow what."""

from collections.abc import Mapping
from enum import StrEnum


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
}
