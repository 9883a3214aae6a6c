"""One column of times and one of values out of delimited text: a meter's own log, or any CSV file (RFC 4180).

Knows no file and decides nothing about settling: bytes in, numbers out. Its rules:

- UTF-8, with or without a byte-order mark; UTF-16 and UTF-32 with one; any other encoding that is named. Columns are
  parted by tabs, semicolons or commas. Blank lines, and lines that begin with # above the first row, are skipped.
- Where tabs or semicolons part the columns, a decimal comma is understood. The first decimal sign that a column
  shows holds for all of it, so that a thousands separator beside it is refused rather than misread.
- Nothing is repaired or left out in silence: what is no finite number is refused with its line. Gaps in time are
  nobody's fault, repeated times are kept, times that go backwards are refused.

    place    errors that say where they are
    decoded  bytes into text
    rows     text into rows of fields
    figures  fields into numbers and seconds
    columns  which column is the time, which the value
    log      all of it together
"""

from daq.delimited.log import MeterLog, parse_log

__all__ = ["MeterLog", "parse_log"]
