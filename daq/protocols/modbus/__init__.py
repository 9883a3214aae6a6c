"""Modbus over a serial line: registers of one unit, polled with functions 3 and 4.

`registers` knows where values lie and how they are packed, `answers` what a whole answer
says whichever way it was framed, `rtu` and `ascii` know one framing each, `polling` is
the state machine under both. Written from Modbus over Serial Line V1.02 and the Modbus
Application Protocol V1.1b3.
"""

from daq.protocols.modbus.ascii import ModbusAscii
from daq.protocols.modbus.registers import Block, RegisterField, plan_blocks
from daq.protocols.modbus.rtu import ModbusRtu

__all__ = ["Block", "ModbusAscii", "ModbusRtu", "RegisterField", "plan_blocks"]
