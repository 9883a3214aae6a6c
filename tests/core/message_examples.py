"""One example of each message, made by the program: README shows them, and tests take them apart again."""

from collections.abc import Mapping

from daq.messages import (
    AlarmTold,
    Answer,
    AverageTold,
    BenchFacts,
    BenchState,
    Health,
    InstrumentFacts,
    InstrumentHealth,
    LineTold,
    SessionTold,
    Slip,
    Topics,
    render_answer,
    render_ask,
    render_description,
    render_health,
    render_live,
    render_result,
    render_slip,
    render_state,
    render_status,
)
from daq.records import (
    Accuracy,
    Channel,
    PlannedTrial,
    Reading,
    SessionFacts,
    TrialAverage,
    TrialResult,
    TrialState,
    Window,
)

TOPICS = Topics(bench="leads")
SOFTWARE = "steadybench 0.1.0, rule 1"
# 2026-01-05T10:12:13.25Z; seconds counted by hand: 20 458 days after 1970-01-01.
UTC_S = 20_458 * 86_400 + 10 * 3600 + 12 * 60 + 13.25
ASK_ID = "7c9e6679-7425-40de-944b-e07fc1f90ae7"

POWER = Channel(
    name="power",
    title="Power",
    quantity="power",
    unit="W",
    place="machine end",
    instrument="meter-1",
    field_index=0,
    accuracy=Accuracy(percent_of_reading=0.5, resolution=0.1),
    interval_s=0.5,
)
FACTS = BenchFacts(
    bench="leads",
    software=SOFTWARE,
    speed=1.0,
    instruments=(InstrumentFacts("meter-1", "AC meter"),),
    channels=(POWER,),
)
SESSION = SessionTold(
    number=3,
    plan="leads",
    machine="Drying blower",
    state="running",
    required=("power",),
)
STATE = BenchState(
    at_utc="2026-01-05T10:12:13.250Z",
    stage="averaging",
    instruction="Keep it running.",
    condition="1.5 mm2, 25 m",
    trial=2,
    done=1,
    total=4,
    seconds_left=45.0,
    skipped=0,
    urgency="wait",
    session=SESSION,
    alarms=(AlarmTold("Lead warm.", "2026-01-05T10:12:01.000Z"),),
)
IDLE = BenchState(
    at_utc="2026-01-05T12:00:00.000Z",
    stage="idle",
    instruction="The bench is idle.",
    condition=None,
    trial=None,
    done=0,
    total=0,
)
SLIP = Slip(
    session=3,
    lines=(
        LineTold(
            position=1,
            condition="at the outlet",
            repeat=1,
            baseline=True,
            state="done",
            note="",
            averages=(AverageTold("power", "W", 1385.5, 7.9),),
        ),
        LineTold(
            position=2,
            condition="1.5 mm2, 25 m",
            repeat=1,
            baseline=False,
            state="running",
            note="",
            averages=(),
        ),
    ),
)
HEALTH = Health(
    at_utc="2026-01-05T10:12:13.250Z",
    store_state="ok",
    store_text="",
    live_dropped=0,
    instruments=(InstrumentHealth("meter-1", "ok", "a reading every 0.5 s", 1812, 3),),
    uptime_s=912.4,
    software=SOFTWARE,
)
RESULT = TrialResult(
    trial_id="0b0e6a5e-3f6e-4f0e-9a51-0d6a0d1c2b3a",
    planned=PlannedTrial(
        position=1, condition="at the outlet", repeat=1, baseline=True
    ),
    attempt=1,
    state=TrialState.FINISHED,
    started_s=100.0,
    ended_s=195.0,
    averages=(
        TrialAverage(
            channel="power",
            unit="W",
            required=True,
            mean=1385.5,
            plain_mean=1385.25,
            std_uncertainty_type_a=0.5,
            degrees_of_freedom_a=29.5,
            std_uncertainty_type_b=4.0,
            std_uncertainty=4.03,
            degrees_of_freedom=float("inf"),
            coverage_factor=1.96,
            expanded_uncertainty=7.9,
            count=60,
            effective_count=30.5,
            window=Window(130.0, 190.0),
        ),
    ),
)
STORED = SessionFacts(
    session_id="5b7f1c8e-93f4-4f5c-8a57-2e1f3f2ad901",
    number=3,
    bench="leads",
    plan="leads",
    machine="Drying blower",
    started_utc="2026-01-05T10:00:00Z",
    speed=1.0,
    software=SOFTWARE,
)

EXAMPLES: Mapping[str, str] = {
    "status": render_status(online=True),
    "bench": render_description(FACTS, TOPICS),
    "state": render_state(STATE),
    "slip": render_slip(SLIP),
    "live": render_live(
        Reading("meter-1", 812.5, (1386.2,)),
        bench="leads",
        channels=(POWER,),
        utc_s=UTC_S,
    ),
    "result": render_result(
        RESULT,
        STORED,
        revision=1,
        started_utc="2026-01-05T10:12:13.250Z",
        decided_utc="2026-01-05T10:13:43.250Z",
    ),
    "health": render_health(HEALTH),
    "ask": render_ask(
        ASK_ID,
        sent_utc="2026-01-05T10:12:13Z",
        operation="skip",
        details={"reason": "the lead is on another job"},
    ),
    "answer": render_answer(
        Answer(ASK_ID, taken=True, text="1.5 mm2, 25 m: left out.")
    ),
}
"""By the level of the topic below the bench."""
