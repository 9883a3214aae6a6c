"""The bench behind the page, held by a test: what it shows is set by hand, what is asked of it is kept."""

import json
from dataclasses import replace

from daq.errors import OperationRefusedError
from daq.operations import Operation
from daq.runtime.snapshot import (
    AverageLine,
    ChannelLine,
    ClockLine,
    ComparisonLine,
    ConditionLine,
    DifferenceLine,
    EventLine,
    InstrumentLine,
    PartLine,
    SessionLine,
    SlipLine,
    Snapshot,
    StageLine,
    TrialLine,
)

NOW_S = 1000.0
SNAPSHOT = Snapshot(
    format=2,
    bench="leads",
    plan="leads",
    machine="Drying blower, 230 V",
    clock=ClockLine(NOW_S, "2026-01-05T10:12:13.120Z", 1.0),
    session=SessionLine(3, "running", 1, 2),
    stage=StageLine("settling", NOW_S - 20.0, 0.5, 35.0, "about 35 s more", "Settling."),
    instruction="Keep it running.",
    urgency="wait",
    condition=ConditionLine("2.5 mm², 25 m", 1, 2),
    trial=TrialLine(2, NOW_S - 60.0, NOW_S - 54.0, (NOW_S - 50.0, NOW_S), confirmed=False),
    channels=(
        ChannelLine(
            name="power", title="Power", quantity="power", unit="W", place="machine end", decimals=0, required=True,
            instrument="wattmeter", interval_s=1.0, value=1385.0, at_s=NOW_S, condition="ok",
            holding_back="it still drifts", mean=None, expanded_uncertainty=None,
        ),
        ChannelLine(
            name="air_temperature", title="Air temperature", quantity="temperature", unit="Cel", place="outlet",
            decimals=1, required=False, instrument="anemometer", interval_s=1.0, value=None, at_s=None,
            condition="silent", holding_back=None, mean=None, expanded_uncertainty=None,
        ),
    ),
    slip=(
        SlipLine(1, "at the outlet", 1, baseline=True, state="done", averages={"power": AverageLine(1417.0, 10.0, "W", 0)}, note=None, trial=1),
        SlipLine(2, "2.5 mm², 25 m", 1, baseline=False, state="running", averages={}, note="door open"),
    ),
    instruments=(InstrumentLine("wattmeter", "ports/mains", "ok", "a reading every 1 s", 12, 0),),
    store=PartLine("ok", ""),
    broker=PartLine("ok", "connected to 127.0.0.1:1883"),
    alarms=(),
    events=(EventLine("2026-01-05T10:12:01.100Z", 990.0, "at the outlet: switched off, the trial is complete."),),
    comparison=ComparisonLine(
        1,
        (DifferenceLine("2.5 mm², 25 m", "power", -32.0, 14.0, "W", 0, -2.3, "real", "It takes 32 W less."),),
        ("Too early to say more.",),
    ),
)  # fmt: skip
IDLE = replace(
    SNAPSHOT,
    plan="",
    machine="",
    session=None,
    stage=StageLine("idle", None, None, None, "", "No session is running."),
    instruction="Start a session.",
    condition=None,
    trial=None,
    slip=(),
    comparison=None,
)
TRACE = {"power": {"t": [998.0, 999.0, 1000.0], "v": [1384.0, None, 1385.0]}}
FUNNEL = {"power": {"tolerance": 14.0, "t": [960.0, 970.0], "mean": [1390.0, 1386.0], "bound": [None, 20.0]}}  # fmt: skip
PLAN = {
    "name": "leads", "file": "leads.toml", "machine": "Drying blower, 230 V", "conditions": ["at the outlet", "2.5 mm², 25 m"],
    "trials": 2, "fault": None,
    "unfinished": {"session": 3, "done": 1, "total": 2, "last_utc": "2026-01-05T10:12:13.120Z", "another_day": False},
}  # fmt: skip
BROKEN_PLAN = {
    "name": "filters", "file": "filters.toml", "machine": "", "conditions": [], "trials": 0,
    "fault": "filters.toml:3: machine: is missing", "unfinished": None,
}  # fmt: skip
SESSION = {
    "session": 1, "plan": "leads", "machine": "Drying blower, 230 V", "started_utc": "2026-01-04T09:00:00.000Z",
    "ended_utc": "2026-01-04T09:40:00.000Z", "state": "finished", "trials": 2, "finished": 2,
}  # fmt: skip
STORED = replace(
    SNAPSHOT,
    session=SessionLine(1, "finished", 2, 2),
    stage=StageLine("stored", None, None, None, "", "A stored session."),
    instruction="Stored session 1.",
    condition=None,
    trial=None,
)
STORED_TRIALS = [
    {
        "trial": 1, "position": 1, "condition": "at the outlet", "repeat": 1, "attempt": 1, "state": "finished",
        "started_s": 100.0, "ended_s": 220.0, "started_utc": "2026-01-04T09:05:00.000Z", "run_up_end_s": 110.0,
        "window_s": [120.0, 200.0], "note": "",
    },
    {
        "trial": 2, "position": 2, "condition": "2.5 mm², 25 m", "repeat": 1, "attempt": 1, "state": "unfinished",
        "started_s": 300.0, "ended_s": 310.0, "started_utc": "2026-01-04T09:08:20.000Z", "run_up_end_s": None,
        "window_s": None, "note": "switched off",
    },
]  # fmt: skip
TRIAL_TRACE = {
    "trial": 1, "started_s": 100.0, "window_s": [120.0, 200.0],
    "channels": {"power": {"t": [100.0, 101.0], "v": [1400.0, 1401.0]}},
}  # fmt: skip


class FakeFace:
    """What the page sees of a bench, without the bench.

    Attributes:
        snapshot: What `state` shows; set another one, then push what changed.
        operations: What was asked, each with the way it came.
        refusal: Raised by `operate` while it is set.
        answer: What `operate` says otherwise.
        plans_on_offer, stored_sessions, stored, stored_trials, trial_traces: What is on the shelf.
    """

    def __init__(self, snapshot: Snapshot = SNAPSHOT) -> None:
        self.snapshot = snapshot
        self.recent: dict[str, object] = dict(TRACE)
        self.funnels: dict[str, object] = dict(FUNNEL)
        self.operations: list[tuple[Operation, str]] = []
        self.refusal: OperationRefusedError | None = None
        self.answer = "Done as asked."
        self.plans_on_offer: list[object] = [PLAN, BROKEN_PLAN]
        self.stored_sessions: list[object] = [SESSION]
        self.stored: dict[int, Snapshot] = {1: STORED}
        self.stored_trials: dict[int, list[object]] = {1: list(STORED_TRIALS)}
        self.trial_traces: dict[tuple[int, int], dict[str, object]] = {
            (1, 1): TRIAL_TRACE
        }

    def state(self) -> str:
        return self.snapshot.as_json()

    async def trace(self) -> str:
        return _answer(channels=self.recent)

    async def funnel(self) -> str:
        return _answer(channels=self.funnels)

    async def plans(self) -> str:
        return _answer(plans=self.plans_on_offer)

    async def sessions(self) -> str:
        return _answer(sessions=self.stored_sessions)

    async def session(self, number: int) -> str | None:
        if number not in self.stored:
            return None
        snapshot = json.loads(self.stored[number].as_json())
        return _answer(snapshot=snapshot, trials=self.stored_trials[number])

    async def trial_trace(self, session: int, trial: int) -> str | None:
        found = self.trial_traces.get((session, trial))
        return None if found is None else _answer(**found)

    async def operate(self, operation: Operation, *, way: str) -> str:
        self.operations.append((operation, way))
        if self.refusal is not None:
            raise self.refusal
        return self.answer


def _answer(**parts: object) -> str:
    return json.dumps({"format": 1, **parts}, ensure_ascii=False)
