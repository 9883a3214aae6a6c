"""Modbus RTU: registers of one unit, polled with functions 3 and 4.

`registers` knows where values lie and how they are packed, `replies` judges what came
back, `polling` is the state machine between them. Written from Modbus over Serial Line
V1.02 and the Modbus Application Protocol V1.1b3.
"""

from daq.protocols.modbus_rtu.polling import ModbusRtu
from daq.protocols.modbus_rtu.registers import Block, RegisterField, plan_blocks

__all__ = ["Block", "ModbusRtu", "RegisterField", "plan_blocks"]
