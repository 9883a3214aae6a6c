"""What is told over MQTT: topics, payloads, the schema of a result; and the same taken apart again.

Knows no broker, no socket and no clock: records and ready-made UTC times go in, text
comes out, and the other way round. README.md, "Over MQTT", describes every message.

Rules:

- Every payload is JSON without NaN or infinity (RFC 8259 has neither). Each carries
  FORMAT, but for live readings, whose form is that of RFC 8428 (SenML).
- A key with a dimension ends in its unit; a figure of a channel is in the `unit` beside
  it; only live readings are converted, to the units that SenML registers.
- Within a FORMAT keys may be added, optional ones in a result's schema; a reader ignores
  keys that it does not know. Renaming or dropping a key, or changing what it means, raises FORMAT.
- What is asked of the bench is the exception: there an unknown key is refused.
- What was received is never believed: see form.py.
"""

from daq.messages.asked import (
    ASKABLE,
    Answer,
    Ask,
    AsksTaken,
    ask_id_of,
    parse_answer,
    parse_ask,
    render_answer,
    render_ask,
    utc_s_of,
)
from daq.messages.followed import (
    FollowedBench,
    FollowedChannel,
    FollowedResult,
    parse_description,
    parse_health,
    parse_result,
    parse_slip,
    parse_state,
    parse_status,
)
from daq.messages.form import FORMAT, parse_json, printable
from daq.messages.live import EXPECTED_INTERVAL, LivePack, parse_live, render_live
from daq.messages.result import render_result, result_schema
from daq.messages.told import (
    AlarmTold,
    AverageTold,
    BenchFacts,
    BenchState,
    Health,
    InstrumentFacts,
    InstrumentHealth,
    LineTold,
    SessionTold,
    Slip,
    render_description,
    render_health,
    render_slip,
    render_state,
    render_status,
)
from daq.messages.topics import ROOT, About, Topics

__all__ = [
    "ASKABLE",
    "EXPECTED_INTERVAL",
    "FORMAT",
    "ROOT",
    "About",
    "AlarmTold",
    "Answer",
    "Ask",
    "AsksTaken",
    "AverageTold",
    "BenchFacts",
    "BenchState",
    "FollowedBench",
    "FollowedChannel",
    "FollowedResult",
    "Health",
    "InstrumentFacts",
    "InstrumentHealth",
    "LineTold",
    "LivePack",
    "SessionTold",
    "Slip",
    "Topics",
    "ask_id_of",
    "parse_answer",
    "parse_ask",
    "parse_description",
    "parse_health",
    "parse_json",
    "parse_live",
    "parse_result",
    "parse_slip",
    "parse_state",
    "parse_status",
    "printable",
    "render_answer",
    "render_ask",
    "render_description",
    "render_health",
    "render_live",
    "render_result",
    "render_slip",
    "render_state",
    "render_status",
    "result_schema",
    "utc_s_of",
]
