"""What the fuzzers begin with: published frames and texts, and scripts that reach every step.

Found inputs are kept beside: `corpus/NAME.txt` holds the few that reach everything that was ever reached, `found/NAME.txt`
those that once broke something; one input a line, in hexadecimal digits.
"""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

_HERE = Path(__file__).parent
_ROOT = _HERE.parents[1]
_VECTORS = _ROOT / "tests" / "vectors"
_SEAL, _CHUNK, _POLL, _LATE, _PAUSE = b"\xf5\x05", b"\xf5\x01", b"\xf5\x06", b"\xf5\x07", b"\xf5\x03"  # fmt: skip
_DEADLINE, _REPEAT = b"\xf5\x04", b"\xf5\x08"


def kept_inputs(name: str) -> list[bytes]:
    """The small corpus of a target and all that it ever broke on."""
    return [*_lines(_HERE / "corpus" / f"{name}.txt"), *found_inputs(name)]


def found_inputs(name: str) -> list[bytes]:
    """What a target once broke on."""
    return _lines(_HERE / "found" / f"{name}.txt")


def _lines(path: Path) -> list[bytes]:
    """Inputs of a file; lines that begin with # say what they are."""
    if not path.exists():
        return []
    lines = path.read_text(encoding="ascii").splitlines()
    return [bytes.fromhex(line) for line in lines if not line.startswith("#")]


def _vectors(name: str) -> dict[str, Any]:
    text = (_VECTORS / name).read_text(encoding="utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


def wire_seeds(name: str) -> list[bytes]:
    """Scripts for each meter of a wire target, whole and cut."""
    bodies = list(_BODIES[name]())
    return [
        bytes((meter, cutting)) + body
        for meter in range(4)
        for cutting in (0, 1, 5)
        for body in bodies
    ]


def _register_replies() -> Iterator[bytes]:
    replies = [b"\x01\x03\x06\x02\x2b\x00\x00\x00\x64", b"\x01\x83\x02"]
    replies += [b"\x11\x03\x08" + bytes(range(8)), b"\x11\x04\x08" + bytes(range(8))]
    for reply in replies:
        yield reply + _SEAL
        yield reply + _SEAL + _POLL + reply + _SEAL + _CHUNK
        yield b"\0" + _CHUNK + reply + _SEAL + _LATE + _POLL + reply + _SEAL
    both = replies[3] + _SEAL + _CHUNK + replies[2] + _SEAL + _CHUNK
    yield both
    yield b"\x03" + 10 * _REPEAT + _POLL + b"\x11\x03\xff:" + 8 * _REPEAT
    yield replies[2] + _SEAL + _CHUNK + replies[3] + _SEAL + _PAUSE + _POLL + both


def _binary_replies() -> Iterator[bytes]:
    yield from _register_replies()
    for frame in _vectors("modbus.json")["frames"]:
        yield bytes.fromhex(frame["frame"])
    yield b"\x01\x03\x06\x02\x2b\x00\x00\x00\x64\x05\x7b"


def _spelt_replies() -> Iterator[bytes]:
    yield from _register_replies()
    for frame in _vectors("modbus.json")["ascii"]:
        yield str(frame["frame"]).encode() + b"\r\n"
    yield b":010306022B0000006466\r\n"


def _texts() -> Iterator[bytes]:
    for number in _vectors("numbers.json")["numbers"]:
        yield str(number["text"]).encode("ascii", "ignore")


def _query_lines() -> Iterator[bytes]:
    yield b"+2.3012E+02,+6.512E-01,text,-4\n"
    yield b"MEAS?\r\n" + _CHUNK + b"230,9.9E37,,1\n" + _POLL + b"1,2,3" + _DEADLINE
    yield b"301,1,,1\r\n" + _CHUNK + b"301,1,,1\r\n" + _LATE + b"1,2,3,4\n5,6,7,8\n"
    for text in _texts():
        yield text + b"," + text + b",," + text + b"\n"


def _streamed_lines() -> Iterator[bytes]:
    yield b"0 V\r\n+230.1 V  +1.234 A\r\n" + _CHUNK + b"+229.9 V  -1.200 A\r\n"
    yield b"\r\nOL;1.5\r\n" + _DEADLINE + b";2\r\n1;2\r\n" + b"x" * 50 + b"\r\n1;2\r\n"
    for text in _texts():
        yield b"\r\n" + text + b";" + text + b"\r\n" + _PAUSE + b"\n\n"


def _checked_lines() -> Iterator[bytes]:
    yield b"07,230.1,1.5" + _SEAL
    yield (
        b"08,230.1,1.5" + _SEAL + _POLL + b"07,1,2" + _SEAL + _POLL + b"$07,1,2*00\r\n"
    )
    yield b"\r\n" + _CHUNK + b"230.1,OL" + _SEAL + _CHUNK + b"1,2" + _SEAL
    for text in _texts():
        yield b"\n" + _CHUNK + b"07," + text + b"," + text + _SEAL
        yield b"\n" + _CHUNK + text + b"," + text + _SEAL


def _frames() -> Iterator[bytes]:
    yield b"\x12\x34\x00" + _SEAL
    yield b"\x12\x34\x00" + _SEAL + b"\x12\x34\x00" + _SEAL + _CHUNK + b"\x55"
    yield b"\x92\x34\x02\x00\x00" + _SEAL + _POLL + b"\x00\x00\x00\x01\x00" + _SEAL
    yield b"\x55\xaa\x55\xaa\x01\x02\x03" + _CHUNK + b"\x01\x02\x03" + _SEAL + _LATE
    yield b"\x55\xaa\x01" + _PAUSE + b"\x01\x02\x03" + _SEAL + _DEADLINE + b"\x00\x00"
    yield b"\x00\x00\x80\x3f\x7f\xff"
    yield b"\x55\xaa\x01\x02" + 8 * _REPEAT + b"\x12\x34\x00" + _SEAL


_BODIES = {
    "modbus_rtu": _binary_replies,
    "modbus_ascii": _spelt_replies,
    "query_lines": _query_lines,
    "streamed_lines": _streamed_lines,
    "checked_lines": _checked_lines,
    "polled_frames": _frames,
    "streamed_frames": _frames,
}


# ---- texts


def text_seeds(name: str) -> list[bytes]:
    """Edits of shipped files, logs, lines, payloads and requests."""
    return list(_TEXTS[name]())


def _edits() -> Iterator[bytes]:
    values = (b"nan", b"-1", b"0x~f4", b'"~x3"', b"[]", b"{}", b'"\\u001b[31m"', b"true", b"1979-05-27", b'"a"', b"1e400")  # fmt: skip
    for number in range(9):
        first = bytes((number,))
        yield first
        for place in range(1, 60, 5):
            for value in values[place % 3 :: 3]:
                yield first + bytes((place,)) + b"=" + value
            yield first + bytes((place,)) + b"d"
            yield first + bytes((place,)) + b"2"
            yield first + bytes((place,)) + b"kname"
    for text in (b"a=~[4", b"a=~94", b"format=0x~f4", b'"\\u001b[31mx"=1', b"a='''", b"[a]\n[a]", b"a.b=1\na=2"):  # fmt: skip
        yield b"\xff" + text


def _logs() -> Iterator[bytes]:
    yield b"t,v\n0,1.5\n1,1.25\n"
    yield b"sep=;\nt;v\n0;1,5\n1;1,25\n"
    yield b"# x\n\xef\xbb\xbft\tv\n0\t1\n"
    yield b"when,watts\n2026-03-01T12:00:00Z,1\n2026-03-01T12:00:01+01:00,2e3\n"
    yield b'\xef\xbb\xbf"time_ms", "a","b"\r\n0,1,\r\n"1",2,\r\n'
    yield b"t,v\n0,1\n~91,1\n1,~92\n"
    yield b"01.02.2026 10:00,1\n02.02.2026 10:00,2\n"
    yield b"0;-\n1;OL\n"


def _whole_logs() -> Iterator[bytes]:
    """How it shall be read, then a log; one switches twice, one counts by dates, one has what cannot be read."""
    levels = (0, 0, 0, 5, 5, 5, 0, 0, 5, 5, 5, 5, 0, 0)
    yield b"\0t,v\n" + b"".join(b"%d,%d\n" % (5 * n, v) for n, v in enumerate(levels))
    yield b"\x80time;a;b\n0;0,1;1\n1;5,2;2\n2;5,1;1\n3;0,1;2\n4;0,2;1\n"
    yield b"\x02date,time,v\n1/2/26,10:00:00,1\n1/2/26,10:00:01,2\n"
    yield b"\x23" + b"".join(b"01.02.2026,1%d:30:00,%d\n" % (n, n) for n in range(5))
    yield b"\x4at,v\n" + b"".join(b"%d,%d\n" % (n, n) for n in range(12)) + b"13,-\nx,1\n"  # fmt: skip
    yield b"\x0823:59:58,1\n23:59:59,2\n00:00:00,3\n01:00:01,3\n"
    yield b"\x0cwhen\tv\n2026-03-29 01:59:59\t1\n2026-03-29 03:00:00\t2\n"
    yield b"\x401772366400,1\n1772366401,1\n1772366401,2\n1772366400,1\n1e11,2\n"
    below = "Monitor;4711\n\nt;W\u00e4rme;b\n0;1;2\n1;2;2\n2;2;3\n"
    yield b"\x24" + below.encode("cp1252")
    yield b"\x01" + below.encode()
    yield b"\x80" + below.encode("utf-16")
    for log in _logs():
        yield from (bytes((how,)) + log for how in (0x00, 0x4A, 0xCE))


def _typed() -> Iterator[bytes]:
    texts = (
        b"1.52\n1,50\n15.2\n1.25",
        b"230\n203\n2300\n23",
        b"-5\n\xe2\x88\x925\n+5,000\n.5\n5.",
    )
    for meter in range(4):
        yield from (bytes((meter,)) + text for text in texts)
    yield b"\x02" + b"0123456789" * 3 + b"\n1e3\n1_0\n0x1\nnan\n \x1b[31m1"
    yield b"\x0012\x7f\b3.4\rxy\x00\xd9\xa1\n"


def _heard() -> Iterator[bytes]:
    line = b"V= 230.1 V, I=%b A\r\n"
    currents = (b"1.5", b"1.52", b"-0.1", b"OL", b"2.5")
    yield b"\r\n" + b"".join(line % current for current in currents)
    yield b"\r" + 5 * b"CH1 +1.20E+03 m3/h (20.5 Cel)\r"
    yield b"\n" + 4 * b"1,2;3\t4 5\n" + b"{}[]()^$.*+?|\\ 1\n"
    yield b"\n" + 4 * b"a 1.5 b..5 OL 3-4 5.6.7 H2O 8\n"


def _payloads() -> Iterator[bytes]:
    values = (b"null", b"1", b"-1", b"1e400", b'"\\u001b[31m"', b"[]", b"{}", b'"~x3"', b"~[5", b"~94", b"NaN")  # fmt: skip
    for message in range(8):
        yield from (
            bytes((message, place)) + value
            for place in range(0, 60, 3)
            for value in values
        )
    yield b"\x00\xff{}"
    yield b"k\x05null"


def _requests() -> Iterator[bytes]:
    get = b"GET %b HTTP/1.1\x06host: \x01\x06\x06"
    post = b"POST %b HTTP/1.1\x06host: \x01\x06origin: \x02\x06cookie: \x03\x06content-type: application/json\x06content-length: %d\x06\x06%b"  # fmt: skip
    for path in _PATHS:
        yield get % path
        yield (get % path).replace(b"GET", b"HEAD")
    for path, text in _REQUESTED:
        yield post % (b"/api/" + path, len(text), text)
    note = post % (b"/api/session/note", 12, b'{"text":"x"}')
    chunked = note.replace(b"content-length: 12", b"transfer-encoding: chunked")
    yield chunked.replace(b'{"text', b'c\x06{"text') + b"\x060\x06\x06"
    yield note.replace(b"content-length: 12", b"content-length: 999999999")
    yield note.replace(b": 12", b": 5\x06expect: 100-continue")
    yield note.replace(b"\x03", b"bench-1=x")
    yield note.replace(b"\x02", b"http://elsewhere")
    yield note.replace(b"\x06\x06", b"\x06\x0e\x06", 1) + get % b"/api/state"
    yield note.replace(b"\x06\x06", b"\x06x: ~y4\x06\x06")
    enter = b'{"token":"\x04"}'
    yield (post % (b"/api/access", 55, enter)).replace(b"cookie: \x03\x06", b"")
    yield b"DELETE /api/access HTTP/1.1\x06host: \x01\x06origin: \x02\x06\x06"
    yield b"OPTIONS * HTTP/1.1\x06host: \x01\x06\x06"
    yield b"GET / HTTP/1.0\x06\x06"
    yield b"\x16\x03\x01"


_PATHS = (
    b"/", b"/../../etc/passwd", b"/%2e%2e/x", b"/page.css", b"/api/state", b"/api/trace", b"/api/funnel", b"/api/live",
    b"/api/plans", b"/api/sessions", b"/api/sessions/1", b"/api/sessions/1/trials/1/trace", b"/api/openapi.json",
    b"/api/access", b"/api/links", b"/api/sessions/0", b"/api/sessions/99999999999999999999", b"/api/\xff",
)  # fmt: skip
_REQUESTED = (
    (b"access", b'{"token":"x"}'),
    (b"access", b'{"token":"~x3"}'),
    (b"access/renew", b'{"role":"reader"}'),
    (b"session/start", b'{"plan":"leads","new":false,"same":null}'),
    (b"session/start", b'{"plan":"\\u0000"}'),
    (b"session/skip", b"{}"),
    (b"session/skip", b'{"reason":"\\ud800"}'),
    (b"session/repeat", b'{"position":2.0}'),
    (b"session/repeat", b'{"position":1e400}'),
    (b"session/relabel", b'{"trial":1,"condition":"a","reason":"b"}'),
    (b"session/note", b'{"text":""}'),
    (b"session/reading", b'{"channel":"current","text":"1.5"}'),
    (b"session/reading", b'{"channel":"current","text":"1,5","as_typed":true}'),
    (b"session/cannot-read", b'{"channel":"current"}'),
    (b"session/stop", b"{}"),
    (b"session/stop", b"{{{{{{{{"),
)
_TEXTS = {
    "heard_lines": _heard,
    "bench_file": _edits,
    "profile_file": _edits,
    "plan_file": _edits,
    "meter_log": _logs,
    "whole_log": _whole_logs,
    "checks_file": _edits,
    "typed_reading": _typed,
    "broker_ask": _payloads,
    "followed": _payloads,
    "page": _requests,
}
