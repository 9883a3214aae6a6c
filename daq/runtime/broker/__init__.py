"""The broker's side: publishing over MQTT 3.1.1, hearing what is asked, following, and a broker of our own.

README.md, "Over MQTT", tells every topic with its QoS, every key, and what a follower has to reckon with. In short, below
`steadybench/<bench>/`:

==================== === ======== ==========================================================
topic                QoS retained payload
==================== === ======== ==========================================================
status               1   yes      online or offline; offline is also the last will, and is
                                  published on a clean end (a broker sends no will then).
bench                1   yes      What is there: instruments and channels.
state                1   yes      Where the session stands, or that the bench is idle; at
                                  most four times a second, the newest in the end.
slip                 1   yes      The order of the session with what came of each line.
live/<instrument>    0   no       A SenML pack (RFC 8428) for each reading. When packs cannot
                                  be sent in time the newest wins; the dropped are counted.
result               1   no       One trial that has ended. Kept in the store until the broker
                                  has acknowledged it: at least once, in order.
health               0   yes      How store, instruments and publishing fare.
ask                  1   never    An operation that is asked for; heard only where the bench
                                  file allows it, see asking.py.
answer               1   no       What became of it.
==================== === ======== ==========================================================

Payloads are UTF-8 JSON, rendered by `daq.messages`. Retained messages are published again after each reconnect. The QoS
is that of publishing; the embedded broker delivers with the QoS that the subscriber asked for.
"""

from daq.runtime.broker.asking import Asking
from daq.runtime.broker.connection import Incoming, TlsSettings
from daq.runtime.broker.embedded import HOST as EMBEDDED_HOST
from daq.runtime.broker.embedded import EmbeddedBroker
from daq.runtime.broker.follower import Follower
from daq.runtime.broker.publisher import BrokerState, Outbox, Publisher

__all__ = [
    "EMBEDDED_HOST",
    "Asking",
    "BrokerState",
    "EmbeddedBroker",
    "Follower",
    "Incoming",
    "Outbox",
    "Publisher",
    "TlsSettings",
]
