"""The broker's side: publishing over MQTT 3.1.1, and a broker of our own where none is named.

All topics lie below `steadybench/<bench>/`. In names, what a topic level cannot hold (+ # / and control characters)
becomes "_". Payloads are UTF-8 JSON, rendered by `daq.messages`.

==================== === ======== ====================================================
topic                QoS retained payload
==================== === ======== ====================================================
status               1   yes      {"format": 1, "state": "online" | "offline"}; offline
                                  is also the last will, and is published on a clean
                                  end (a broker sends no will then).
bench                1   yes      What is there: "bench", "software", "speed" (bench
                                  seconds a real second), "instruments" (name, title,
                                  topic), "channels" (name, title, quantity, unit,
                                  place, instrument, field_index, accuracy,
                                  interval_s).
state                1   yes      Where the session stands: "at_utc", "stage",
                                  "instruction", "condition", "trial", "done", "total";
                                  condition and trial are null outside a session.
live/<instrument>    0   no       A SenML pack (RFC 8428, application/senml+json) for
                                  each reading: base name "<bench>:<instrument>:", base
                                  time in UTC seconds (none, meaning now, while the
                                  computer's clock is unset), a record a channel in units of
                                  the SenML registry; a value that is missing is left
                                  out. The last record, "expected_interval" [s of the
                                  bench], tells when the pack is old. When packs cannot
                                  be sent in time the newest wins; the dropped are
                                  counted in health.
result               1   no       One trial that has ended: JSON with the schema
                                  `daq.messages.result_schema()`; "id" names the trial.
                                  Kept in the store until the broker has acknowledged
                                  it: at least once, in order; a repeat has the same id
                                  and revision. A trial that breaks a limit after it was
                                  confirmed is told once more under its id with the next
                                  revision: the highest holds.
health               0   yes      "at_utc", "store_state", "store_text", "live_dropped",
                                  "instruments" (name, state, text, readings, gaps).
==================== === ======== ====================================================

Retained messages are published again after each reconnect. Every payload but live/ has
"format", a number that rises when a key is added, renamed or dropped. The QoS is that of
publishing; the embedded broker delivers with the QoS that the subscriber asked for.
"""

from daq.runtime.broker.connection import TlsSettings
from daq.runtime.broker.embedded import HOST as EMBEDDED_HOST
from daq.runtime.broker.embedded import EmbeddedBroker
from daq.runtime.broker.publisher import BrokerState, Outbox, Publisher

__all__ = [
    "EMBEDDED_HOST",
    "BrokerState",
    "EmbeddedBroker",
    "Outbox",
    "Publisher",
    "TlsSettings",
]
