"""Frames of a fixed length: what stands in one."""

from typing import Any

import pytest

from daq.checksums import NAMED
from daq.protocols.fixed_frames import (
    DecimalPoint,
    FrameBits,
    FrameChecksum,
    FrameField,
    FrameLayout,
)
from tests.core.protocols.frames_made import SYNC


def raw(data: str, **more: Any) -> float | None:
    frame = bytes.fromhex(data)
    settings_of_ours: dict[str, Any] = {"byte": 0}
    field = FrameField("v", **(settings_of_ours | more))
    layout = FrameLayout(len(frame), [field])
    return layout.raws_in(frame)[0]


@pytest.mark.parametrize(
    ("kind", "data", "value"),
    [
        # Two's complement and binary32 by hand; 42 F0 33 33 is in vectors/modbus.json.
        ("u8", "FE", 254),
        ("s8", "FE", -2),
        ("u16", "FE 01", 65025),
        ("s16", "FF FE", -2),
        ("u24", "01 00 02", 65538),
        ("s24", "FF FF FD", -3),
        ("u32", "00 01 00 02", 65538),
        ("s32", "FF FF FF FC", -4),
        ("f32", "42 F0 33 33", 120.0999984741211),
    ],
)
def test_a_number_is_read_in_either_byte_order(
    kind: str, data: str, value: float
) -> None:
    assert raw(data, type=kind) == value
    turned = bytes.fromhex(data)[::-1].hex()
    assert raw(turned, type=kind, byte_order="DCBA") == value


def test_bcd_is_two_decimal_digits_a_byte() -> None:
    assert raw("01 23 45", type="bcd", size=3) == 12345
    assert raw("45 23 01", type="bcd", size=3, byte_order="DCBA") == 12345


def test_bcd_with_other_digits_is_no_number() -> None:
    with pytest.raises(ValueError, match="v '1A', expected two decimal digits a byte"):
        raw("1A", type="bcd", size=1)


def test_a_sign_may_be_a_bit_of_the_value_or_a_byte_of_its_own() -> None:
    inside = FrameBits(0, 0x80, 0x80)
    assert raw("80 07", type="u16", sign=inside) == -7
    assert raw("00 07", type="u16", sign=inside) == 7
    minus = FrameBits(0, 0xFF, 0x2D)
    assert raw("2D 07", byte=1, type="u8", sign=minus) == -7
    assert raw("2B 07", byte=1, type="u8", sign=minus) == 7


@pytest.mark.parametrize(
    ("told", "value"), [("00", 1234), ("02", 12.34), ("F9", 1.234e-6)]
)
def test_the_decimal_point_is_where_the_meter_says(told: str, value: float) -> None:
    point = DecimalPoint(2, 0x0F)
    # 1234 / 10^9 is rounded once.
    assert raw(f"04 D2 {told}", type="u16", point=point) == pytest.approx(
        value, rel=1e-15
    )


def test_more_digits_behind_the_point_than_there_are_is_no_number() -> None:
    with pytest.raises(ValueError, match="v 10 digits behind the point, expected 9"):
        raw("04 D2 0A", type="u16", point=DecimalPoint(2, 0x0F))


def test_overrange_is_a_pattern_a_flag_or_no_number() -> None:
    patterns = (b"\x7f\xff", b"\x80\x00")
    assert raw("80 00", type="s16", overrange=patterns) is None
    assert raw("80 01", type="s16", overrange=patterns) == -32767
    flag = FrameBits(2, 0x01, 0x01)
    assert raw("00 07 03", type="u16", overrange_bits=flag) is None
    assert raw("00 07 02", type="u16", overrange_bits=flag) == 7
    assert raw("7F C0 00 00", type="f32") is None


@pytest.mark.parametrize(
    ("checksum", "first", "frame"),
    [
        # Sum 0x55 + 0x01 + 0xFF = 0x155; exclusive-or 0x55 ^ 0x01 ^ 0xFF = 0xAB; 0x100 - 0x55.
        ("sum8", 0, "55 01 FF 55"),
        ("xor8", 0, "55 01 FF AB"),
        ("lrc8", 0, "55 01 FF AB"),
        ("sum8", 1, "55 01 FF 00"),
        # Modbus over Serial Line V1.02, Appendix B: 02 07 gives 41 12, low byte first.
        ("crc16-modbus", 1, "55 02 07 41 12"),
    ],
)
def test_a_checksum_covers_what_it_is_said_to(
    checksum: str, first: int, frame: str
) -> None:
    data, named = bytes.fromhex(frame), NAMED[checksum]
    place = len(data) - named.size
    order: Any = "BA" if named.size == 2 else "AB"
    layout = FrameLayout(
        len(data),
        [FrameField("v", byte=1, type="u16")],
        b"\x55",
        FrameChecksum(named, place, first, place - 1, order),
    )
    assert layout.fault_in(data) == ""
    spoiled = data[:-1] + bytes((data[-1] ^ 1,))
    assert layout.fault_in(spoiled).startswith("checksum 0x")


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"type": "bcd"}, "v: 0 bytes of bcd, expected 1 to 8"),
        ({"type": "u64"}, "v: type 'u64', expected one of u8, s8, u16"),
        ({"type": "u16", "size": 3}, "v: 3 bytes of u16"),
        ({"type": "u16", "byte_order": "BADC"}, "v: byte order 'BADC'"),
        (
            {"type": "u16", "overrange": (b"\xff",)},
            "v: overrange 'FF', expected 2 bytes",
        ),
        ({"type": "u16", "scale": 0.0}, "v: scale 0.0"),
    ],
)
def test_a_field_that_no_frame_can_hold_is_refused(
    more: dict[str, Any], said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        FrameField("v", byte=0, **more)


@pytest.mark.parametrize(
    ("length", "sync", "field", "checksum", "said"),
    [
        (0, b"", {}, None, "length 0 with 0 sync bytes"),
        (257, b"", {}, None, "length 257"),
        (2, SYNC, {}, None, "length 2 with 2 sync bytes, expected more than those"),
        (4, SYNC, {"byte": 3}, None, "v: byte 4, expected all of it in bytes 0 to 3"),
        (4, SYNC, {"point": DecimalPoint(4, 15)}, None, "v: byte 4"),
        (4, SYNC, {}, FrameChecksum(NAMED["sum8"], 4, 0, 3), "checksum at byte 4"),
        (5, SYNC, {}, FrameChecksum(NAMED["sum8"], 4, 0, 4), "checksum over bytes 0 to 4"),
        (5, SYNC, {}, FrameChecksum(NAMED["sum8"], 4, 3, 2), "checksum over bytes 3 to 2"),
    ],
)  # fmt: skip
def test_a_layout_that_does_not_fit_its_frame_is_refused(
    length: int,
    sync: bytes,
    field: dict[str, Any],
    checksum: FrameChecksum | None,
    said: str,
) -> None:
    usual: dict[str, Any] = {"byte": 2, "type": "u16"}
    value = FrameField("v", **(usual | field))
    with pytest.raises(ValueError, match=said):
        FrameLayout(length, [value], sync, checksum)
