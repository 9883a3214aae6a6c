"""Meters of known truth for the fault campaign: each answer carries the number of its question, mixed up.

They share no code with the program under test: frames, lines and checksums are built here, from the documents that the
profiles name. Every value lies within its plausible range, so that a wrong one is not caught by chance. The power analyser and the
vane anemometer are read by the profiles of `configs/profiles` themselves, ten times a second instead of twice: what is said to users of
their lines, which nothing protects, was measured on them.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

Raws = tuple[int, int, int]
"""Volts in hundredths, milliamperes, watts in tenths: what one answer says."""

BANNER = b"\r\nMETER 2.1\r\nREADY\r\n"
"""What a meter says of itself when it starts."""
STATUS = b"STATUS OK\r\n"
"""A line that nobody asked for."""
REPLY_TIMEOUT_S = 0.15
WORST_REPLY_S = 0.4
INTERVAL_S = 0.1
_UNIT = 7
_OTHER_UNIT = 8
_SYNC = b"\x55\xaa"
_TOO_MUCH = 0xFFFF
_SECOND_BLOCK = (100).to_bytes(2, "big")
_REQUEST_OF_FRAMES = b"\xa5\x01\xa6"
_PROFILES = Path(__file__).resolve().parents[2] / "configs" / "profiles"


def raws_of(number: int) -> Raws:
    """What the answer to question `number` says; equal to no other one nearby, and possible for a machine."""
    # The finaliser of SplitMix64 (Steele, Lea and Flood, 2014): neighbours come out unlike each other.
    mixed = (number * 0x9E3779B97F4A7C15 + 0x123456789ABCDEF) & (1 << 64) - 1
    mixed = ((mixed ^ mixed >> 30) * 0xBF58476D1CE4E5B9) & (1 << 64) - 1
    mixed = ((mixed ^ mixed >> 27) * 0x94D049BB133111EB) & (1 << 64) - 1
    mixed ^= mixed >> 31
    volts, milliamperes = 20_000 + mixed % 6_001, 1_000 + (mixed >> 16) % 19_001
    # A power factor of 0.5 to 1.0, so that power is at most volts times amperes.
    share = 500 + (mixed >> 40) % 501
    return volts, milliamperes, volts * milliamperes * share // 10_000_000


def is_possible(raws: tuple[int, ...]) -> bool:
    """Whether power is at most volts times amperes, with 2 % for rounding and accuracy."""
    volts, milliamperes, watts = raws[:3]
    return watts * 10_000 <= 1.02 * volts * milliamperes


# ---- checksums, by the bit


@cache
def _crc_entries(width: int, polynomial: int) -> tuple[int, ...]:
    entries = []
    for byte in range(256):
        register = byte << width - 8
        for _ in range(8):
            is_high = register >> width - 1
            register = (register << 1) ^ (polynomial | 1 << width if is_high else 0)
        entries.append(register)
    return tuple(entries)


def _crc(data: bytes, width: int, polynomial: int, register: int) -> int:
    entries, most = _crc_entries(width, polynomial), (1 << width) - 1
    for byte in data:
        index = (register >> width - 8) ^ byte
        register = (register << 8 & most) ^ entries[index]
    return register


def _turned(number: int, width: int) -> int:
    return int(f"{number:0{width}b}"[::-1], 2)


_TURNED = bytes(_turned(byte, 8) for byte in range(256))


def _crc16_modbus(data: bytes) -> int:
    return _turned(_crc(data.translate(_TURNED), 16, 0x8005, 0xFFFF), 16)


def _xor8(data: bytes) -> int:
    result = 0
    for byte in data:
        result ^= byte
    return result


CHECKSUMS: dict[str, tuple[int, Callable[[bytes], int]]] = {
    "sum8": (1, lambda data: sum(data) % 256),
    "xor8": (1, _xor8),
    "lrc8": (1, lambda data: (256 - sum(data) % 256) % 256),
    "crc8": (1, lambda data: _crc(data, 8, 0x07, 0)),
    "crc16-modbus": (2, _crc16_modbus),
    "crc16-ccitt": (2, lambda data: _crc(data, 16, 0x1021, 0xFFFF)),
}
"""Size [byte] and sum, by the name that a profile gives it."""

_FIELDS = (
    ("volts", "voltage", "V", 0.01, 200, 260),
    ("amps", "current", "A", 0.001, 0, 20.0005),
    ("watts", "power", "W", 0.1, 0, 5200.05),
)
SCALES = tuple(field[3] for field in _FIELDS)
"""Steps of volts, amperes and watts, which most of the meters show."""

# ---- meters


def _as_it_is(raws: Raws) -> Raws:
    return raws


@dataclass(frozen=True)
class Meter:
    """One kind of meter at the far end of the wire.

    Attributes:
        name: In the table.
        profile: What the program is told of it.
        answer: The raws that it says, and its unit, as bytes.
        other_answer: To a question of another shape; None where nothing can be asked.
        checksum: Of its answers, "" if none.
        is_streamed: Whether it talks by itself.
        has_unit: Whether its answers say whose they are.
        is_text: Whether it talks in lines of text.
        has_fixed_width: Whether a whole answer has one length only.
        blocks: How many questions make one reading [1].
        has_parity: Whether its characters carry a parity, which the receiver checks.
        shown: What it shows, made of volts, milliamperes and watts.
        scales: Step of each value that it shows.
        overranged: Place of the value that may be out of range.
        has_power: Whether the first three values are volts, amperes and watts.
    """

    name: str
    profile: str
    answer: Callable[[tuple[int, ...], int], bytes]
    other_answer: Callable[[tuple[int, ...]], bytes] | None
    checksum: str
    is_streamed: bool = False
    has_unit: bool = False
    is_text: bool = False
    has_fixed_width: bool = True
    blocks: int = 1
    has_parity: bool = False
    shown: Callable[[Raws], tuple[int, ...]] = _as_it_is
    scales: tuple[float, ...] = SCALES
    overranged: int = 1
    has_power: bool = True

    @property
    def checksum_bits(self) -> int:
        """How much of an answer is checksum [bit]; 0 where nothing is."""
        return 8 * CHECKSUMS[self.checksum][0] if self.checksum else 0

    def said(
        self,
        number: int,
        request: bytes = b"",
        *,
        overrange: bool = False,
        foreign: bool = False,
    ) -> bytes:
        """The answer to question `number`."""
        raws = self.shown(raws_of(number))
        if overrange:
            place = self.overranged
            raws = (*raws[:place], _TOO_MUCH, *raws[place + 1 :])
        if self.blocks > 1:
            # Both questions have answers of one shape: volts and amperes, and watts twice.
            watts = raws[2]
            again = _TOO_MUCH if overrange else watts
            raws = (watts, again) if request[2:4] == _SECOND_BLOCK else raws[:2]
        return self.answer(raws, _OTHER_UNIT if foreign else _UNIT)

    def begins_poll(self, request: bytes) -> bool:
        """Whether this is the first question of those that make one reading."""
        return self.blocks == 1 or request[2:4] != _SECOND_BLOCK

    def expected(self, number: int) -> tuple[int, ...]:
        """What a reading must say whose last question was `number`."""
        if self.blocks > 1:
            return (*raws_of(number - 1)[:2], raws_of(number)[2])
        return self.shown(raws_of(number))


_HEAD = """format = 1
title = "Meter of known truth"
refresh_s = 0.1
[line]
baud = 115200
[wire]
"""
_PATIENCE = f"reply_timeout_s = {REPLY_TIMEOUT_S}\nworst_reply_s = {WORST_REPLY_S}\n"


def _fields(places: tuple[str, ...], *, scaled: bool = True) -> str:
    text = ""
    for (name, quantity, unit, step, low, high), place in zip(
        _FIELDS, places, strict=True
    ):
        text += f'[[field]]\nname = "{name}"\nquantity = "{quantity}"\nunit = "{unit}"\nresolution = {step}\n'
        text += f"low = {low}\nhigh = {high}\n{place}\n" + (
            f"scale = {step}\n" if scaled else ""
        )
    return text


def _with_crc(body: bytes) -> bytes:
    return body + _crc16_modbus(body).to_bytes(2, "little")


def _rtu(raws: tuple[int, ...], unit: int) -> bytes:
    # Modbus Application Protocol V1.1b3, 6.4: function, byte count, registers high byte first.
    data = b"".join(raw.to_bytes(2, "big") for raw in raws)
    return _with_crc(bytes((unit, 4, len(data))) + data)


def _ascii(raws: tuple[int, ...], unit: int) -> bytes:
    # Modbus over Serial Line V1.02, 2.5.2: colon, hexadecimal digits, LRC, line end.
    body = _rtu(raws, unit)[:-2]
    return b":" + (body + bytes((-sum(body) & 0xFF,))).hex().upper().encode() + b"\r\n"


def _decimal(raw: int, decimals: int, width: int = 0) -> str:
    if raw == _TOO_MUCH:
        return "9.9E37" if not width else "OL".rjust(width)
    return f"{raw // 10**decimals}.{raw % 10**decimals:0{decimals}}".rjust(width, "0")


def _numbers(raws: tuple[int, ...]) -> str:
    return ",".join(_decimal(raw, n) for raw, n in zip(raws, (2, 3, 1), strict=True))


def _addressed(text: str) -> bytes:
    covered = text.encode()
    return b"#" + covered + f"*{_xor8(covered):02X}\r\n".encode()


def _addressed_line(raws: tuple[int, ...], unit: int) -> bytes:
    return _addressed(f"{unit:02},{_numbers(raws)}")


def _labelled_text(raws: tuple[int, ...]) -> str:
    volts, amps, watts = raws
    return f"U {_decimal(volts, 2)} V I {_decimal(amps, 3, 6)} A P {_decimal(watts, 1, 6)} W"


_PATTERN = (
    "'U (?P<volts>[0-9]{3}\\.[0-9]{2}) V I (?P<amps>[0-9]{2}\\.[0-9]{3}|    OL) A "
    "P (?P<watts>[0-9]{4}\\.[0-9]) W'"
)


def _labelled_line(raws: tuple[int, ...], unit: int) -> bytes:
    del unit
    return _labelled_text(raws).encode() + b"\r\n"


def _checked_line(raws: tuple[int, ...], unit: int) -> bytes:
    del unit
    covered = _labelled_text(raws).encode()
    return covered + f"*{_xor8(covered):02X}\r\n".encode()


def _exponential(raw: int, decimals: int) -> str:
    # IEEE 488.2, NR3: sign, one digit, point, the other digits, E and an exponent with its sign.
    if raw == _TOO_MUCH:
        return "9.9E37"
    digits = str(raw)
    return f"+{digits[0]}.{digits[1:] or '0'}E{len(digits) - 1 - decimals:+03d}"


def _analyser_line(raws: tuple[int, ...], unit: int) -> bytes:
    del unit
    shown = (_exponential(raw, n) for raw, n in zip(raws, (2, 3, 1, 3), strict=True))
    return ",".join(shown).encode() + b"\n"


def _plain_analyser_line(raws: tuple[int, ...], unit: int) -> bytes:
    del unit
    shown = (_decimal(raw, n) for raw, n in zip(raws, (2, 3, 1, 3), strict=True))
    return ",".join(shown).encode() + b"\n"


def _on_analyser(raws: Raws) -> tuple[int, ...]:
    """Volts, amperes, watts and power factor; nine tenths of the current, as the profile allows 5000 W."""
    volts, milliamperes, watts = raws[0], raws[1] * 9 // 10, raws[2] * 9 // 10
    return volts, milliamperes, watts, watts * 10**7 // (volts * milliamperes)


def _vane_line(raws: tuple[int, ...], unit: int) -> bytes:
    del unit
    speed, degrees = raws
    velocity = "OL" if speed == _TOO_MUCH else f"+{_decimal(speed, 2)}"
    return f"V={velocity} m/s T=+{_decimal(degrees, 1)} C\r\n".encode()


def _on_vane(raws: Raws) -> tuple[int, ...]:
    """Velocity from 0 to 20 m/s and temperature from 5 to 45 Cel, so that either has one digit or two before the point."""
    return raws[1] % 2_001, 50 + raws[0] % 401


def _shipped(file: str) -> str:
    """A profile of `configs/profiles`, at the pace of the others."""
    text = (_PROFILES / file).read_text(encoding="utf-8")
    for old, new in (
        ("refresh_s = 0.5\n", f"refresh_s = {INTERVAL_S}\n"),
        ("worst_reply_s = 0.2\n", f"worst_reply_s = {WORST_REPLY_S}\n"),
    ):
        text = text.replace(old, new)
    return text


def _frame_of(checksum: str) -> Callable[[tuple[int, ...], int], bytes]:
    def frame(raws: tuple[int, ...], unit: int) -> bytes:
        del unit
        body = b"".join(raw.to_bytes(2, "big") for raw in raws)
        if not checksum:
            return _SYNC + body
        size, sum_of = CHECKSUMS[checksum]
        return _SYNC + body + sum_of(body).to_bytes(size, "big")

    return frame


def _modbus(
    name: str, answer: Callable[[tuple[int, ...], int], bytes], *, blocks: int = 1
) -> Meter:
    places = ("address = 0", "address = 1", f"address = {2 if blocks == 1 else 100}")
    fields = _fields(places)
    if blocks > 1:
        extra = '[[field]]\nname = "again"\nquantity = "power"\nunit = "W"\nresolution = 0.1\naddress = 101\nscale = 0.1\nhigh = 5200.05\n'
        fields += extra
    protocol = "modbus-ascii" if answer is _ascii else "modbus-rtu"
    return Meter(
        name,
        f'{_HEAD}protocol = "{protocol}"\n{_PATIENCE}{fields}',
        answer,
        lambda raws: answer(raws[:1], _UNIT),
        "lrc8" if answer is _ascii else "crc16-modbus",
        has_unit=True,
        is_text=answer is _ascii,
        blocks=blocks,
    )


def _of_frames(checksum: str, *, asked: bool) -> Meter:
    kind = f'kind = "{checksum}", first = 2' + (
        ", polynomial = 0x07" if checksum == "crc8" else ""
    )
    size = CHECKSUMS[checksum][0] if checksum else 0
    request = f'request = "{_REQUEST_OF_FRAMES.hex(" ")}"\n{_PATIENCE}' if asked else ""
    wire = f'protocol = "fixed-frames"\nsync = "55 AA"\nlength = {8 + size}\n{request}'
    wire += f"checksum = {{ {kind} }}\n" if checksum else ""
    places = (
        'byte = 2\ntype = "u16"',
        'byte = 4\ntype = "u16"\noverrange = ["FF FF"]',
        'byte = 6\ntype = "u16"',
    )
    frame = _frame_of(checksum)
    return Meter(
        f"frames {'asked for' if asked else 'streamed'}, {checksum or 'no checksum'}",
        _HEAD + wire + _fields(places),
        frame,
        (lambda raws: frame(raws[:2], _UNIT)) if asked else None,
        checksum,
        is_streamed=not asked,
    )


def _of_lines(
    name: str, wire: str, answer: Callable[[tuple[int, ...], int], bytes], checksum: str
) -> Meter:
    """A streamed meter whose lines have one length, or one that is asked by its address."""
    is_streamed = "streamed" in wire
    places = ("",) * 3 if is_streamed else tuple(f"position = {i}" for i in range(3))
    patience = "" if is_streamed else _PATIENCE
    return Meter(
        name,
        _HEAD + wire + patience + _fields(places, scaled=False),
        answer,
        None if is_streamed else (lambda raws: _addressed(f"{_UNIT:02},{raws[0]}")),
        checksum,
        is_streamed=is_streamed,
        has_unit=not is_streamed,
        is_text=True,
        has_fixed_width=is_streamed,
    )


_ADDRESSED = """protocol = "query-lines"
request = "#{unit:02}M*{checksum}\\r\\n"
reply_start = "{unit:02},"
parts = 3
checksum = "xor8"
checksum_start = "#"
"""
_STREAMED = f'protocol = "streamed-lines"\noverrange = ["OL"]\npattern = {_PATTERN}\n'

_ANALYSER = Meter(
    "query-lines, shipped analyser",
    _shipped("power-analyser-query.toml"),
    _analyser_line,
    # IEEE 488.2: *IDN? answers four fields, as many as it measures.
    lambda _: b"MAKER,MODEL,0001,1.0\n",
    "",
    is_text=True,
    has_fixed_width=False,
    shown=_on_analyser,
    scales=(*SCALES, 0.001),
)
# The profile takes either form of number, and in plain ones more of a line is digits.
_PLAIN_ANALYSER = replace(
    _ANALYSER,
    name=f"{_ANALYSER.name}, plain numbers",
    answer=_plain_analyser_line,
)
_VANE = Meter(
    "streamed-lines, shipped vane",
    _shipped("vane-anemometer-stream.toml"),
    _vane_line,
    None,
    "",
    is_streamed=True,
    is_text=True,
    has_fixed_width=False,
    shown=_on_vane,
    scales=(0.01, 0.1),
    overranged=0,
    has_power=False,
)


def _with_parity(meter: Meter) -> Meter:
    profile = meter.profile.replace("[wire]", 'parity = "even"\n[wire]')
    return replace(
        meter, name=f"{meter.name}, parity", profile=profile, has_parity=True
    )


METERS = {
    meter.name: meter
    for meter in (
        _modbus("modbus-rtu", _rtu),
        _modbus("modbus-rtu, two blocks", _rtu, blocks=2),
        _modbus("modbus-ascii", _ascii),
        _of_lines("query-lines, address and xor8", _ADDRESSED, _addressed_line, "xor8"),
        _ANALYSER,
        _with_parity(_ANALYSER),
        _PLAIN_ANALYSER,
        _of_lines(
            "streamed-lines, xor8",
            _STREAMED + 'checksum = "xor8"\n',
            _checked_line,
            "xor8",
        ),
        _of_lines("streamed-lines, unprotected", _STREAMED, _labelled_line, ""),
        _VANE,
        *(_of_frames(kind, asked=False) for kind in (*CHECKSUMS, "")),
        *(_of_frames(kind, asked=True) for kind in ("sum8", "crc8", "crc16-ccitt", "")),
        _with_parity(_of_frames("", asked=True)),
    )
}
"""By name."""
UNIT = _UNIT
