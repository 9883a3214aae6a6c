"""A snapshot in which everything is called by one name, which may be made up to do harm."""

import dataclasses

from daq.runtime.snapshot import AlarmLine, EventLine, PartLine, Snapshot


def named(snapshot: Snapshot, text: str) -> Snapshot:
    """A snapshot in which everything is called so."""
    return dataclasses.replace(
        snapshot,
        bench=text,
        plan=text,
        machine=text,
        instruction=text,
        stage=dataclasses.replace(snapshot.stage, sentence=text),
        channels=tuple(
            dataclasses.replace(c, title=text, place=text, holding_back=text)
            for c in snapshot.channels
        ),
        slip=tuple(
            dataclasses.replace(line, condition=text, note=text)
            for line in snapshot.slip
        ),
        instruments=tuple(
            dataclasses.replace(i, text=text, state="lost")
            for i in snapshot.instruments
        ),
        store=PartLine("failing", text),
        broker=PartLine("away", text),
        alarms=(AlarmLine(text, 1.0),),
        events=(EventLine("2026-01-05T10:12:01.100Z", 990.0, text),),
    )
