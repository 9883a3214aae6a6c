"""Targets: lines of text, asked for or not, with a checksum or without, with the query sent back or not."""

import re
from collections.abc import Callable, Sequence
from functools import partial

from daq.checksums import NAMED, LineChecksum
from daq.protocols.query_lines import LineField, QueryLines
from daq.protocols.streamed_lines import StreamedLines, StreamField
from tests.fuzz.conversing import CHAR_S, INSTRUMENT, Fresh, Meter, talk_to
from tests.fuzz.judging import (
    SILENCE_S,
    TIMEOUT_S,
    PollWitness,
    StreamWitness,
)
from tests.fuzz.witnesses import (
    Values,
    crc_of_ccitt,
    figures_in,
    plain_text,
    xor_of,
)

LONGEST_LINE = 40

_REQUEST = b"MEAS?\r\n"
_QUERY_RANGES = ((0.0, 300.0), (None, None), (None, 1e6))
_XOR = LineChecksum(NAMED["xor8"], start=b"$", separator=b"*")
_CCITT = LineChecksum(NAMED["crc16-ccitt"], separator=b" ")


def _reply_line(heard: bytes, *, echo: bool = False) -> bytes | None:
    """The only line that came, without its end."""
    query = _REQUEST.rstrip(b"\r\n")
    if echo and heard.startswith((query + b"\r", query + b"\n")):
        heard = heard[len(query) :].lstrip(b"\r\n")
    line, end, behind = heard.partition(b"\n")
    is_alone = bool(end) and not behind.strip(b"\r\n")
    return line if is_alone and len(line) <= LONGEST_LINE else None


def read_query(heard: bytes, *, echo: bool = False) -> Values | None:
    """Four parts, of which the first, the second and the last are numbers."""
    line = _reply_line(heard, echo=echo)
    text = None if line is None else plain_text(line)
    parts = [] if text is None else text.split(",")
    return figures_in([parts[0], parts[1], parts[3]]) if len(parts) == 4 else None


def covered_by_xor(line: bytes) -> bytes | None:
    """`$...*HH` with the exclusive-or of what stands between."""
    match = re.fullmatch(rb"\$(.*)\*([0-9A-Fa-f]{2}) *", line.strip(b"\r\n"), re.DOTALL)
    is_sound = match is not None and int(match[2], 16) == xor_of(match[1])
    return match[1] if match and is_sound else None


def covered_by_ccitt(line: bytes) -> bytes | None:
    """`... HHHH` with the CRC of what stands before the blank."""
    match = re.fullmatch(rb"(.*) ([0-9A-Fa-f]{4}) *", line.strip(b"\r\n"), re.DOTALL)
    is_sound = match is not None and int(match[2], 16) == crc_of_ccitt(match[1])
    return match[1] if match and is_sound else None


def read_checked_query(heard: bytes) -> Values | None:
    """`$addr7,number,number*HH`; the address is checked too."""
    line = _reply_line(heard)
    covered = None if line is None else covered_by_xor(line)
    text = None if covered is None else plain_text(covered)
    if text is None or not text.startswith("07,"):
        return None
    parts = text[3:].split(",")
    return figures_in(parts) if len(parts) == 2 else None


def seal_xor(body: bytes) -> bytes:
    return b"$" + body + b"*%02X\r\n" % xor_of(body)


def seal_ccitt(body: bytes) -> bytes:
    return body + b" %04X\r\n" % crc_of_ccitt(body)


def seal_line(body: bytes) -> bytes:
    return body + b"\r\n"


def _query(*, echo: bool) -> Meter:
    fields = [
        LineField(name, place, low=low, high=high)
        for name, place, (low, high) in zip(
            ("v", "i", "p"), (0, 1, 3), _QUERY_RANGES, strict=True
        )
    ]
    return Meter(
        make=Fresh(
            QueryLines(
                instrument=INSTRUMENT,
                request=_REQUEST,
                fields=fields,
                expected_count=4,
                reply_timeout_s=TIMEOUT_S,
                char_s=CHAR_S,
                max_line=LONGEST_LINE,
                echo=echo,
            ),
        ),
        witness=partial(PollWitness, partial(read_query, echo=echo), _QUERY_RANGES),
        seal=seal_line,
        most_kept=LONGEST_LINE + len(_REQUEST),
        is_streamed=False,
    )


_QUERIES = (_query(echo=False), _query(echo=True))


def query_lines(script: bytes) -> None:
    """One line that answers a question."""
    talk_to(_QUERIES, script)


def _cut_lines(
    heard: bytes, begun: int, *, terminator: bytes
) -> tuple[list[bytes], int]:
    """Whole lines: what stands before the first end may be half a line."""
    if not begun:
        first_end = heard.find(terminator)
        if first_end < 0:
            return [], 0
        begun = first_end + len(terminator)
    *lines, rest = heard[begun:].split(terminator)
    kept = [line for line in lines if len(line) <= LONGEST_LINE]
    return kept, len(heard) - len(rest)


_OVER = ("OL", "-OL")


def _figures_or_over(texts: Sequence[str]) -> Values | None:
    return figures_in("9.9E37" if t.strip(" ") in _OVER else t for t in texts)


def value_in_narrow(line: bytes) -> Values | None:
    """`+230.1 V  +1.234 A`, to the character."""
    text = plain_text(line) or ""
    if len(text) != 17 or text[6:10] != " V  " or text[15:] != " A":
        return None
    volts, amps = text[:6], text[10:15]
    is_narrow = (volts[0] + amps[:1]).strip("+-") == "" and (volts[4] + amps[2]) == ".."
    digits = volts[1:4] + volts[5] + amps[1] + amps[3:]
    if not (is_narrow and digits.isascii() and digits.isdigit()):
        return None
    return float(volts), float(amps)


def value_in_wide(line: bytes) -> Values | None:
    """Anything at all, a semicolon, anything: what is a number there is left to the reader of numbers."""
    text = plain_text(line) or ""
    # The pattern is greedy: the last semicolon parts the two.
    first, semicolon, second = text.rpartition(";")
    return _figures_or_over((first, second)) if semicolon else None


def value_in_checked(line: bytes) -> Values | None:
    """`number,number CCCC`."""
    covered = covered_by_ccitt(line)
    text = None if covered is None else plain_text(covered)
    parts = [] if text is None else text.split(",")
    return _figures_or_over(parts) if len(parts) == 2 else None


def _stream(
    pattern: str,
    value_in: Callable[[bytes], Values | None],
    seal: Callable[[bytes], bytes],
    *,
    terminator: bytes = b"\n",
    checksum: LineChecksum | None = None,
) -> Meter:
    return Meter(
        make=Fresh(
            StreamedLines(
                instrument=INSTRUMENT,
                pattern=pattern,
                fields=[StreamField("v"), StreamField("i")],
                silence_s=SILENCE_S,
                char_s=CHAR_S,
                overrange=frozenset(_OVER),
                terminator=terminator,
                max_line=LONGEST_LINE,
                checksum=checksum,
            )
        ),
        witness=partial(
            StreamWitness, partial(_cut_lines, terminator=terminator), value_in
        ),
        seal=seal,
        most_kept=LONGEST_LINE + len(terminator) - 1,
        is_streamed=True,
    )


_STREAMS = (
    _stream(
        r"(?P<v>[+-]\d{3}\.\d) V  (?P<i>[+-]\d\.\d\d) A",
        value_in_narrow,
        seal_line,
    ),
    _stream(r"(?P<v>.*);(?P<i>.*)", value_in_wide, seal_line, terminator=b"\r\n"),
)
_CHECKED = (
    Meter(
        make=Fresh(
            QueryLines(
                instrument=INSTRUMENT,
                request=_REQUEST,
                fields=[LineField("v", 0), LineField("i", 1)],
                expected_count=2,
                reply_timeout_s=TIMEOUT_S,
                char_s=CHAR_S,
                max_line=LONGEST_LINE,
                checksum=_XOR,
                reply_start="07,",
            ),
        ),
        witness=partial(PollWitness, read_checked_query),
        seal=seal_xor,
        most_kept=LONGEST_LINE,
        is_streamed=False,
    ),
    _stream(
        r"(?P<v>[^,]*),(?P<i>[^,]*)",
        value_in_checked,
        seal_ccitt,
        checksum=_CCITT,
    ),
)


def streamed_lines(script: bytes) -> None:
    """Lines that nobody asked for."""
    talk_to(_STREAMS, script)


def checked_lines(script: bytes) -> None:
    """Lines with a checksum, asked for or not."""
    talk_to(_CHECKED, script)
