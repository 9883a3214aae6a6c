"""What a profile may say of its wire, and what is said of one that says something else."""

import pytest

from daq.config.bench import Instrument, parse_bench, parse_profile
from daq.errors import ConfigurationError
from daq.records import Reading

FILE = "meter.toml"
FRAMES = """\
format = 1
title = "Ammeter"
refresh_s = 0.5

[wire]
protocol = "fixed-frames"
sync = "55 AA"
length = 8
checksum = { kind = "crc8", polynomial = 0x07, first = 2 }

[[field]]
name = "current"
quantity = "current"
unit = "A"
resolution = 0.01
byte = 2
type = "u16"
sign = { byte = 4, mask = 0x80 }
point = { byte = 5 }
overrange = ["FF FF"]
"""
LINES = """\
format = 1
title = "Pressure"
refresh_s = 0.5

[wire]
protocol = "query-lines"
request = "#{unit:02}MP*{checksum}\\r\\n"
reply_start = "{unit:02},"
checksum = "xor8"
checksum_start = "#"
parts = 1

[[field]]
name = "pressure"
quantity = "pressure"
unit = "Pa"
resolution = 0.1
position = 0
"""
TALKING = """\
format = 1
title = "Vane"
refresh_s = 0.5

[wire]
protocol = "streamed-lines"
pattern = '(?P<velocity>[0-9.]+)'
checksum = "sum8"

[[field]]
name = "velocity"
quantity = "velocity"
unit = "m/s"
resolution = 0.01
"""
ASCII = """\
format = 1
title = "Ambient"
refresh_s = 1
[wire]
protocol = "modbus-ascii"
[[field]]
name = "temperature"
quantity = "temperature"
unit = "Cel"
resolution = 0.1
address = 0
type = "s16"
scale = 0.1
"""
PROFILES = {"frames": FRAMES, "lines": LINES, "talking": TALKING, "ascii": ASCII}


def _faults(text: str) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        parse_profile(text, file=FILE)
    return str(caught.value).split("\n")


def _instruments(*rows: tuple[str, str, str]) -> tuple[Instrument, ...]:
    """Instruments by profile, port and further keys."""
    text = 'format = 1\nname = "bench"\n' + "".join(
        f'[[instrument]]\nname = "m{index}"\nprofile = "{profile}"\nport = "{port}"\n{more}\n'
        for index, (profile, port, more) in enumerate(rows)
    )
    bench = parse_bench(
        text, file="bench.toml", find_profile=lambda name: (FILE, PROFILES[name])
    )
    return bench.instruments


def _bench_faults(*rows: tuple[str, str, str]) -> list[str]:
    with pytest.raises(ConfigurationError) as caught:
        _instruments(*rows)
    return [fault.split(": ", 1)[1] for fault in str(caught.value).split("\n")]


@pytest.mark.parametrize("text", PROFILES.values(), ids=PROFILES)
def test_a_whole_profile_is_taken(text: str) -> None:
    assert parse_profile(text, file=FILE).title


@pytest.mark.parametrize(
    ("written", "instead", "fault"),
    [
        ('"55 AA"', '"55 AG"', ":7: wire.sync: got '55 AG', "
         "expected bytes in hexadecimal, such as 'AA 01'"),
        ('sync = "55 AA"\n', "", ":5: wire: instrument: sync is empty, "
         "expected the bytes that each frame begins with"),
        ("length = 8", "length = 2", ":5: wire: length 2 with 2 sync bytes, "
         "expected more than those, 256 at most"),
        ("length = 8", "length = 8\nsinc = 1", ":9: wire.sinc: unknown key, did you mean 'sync'? expected one of "
         "protocol, request, sync, length, checksum, reply_timeout_s, worst_reply_s, silence_s"),
        ('kind = "crc8"', 'kind = "crc32"', ":9: wire.checksum.kind: got 'crc32', expected 'sum8', 'xor8', 'lrc8', "
         "'crc8', 'crc16', 'crc16-modbus' or 'crc16-ccitt', did you mean 'crc8'?"),
        (", polynomial = 0x07", "", ":9: wire.checksum: polynomial missing for crc8, expected a number such as 0x07"),
        ("polynomial = 0x07", "polynomial = 0x107", ":9: wire.checksum: polynomial 0x107, expected 0 to 0xFF"),
        ("polynomial = 0x07", "polynomial = 0xE0", ":9: wire.checksum: polynomial 0xE0 is even, "
         "expected it highest bit first, without the highest term"),
        ('kind = "crc8"', 'kind = "xor8"', ":9: wire.checksum: polynomial for xor8, "
         "expected it for crc8 and crc16 only"),
        ("first = 2", "first = 7", ":5: wire: checksum over bytes 7 to 6, "
         "expected bytes of the frame without its own"),
        ("first = 2", "byte = 8", ":5: wire: checksum at byte 8, expected all of it in bytes 0 to 7"),
        ("byte = 2\n", "", ":1: byte missing in field current, expected one for fixed-frames"),
        ("byte = 2\n", "byte = 7\n", ":5: wire: current: byte 8, expected all of it in bytes 0 to 7"),
        ("byte = 2\n", "byte = 2\naddress = 1\n", ":1: address in field current, expected "
         "byte, type, bytes, byte_order, sign, point, overrange, overrange_bits for fixed-frames"),
        ('type = "u16"', 'type = "bcd"', ":5: wire: current: 0 bytes of bcd, expected 1 to 8"),
        ('type = "u16"', 'type = "u16"\nbytes = 3', ":5: wire: current: 3 bytes of u16, expected no such key or 2"),
        ('type = "u16"', 'type = "u16"\nbyte_order = "BADC"', ":5: wire: current: byte order 'BADC', "
         "expected ABCD or DCBA"),
        ("mask = 0x80 }", "mask = 0x80, value = 0x2D }", ":18: field[1].sign: value 0x2D has bits outside of mask 0x80, "
         "expected none"),
        ('["FF FF"]', '["FF"]', ":5: wire: current: overrange 'FF', expected 2 bytes"),
    ],
    ids=lambda value: value if value.startswith(":") else "",
)  # fmt: skip
def test_a_fault_of_a_frame_says_where_it_is(
    written: str, instead: str, fault: str
) -> None:
    assert written in FRAMES
    assert _faults(FRAMES.replace(written, instead)) == [FILE + fault]


@pytest.mark.parametrize(
    ("written", "instead", "fault"),
    [
        ("{unit:02}MP", "MP", ":5: wire: reply_start has {unit} and request has none, expected it in both"),
        ('checksum = "xor8"\n', "", ":5: wire: request has {checksum}, expected checksum = its kind as well"),
        ('"xor8"', '"xor"', ":9: wire.checksum: got 'xor', expected 'xor8', 'sum8', 'lrc8', 'crc16-modbus' or "
         "'crc16-ccitt', did you mean 'xor8'?"),
        ("#{unit:02}MP", "#{unit:x}MP", ":5: wire: request '#{unit:x}MP*{checksum}\\r\\n', "
         "expected the address as {unit}, {unit:02} or {unit:02X}"),
        ("position = 0", "position = 0\nbyte = 1", ":1: byte in field pressure, expected position for query-lines"),
    ],
    ids=lambda value: value if value.startswith(":") else "",
)  # fmt: skip
def test_a_fault_of_a_polled_line_says_where_it_is(
    written: str, instead: str, fault: str
) -> None:
    assert written in LINES
    assert _faults(LINES.replace(written, instead)) == [FILE + fault]


def test_a_type_that_registers_do_not_have_is_refused() -> None:
    assert _faults(ASCII.replace('"s16"', '"bcd"')) == [
        f"{FILE}:4: wire: temperature: kind 'bcd', expected one of u16, s16, u32, s32, f32"
    ]


def test_a_streamed_line_needs_no_place_and_takes_none() -> None:
    spoiled = TALKING + "position = 0\n"
    assert _faults(spoiled) == [
        f"{FILE}:1: position in field velocity, expected none of its kind for streamed-lines"
    ]


def test_frames_that_nobody_asks_for_are_streamed() -> None:
    frames, talking, lines = _instruments(
        ("frames", "a", ""), ("talking", "b", ""), ("lines", "c", "unit = 1")
    )
    assert (frames.is_streamed, talking.is_streamed, lines.is_streamed) == (
        *(True, True),
        False,
    )


def test_a_request_carries_address_and_checksum() -> None:
    (meter,) = _instruments(("lines", "a", "unit = 7"))
    # By hand: '0' 0x30 ^ '7' 0x37 ^ 'M' 0x4D ^ 'P' 0x50 = 0x1A.
    assert meter.make_protocol(speed=1.0).query(0.0) == b"#07MP*1A\r\n"


def test_an_address_may_be_hexadecimal() -> None:
    spoken = LINES.replace("{unit:02}", "{unit:02X}")
    bench = parse_bench(
        'format = 1\nname = "b"\n[[instrument]]\nname = "m"\nprofile = "p"\nport = "a"\nunit = 171\n',
        file="bench.toml",
        find_profile=lambda _: (FILE, spoken),
    )
    request = bench.instruments[0].make_protocol(speed=1.0).query(0.0)
    # Checksum by hand: 'A' 0x41 ^ 'B' 0x42 ^ 'M' 0x4D ^ 'P' 0x50 = 0x1E.
    assert request == b"#ABMP*1E\r\n"


def test_polled_lines_with_an_address_share_a_line() -> None:
    one, two = _instruments(("lines", "a", "unit = 1"), ("lines", "a", "unit = 2"))
    requests = [m.make_protocol(speed=1.0).query(0.0) for m in (one, two)]
    assert requests[0] != requests[1]


def test_only_modbus_rtu_keeps_a_silence_before_its_requests() -> None:
    (meter,) = _instruments(("ascii", "a", "unit = 1"))
    assert meter.silence_before_s == 0.0


@pytest.mark.parametrize(
    ("rows", "fault"),
    [
        ([("lines", "a", "")], "instrument[1]: unit missing, expected the address 1 to 247"),
        ([("ascii", "a", "")], "instrument[1]: unit missing, expected the Modbus unit 1 to 247"),
        ([("frames", "a", "unit = 1")], "instrument[1].unit: fixed-frames has no units, expected no such key"),
        ([("lines", "a", "unit = 1"), ("lines", "a", "unit = 1")],
         "instrument[2].unit: unit 1 on port 'a' is 'm0' already, expected another unit"),
        ([("lines", "a", "unit = 1"), ("frames", "a", "")],
         "instrument[2].port: port 'a' is used by 'm0' too, only meters with units share a line"),
        ([("lines", "a", "unit = 1"), ("ascii", "a", "unit = 2")],
         "instrument[2].port: port 'a' is used by 'm0' with query-lines, expected the same protocol"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)  # fmt: skip
def test_what_cannot_share_a_line_is_refused(
    rows: list[tuple[str, str, str]], fault: str
) -> None:
    assert _bench_faults(*rows) == [fault]


def test_a_unit_for_a_request_without_one_is_refused() -> None:
    alone = LINES.replace("#{unit:02}MP*{checksum}", "MP").replace(
        'reply_start = "{unit:02},"\n', ""
    )
    text = 'format = 1\nname = "b"\n[[instrument]]\nname = "m"\nprofile = "p"\nport = "a"\nunit = 1\n'
    with pytest.raises(ConfigurationError) as caught:
        parse_bench(text, file="bench.toml", find_profile=lambda _: (FILE, alone))
    assert str(caught.value) == (
        "bench.toml:7: instrument[1].unit: the profile's request has no {unit} in it, expected no such key"
    )


def test_a_profile_of_frames_reads_a_frame() -> None:
    (meter,) = _instruments(("frames", "a", ""))
    protocol = meter.make_protocol(speed=1.0)
    protocol.query(0.0)
    # 1234, sign bit, two digits behind the point; CRC-8 by the division below.
    body = bytes.fromhex("04D2 80 02 00")
    register = 0
    for byte in body:
        register ^= byte
        for _ in range(8):
            register = (
                (register << 1 ^ 0x07) & 0xFF if register & 0x80 else register << 1
            )
    protocol.feed(b"\x55\xaa" + body + bytes((register,)), 0.1)
    outcome = protocol.next_reading()
    assert isinstance(outcome, Reading)
    assert outcome.values == (-12.34,)
