"""What the API answers: the records whose schemas describe it, and the answers that the page's server makes itself.

State, traces, plans and stored sessions come from the bench behind the page as ready texts of these forms.
"""

import json
from dataclasses import asdict, dataclass
from typing import Literal

from starlette.responses import Response

from daq.errors import Refusal
from daq.runtime.snapshot import Snapshot

MOST_BODY_BYTES = 64 * 1024


@dataclass(frozen=True, slots=True)
class Series:
    """Readings of one channel: bench times [s] and values [unit of the channel]; null where none came."""

    t: list[float]
    v: list[float | None]


@dataclass(frozen=True, slots=True)
class Trace:
    """Recent readings by channel."""

    channels: dict[str, Series]
    format: Literal[1] = 1


@dataclass(frozen=True, slots=True)
class FunnelSeries:
    """How one channel comes to settle: tolerance, and by bench time [s] the mean and the half width still open."""

    tolerance: float
    t: list[float]
    mean: list[float | None]
    bound: list[float | None]


@dataclass(frozen=True, slots=True)
class Funnel:
    """The funnel of every required channel of the trial in hand."""

    channels: dict[str, FunnelSeries]
    format: Literal[1] = 1


@dataclass(frozen=True, slots=True)
class Links:
    """Links with keys in them: `operate` makes an operator of whoever opens it, `read` a reader."""

    operate: str
    read: str
    format: Literal[1] = 1


@dataclass(frozen=True, slots=True)
class UnfinishedSession:
    """A session of a plan that can be taken up again; `another_day` asks for answers first."""

    session: int
    done: int
    total: int
    last_utc: str
    another_day: bool


@dataclass(frozen=True, slots=True)
class OfferedPlan:
    """A plan that a session can be started with, or what is wrong with it."""

    name: str
    file: str
    machine: str
    conditions: list[str]
    trials: int
    fault: str | None
    unfinished: UnfinishedSession | None


@dataclass(frozen=True, slots=True)
class Plans:
    """All plans on offer."""

    plans: list[OfferedPlan]
    format: Literal[1] = 1


@dataclass(frozen=True, slots=True)
class SessionOutline:
    """A stored session in a line."""

    session: int
    plan: str
    machine: str
    started_utc: str
    ended_utc: str | None
    state: str
    trials: int
    finished: int


@dataclass(frozen=True, slots=True)
class Sessions:
    """Stored sessions, newest first."""

    sessions: list[SessionOutline]
    format: Literal[1] = 1


@dataclass(frozen=True, slots=True)
class StoredTrial:
    """A trial of a stored session; times in bench seconds, null where it did not come so far."""

    trial: int
    position: int
    condition: str
    repeat: int
    attempt: int
    state: str
    started_s: float
    ended_s: float | None
    started_utc: str
    run_up_end_s: float | None
    window_s: tuple[float, float] | None
    note: str | None


@dataclass(frozen=True, slots=True)
class StoredSession:
    """A stored session as the page shows it."""

    snapshot: Snapshot
    trials: list[StoredTrial]
    format: Literal[1] = 1


@dataclass(frozen=True, slots=True)
class TrialTrace:
    """Readings of one stored trial, at most 1200 a channel."""

    trial: int
    started_s: float
    window_s: tuple[float, float] | None
    channels: dict[str, Series]
    format: Literal[1] = 1


@dataclass(frozen=True, slots=True)
class ReadingEvent:
    """Event `reading`: what one instrument has said; null where a value did not come."""

    instrument: str
    at_s: float
    values: dict[str, float | None]


@dataclass(frozen=True, slots=True)
class BeatEvent:
    """Event `beat`: bench time, every second."""

    now_s: float


@dataclass(frozen=True, slots=True)
class FunnelEvent:
    """Event `funnel`: one more bin of one channel; tolerance and bound are half widths [unit of the channel]."""

    channel: str
    tolerance: float
    at_s: float
    mean: float | None
    bound: float | None


@dataclass(frozen=True, slots=True)
class Access:
    """What the one who asks may do here.

    Attributes:
        may_operate: False also for an operator whose way here can be read along.
        secure: Whether nobody on the way can read along.
        notice: What should be known about it; empty where there is nothing to say.
    """

    role: Literal["none", "reader", "operator"]
    may_operate: bool
    listener: Literal["loopback", "network", "socket"]
    secure: bool
    notice: str
    format: Literal[1] = 1


@dataclass(frozen=True, slots=True)
class Done:
    """What was done."""

    text: str
    format: Literal[1] = 1


@dataclass(frozen=True, slots=True)
class Refused:
    """Why it cannot be done now; `refused` is a word for programs."""

    refused: Refusal
    text: str
    format: Literal[1] = 1


@dataclass(frozen=True, slots=True)
class Trouble:
    """Why a request is not served."""

    text: str
    format: Literal[1] = 1


Made = Access | Done | Links | Refused | Trouble


def json_response(answer: Made, *, status: int = 200) -> Response:
    """An answer of the server's own."""
    return json_text(
        json.dumps({"format": answer.format, **asdict(answer)}), status=status
    )


def json_text(text: str, *, status: int = 200) -> Response:
    """A ready text; read anew each time, for it is true at one moment only."""
    return Response(
        text,
        status_code=status,
        media_type="application/json",
        headers={"cache-control": "no-store"},
    )
