"""Opens a port with one setting after another, collects what comes, and asks what changes nothing.

A thin shell around `daq.recognising`: that says which settings, which requests, and whether what came is enough; here
are only the port, the clock and the waiting. One line is open at a time, and between settings it is closed without its
control lines falling, for a meter that they power or reset would begin anew each time.

    line     an open port, and what it brought
    talking  meters that send lines by themselves, and masters that are overheard
    frames   meters that send binary frames by themselves
    units    Modbus units, and their registers
    queries  meters that answer a text
"""

from daq.runtime.listening.frames import FramesHeard, find_frames, record_frames
from daq.runtime.listening.line import Line, open_line
from daq.runtime.listening.queries import QueryFound, find_queries
from daq.runtime.listening.talking import listen
from daq.runtime.listening.units import (
    UnitFound,
    find_units,
    search_registers,
    sweep_registers,
)

__all__ = [
    "FramesHeard",
    "Line",
    "QueryFound",
    "UnitFound",
    "find_frames",
    "find_queries",
    "find_units",
    "listen",
    "open_line",
    "record_frames",
    "search_registers",
    "sweep_registers",
]
