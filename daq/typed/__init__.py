"""Channels of meters without a port, whose readings the operator types: when they are asked for, what is doubted, what they average to.

Knows no session and no screen. Times come in as arguments; what was typed comes in as text.
"""

from daq.typed.askings import Asking as Asking
from daq.typed.askings import Askings as Askings
from daq.typed.collected import LEAST_READINGS as LEAST_READINGS
from daq.typed.collected import TakenBack as TakenBack
from daq.typed.collected import TypedAt as TypedAt
from daq.typed.collected import TypedReadings as TypedReadings
from daq.typed.entry import Display as Display
from daq.typed.entry import Entry as Entry
from daq.typed.entry import doubts_about as doubts_about
from daq.typed.entry import parse_entry as parse_entry
