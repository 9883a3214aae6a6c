"""Modbus RTU: what is asked, and what is a reading."""

from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.framing import append_crc
from daq.protocols.modbus import Block, ModbusRtu, RegisterField, plan_blocks
from daq.records import Gap, GapReason, Reading, unusable_bit
from tests.core.protocols.modbus_asked import (
    CHAR_S,
    DEADLINE_S,
    FRAMES,
    MODBUS,
    REPLY,
    REQUEST,
    REQUEST_END_S,
    STEADY,
    after_deadline,
    answered,
    holding,
    meter,
    published,
)

# What is asked


def test_the_request_is_the_published_one() -> None:
    assert published().query(10.0) == REQUEST
    one = meter(RegisterField("a", 4, 8, "u16", "AB"))
    assert one.query(10.0) == FRAMES["read input registers, request"]


def test_nothing_more_is_asked_while_a_reply_is_awaited() -> None:
    protocol = published()
    protocol.query(10.0)
    protocol.feed(REPLY[:4], 10.1)
    assert protocol.query(10.1) == b""


def test_the_deadline_allows_for_the_time_of_the_whole_reply() -> None:
    protocol = published()
    assert protocol.deadline is None
    protocol.query(10.0)
    assert protocol.deadline == pytest.approx(DEADLINE_S, abs=1e-12)


def test_an_abandoned_poll_is_begun_anew() -> None:
    protocol = meter(holding("a", 0), holding("b", 100))
    first = protocol.query(10.0)
    protocol.feed(append_crc(b"\x01\x03\x02\x00\x01"), 10.1)
    assert protocol.query(10.1) != first
    assert protocol.query(99.0) == first


def test_a_poll_abandoned_between_two_requests_is_begun_anew() -> None:
    protocol = meter(holding("a", 0), holding("b", 100))
    first = protocol.query(10.0)
    protocol.feed(append_crc(b"\x01\x03\x02\x00\x01"), 10.1)
    assert protocol.query(99.0) == first


# Where registers lie


def blocks_of(fields: list[RegisterField], **limits: int) -> list[tuple[int, int, int]]:
    planned = plan_blocks(fields, **limits)
    return [(block.function, block.address, block.count) for block in planned]


def test_contiguous_registers_share_a_request_and_others_do_not() -> None:
    fields = [
        holding("d", 20),
        holding("b", 12, kind="f32"),
        holding("a", 10, kind="f32"),
        RegisterField("e", 4, 14, "u16"),
    ]
    assert blocks_of(fields) == [(3, 10, 4), (3, 20, 1), (4, 14, 1)]
    assert plan_blocks(fields)[0] == Block(3, 10, 4, (2, 1))


def test_a_gap_is_read_along_only_if_it_may_be() -> None:
    fields = [holding("a", 0), holding("b", 3)]
    assert blocks_of(fields, max_gap=1) == [(3, 0, 1), (3, 3, 1)]
    assert blocks_of(fields, max_gap=2) == [(3, 0, 4)]


def test_overlapping_fields_share_a_request() -> None:
    fields = [holding("both", 0, kind="u32"), holding("high", 0), holding("low", 1)]
    assert blocks_of(fields) == [(3, 0, 2)]


def test_no_block_is_longer_than_125_registers_and_none_splits_a_value() -> None:
    fields = [holding(f"r{i}", 2 * i, kind="f32") for i in range(100)]
    # 62 values fill 124 registers; the 125th would be half of the next value.
    assert blocks_of(fields) == [(3, 0, 124), (3, 124, 76)]


@STEADY
@given(
    st.lists(
        st.tuples(
            st.sampled_from([3, 4]),
            st.integers(0, 400),
            st.sampled_from(["u16", "f32"]),
        ),
        min_size=1,
        max_size=60,
    ),
    st.integers(2, 125),
    st.integers(0, 5),
)
def test_every_field_lies_whole_in_exactly_one_block(
    places: list[tuple[int, int, Any]], most: int, gap: int
) -> None:
    fields = [RegisterField(f"r{i}", *place) for i, place in enumerate(places)]
    blocks = plan_blocks(fields, max_registers=most, max_gap=gap)
    found = sorted(index for block in blocks for index in block.indices)
    assert found == list(range(len(fields)))
    for block in blocks:
        assert block.count <= most
        for index in block.indices:
            assert fields[index].function == block.function
            assert block.address <= fields[index].address
            assert fields[index].end <= block.address + block.count


@pytest.mark.parametrize(
    ("limits", "named"),
    [
        ({"max_registers": 126}, "126 registers"),
        ({"max_registers": 0}, "0 registers"),
        ({"max_gap": -1}, "gap -1"),
        ({"max_registers": 1}, "long: 2 registers"),
    ],
)
def test_an_impossible_plan_is_refused(limits: dict[str, int], named: str) -> None:
    with pytest.raises(ValueError, match=named):
        plan_blocks([holding("long", 0, kind="f32")], **limits)


@pytest.mark.parametrize(
    ("more", "named"),
    [
        ({"function": 6}, "function 6"),
        ({"address": 65535}, "address 65535"),
        ({"address": -1}, "address -1"),
        ({"kind": "f64"}, "kind 'f64'"),
        ({"byte_order": "AB"}, "byte order 'AB'"),
        ({"name": ""}, "no name"),
        ({"scale": 0.0}, "scale 0.0"),
        ({"offset": float("nan")}, "offset nan"),
        ({"low": 2.0, "high": 1.0}, "low 2.0 above high 1.0"),
    ],
)
def test_an_impossible_field_is_refused_by_name(
    more: dict[str, Any], named: str
) -> None:
    plain: dict[str, Any] = {"name": "a", "function": 3, "address": 0, "kind": "f32"}
    with pytest.raises(ValueError, match=named):
        RegisterField(**(plain | more))


@pytest.mark.parametrize("unit", [0, 248])
def test_a_unit_that_cannot_answer_is_refused(unit: int) -> None:
    with pytest.raises(ValueError, match=f"unit {unit}"):
        meter(holding("a", 0), unit=unit)


def test_an_instrument_without_fields_or_with_one_twice_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        meter()
    with pytest.raises(ValueError, match="each name once"):
        meter(holding("a", 0), holding("a", 1))


def test_a_timeout_of_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="reply_timeout_s 0"):
        ModbusRtu(
            instrument="m",
            unit=1,
            fields=[holding("a", 0)],
            reply_timeout_s=0,
            char_s=CHAR_S,
        )


# What a reading is


def test_the_published_reply_gives_its_registers() -> None:
    outcome = answered(published(), [REPLY])
    assert isinstance(outcome, Reading)
    assert outcome.values == (555.0, 0.0, 100.0)
    assert outcome.flags == 0


@pytest.mark.parametrize(
    "vector", MODBUS["values"], ids=lambda v: f"{v['kind']} {v['byte_order']}"
)
def test_a_value_is_read_in_each_byte_order(vector: dict[str, Any]) -> None:
    field = RegisterField("a", 3, 0, vector["kind"], vector["byte_order"])
    data = bytes.fromhex(vector["data"])
    outcome = answered(meter(field), [append_crc(bytes((1, 3, len(data))) + data)])
    assert isinstance(outcome, Reading)
    assert outcome.values[0] == pytest.approx(
        vector["value"], abs=vector["tolerance"], rel=0
    )


def test_byte_orders_and_overlapping_fields_mix_in_one_block() -> None:
    protocol = meter(
        RegisterField("swapped", 3, 2, "f32", "CDAB"),
        RegisterField("plain", 3, 0, "f32", "ABCD"),
        RegisterField("low word", 3, 1, "u16", "AB"),
        RegisterField("last", 3, 4, "s16", "BA"),
    )
    data = bytes.fromhex("42F6E979 E97942F6 FEFF")
    outcome = answered(protocol, [append_crc(b"\x01\x03\x0a" + data)])
    assert isinstance(outcome, Reading)
    # 0xE979 = 59769 by hand; the others are in vectors/modbus.json.
    assert outcome.values == pytest.approx(
        (123.456, 123.456, 59769.0, -2.0), abs=4e-6, rel=0
    )


def test_scale_and_offset_are_applied() -> None:
    protocol = meter(holding("t", 0, scale=0.1, offset=-40.0))
    outcome = answered(protocol, [append_crc(b"\x01\x03\x02\x02\x2b")])
    assert isinstance(outcome, Reading)
    # 555 * 0.1 - 40 = 15.5; tolerance: the rounding of two operations on doubles.
    assert outcome.values[0] == pytest.approx(15.5, abs=1e-13)


@pytest.mark.parametrize("vector", MODBUS["unusable"], ids=lambda v: v["id"])
def test_a_float_that_is_no_number_becomes_none_and_the_others_stand(
    vector: dict[str, str],
) -> None:
    protocol = meter(
        holding("good", 2, kind="f32"), holding("bad", 0, kind="f32", low=0, high=9)
    )
    data = bytes.fromhex(vector["data"] + "42F03333")
    outcome = answered(protocol, [append_crc(b"\x01\x03\x08" + data)])
    assert isinstance(outcome, Reading)
    assert outcome.values[0] == pytest.approx(120.1, abs=4e-6)
    assert outcome.values[1] is None
    assert outcome.flags == unusable_bit(1)


def test_a_reading_is_true_midway_between_request_and_reply() -> None:
    outcome = answered(published(), [REPLY[:5], REPLY[5:]], start_s=10.05)
    assert isinstance(outcome, Reading)
    assert outcome.at_s == pytest.approx((REQUEST_END_S + 10.05) / 2, abs=1e-12)


def test_a_reply_is_never_taken_to_begin_before_the_request_ended() -> None:
    # A port that hands all bytes over at once lets them seem to have come too early.
    protocol = published()
    protocol.query(10.0)
    protocol.feed(REPLY, REQUEST_END_S + 0.001)
    outcome = protocol.next_reading()
    assert isinstance(outcome, Reading)
    assert outcome.at_s == pytest.approx(REQUEST_END_S, abs=1e-12)


def test_a_poll_of_two_requests_is_one_reading_midway_through_both() -> None:
    protocol = meter(holding("far", 100), holding("near", 0))
    assert protocol.query(10.0) == append_crc(bytes.fromhex("010300000001"))
    protocol.feed(append_crc(b"\x01\x03\x02\x00\x07"), 10.027)
    assert protocol.next_reading() is None
    assert protocol.deadline is None
    assert protocol.query(10.03) == append_crc(bytes.fromhex("010300640001"))
    protocol.feed(append_crc(b"\x01\x03\x02\x00\x09"), 10.077)
    outcome = protocol.next_reading()
    assert isinstance(outcome, Reading)
    assert outcome.values == (9.0, 7.0)
    # First request ends at 10.008, last reply (7 characters) begins at 10.070.
    assert outcome.at_s == pytest.approx(10.039, abs=1e-12)
    assert protocol.next_reading() is None


def test_a_gap_in_the_second_request_leaves_nothing_of_the_first() -> None:
    protocol = meter(holding("near", 0), holding("far", 100))
    first = protocol.query(10.0)
    protocol.feed(append_crc(b"\x01\x03\x02\x00\x07"), 10.02)
    protocol.query(10.03)
    outcome = after_deadline(protocol)
    assert isinstance(outcome, Gap)
    assert outcome.reason is GapReason.NO_REPLY
    assert protocol.query(11.0) == first


@STEADY
@given(st.lists(st.integers(1, len(REPLY) - 1), max_size=10))
def test_a_reply_cut_anywhere_into_chunks_is_the_same_reading(cuts: list[int]) -> None:
    edges = sorted({0, *cuts, len(REPLY)})
    chunks = [REPLY[a:b] for a, b in pairwise(edges)]
    outcome = answered(published(), chunks)
    assert isinstance(outcome, Reading)
    assert outcome.values == (555.0, 0.0, 100.0)
    assert outcome.at_s == pytest.approx((REQUEST_END_S + 10.05) / 2, abs=1e-12)


def test_a_reply_byte_by_byte_is_a_reading_at_its_last_byte_only() -> None:
    protocol = published()
    assert answered(protocol, [bytes((byte,)) for byte in REPLY[:-1]]) is None
    protocol.feed(REPLY[-1:], 10.1)
    assert isinstance(protocol.next_reading(), Reading)


def test_a_whole_reply_is_a_reading_though_it_is_handed_over_late() -> None:
    # Nothing else was asked since: a slow computer must not cost a reading.
    protocol = published()
    protocol.query(10.0)
    protocol.feed(REPLY, DEADLINE_S + 0.1)
    assert isinstance(protocol.next_reading(), Reading)
