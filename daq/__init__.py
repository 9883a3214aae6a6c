"""Reads bench meters over serial lines, waits until a machine has settled, averages with an uncertainty.

The way of one reading, from byte to exported average, is told in DEVELOPERS.md.
"""

__version__ = "0.1.0"
