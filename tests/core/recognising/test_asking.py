"""Requests of a search: they read, and nothing else; and which registers are asked for."""

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.framing import append_crc
from daq.recognising.asking import (
    IDENTITY_QUERY,
    QUERIES,
    STARTING_QUERIES,
    Registers,
    checked_query,
    parse_registers,
    queries_to_try,
    read_request,
)
from daq.recognising.ranges import MOST_REGISTERS, RangeSearch

STEADY = settings(derandomize=True, deadline=None, max_examples=100)
REQUEST = read_request(0x11, 4, 8, 1)


def test_a_read_is_the_frame_of_the_standard() -> None:
    # Modbus Application Protocol V1.1b3, 6.4, in a frame for unit 17.
    assert REQUEST[:-2] == bytes.fromhex("11 04 00 08 00 01")
    assert append_crc(REQUEST[:-2]) == REQUEST


@pytest.mark.parametrize("function", [1, 2, 5, 6, 15, 16, 23])
def test_no_frame_but_a_read_of_registers_can_be_made(function: int) -> None:
    with pytest.raises(ValueError, match="expected"):
        read_request(1, function, 0, 1)


def test_nobody_is_asked_by_broadcast() -> None:
    with pytest.raises(ValueError, match="unit 0"):
        read_request(0, 3, 0, 1)


def test_a_reply_is_taken_whole_and_alone() -> None:
    # 6.4 of the same: the register holds 10.
    reply = append_crc(bytes.fromhex("11 04 02 00 0A"))
    assert parse_registers(reply, REQUEST) == Registers((10,))
    for cut in range(len(reply)):
        assert parse_registers(reply[:cut], REQUEST) is None
    assert parse_registers(reply + b"\x00", REQUEST) is None
    assert parse_registers(b"\x00" + reply, REQUEST) is None


def test_a_refusal_is_a_reply() -> None:
    refusal = append_crc(bytes((0x11, 0x84, 2)))
    assert parse_registers(refusal, REQUEST) == Registers((), 2)


@given(st.integers(0, 6), st.integers(1, 255))
@STEADY
def test_a_spoiled_reply_is_none(place: int, change: int) -> None:
    reply = bytearray(append_crc(bytes.fromhex("11 04 02 00 0A")))
    reply[place] ^= change
    assert parse_registers(bytes(reply), REQUEST) is None


def test_every_text_is_a_question() -> None:
    assert all(query.endswith("?") for query in (IDENTITY_QUERY, *QUERIES))
    assert checked_query(" VOLT? ") == "VOLT?"
    for order in ("*RST", "OUTP ON", "CAL?\nOUTP ON", ""):
        with pytest.raises(ValueError, match="only questions are sent"):
            checked_query(order)


def test_nothing_that_configures_or_starts_a_measurement_is_asked_unasked() -> None:
    # SCPI-1999, volume 2, chapter 3: MEASure? is CONFigure and READ?, READ? is ABORt, INITiate and FETCh?.
    assert not {"MEAS", "READ", "CONF", "INIT", "ABOR"} & {q[:4] for q in QUERIES}
    assert queries_to_try(STARTING_QUERIES) == ("MEAS?", "READ?")


def test_the_operators_own_query_is_asked_alone() -> None:
    assert queries_to_try(["POW?"]) == ("POW?",)
    assert queries_to_try([]) == QUERIES


def searched(search: RangeSearch, readable: set[int], functions: set[int]) -> int:
    """Answer as a unit that has these registers; how many requests it took."""
    asked = 0
    while (wanted := search.next_range()) is not None:
        asked += 1
        wished = range(wanted.address, wanted.address + wanted.count)
        if wanted.function not in functions:
            search.refused(is_whole_function=True)
        elif readable.issuperset(wished):
            search.took(tuple(wished))
        else:
            search.refused(is_whole_function=False)
    return asked


@given(st.sets(st.integers(0, 127)), st.sets(st.sampled_from((3, 4))))
@STEADY
def test_every_readable_register_is_found_and_no_other(
    readable: set[int], functions: set[int]
) -> None:
    search = RangeSearch(0, 127)
    searched(search, readable, functions)
    assert search.words == {(f, a): a for f in functions for a in readable}
    read = [
        (r.function, r.address + i) for r in search.readable for i in range(r.count)
    ]
    # What is read again are those ranges, and none that was refused.
    assert sorted(read) == sorted(search.words)


def test_a_refused_function_is_not_asked_for_again() -> None:
    assert searched(RangeSearch(0, 127), set(), set()) == 2


def test_a_range_that_is_not_answered_is_asked_for_once_more() -> None:
    search = RangeSearch(0, 3, functions=(3,))
    first = search.next_range()
    search.silent()
    assert search.next_range() == first
    search.silent()
    assert (search.next_range(), search.silent_count) == (None, 4)


def test_a_little_more_is_read_beyond_both_ends_and_not_counted() -> None:
    search = RangeSearch(10, 20, functions=(4,))
    searched(search, set(range(100)), {4})
    assert sorted(search.words) == [(4, address) for address in range(8, 23)]
    assert search.read_count == 11


def test_the_ends_of_all_addresses_are_not_passed() -> None:
    for first, last in ((0, 3), (65_530, 65_535)):
        search = RangeSearch(first, last, functions=(3,))
        searched(search, set(range(65_536)), {3})
        assert {(3, first), (3, last)} <= search.words.keys()
        assert all(0 <= address <= 65_535 for _, address in search.words)


def test_what_is_refused_beside_a_register_is_absent_and_counted_once() -> None:
    search = RangeSearch(0, 7, functions=(4,))
    searched(search, {3, 4}, {4})
    assert {(4, 2), (4, 5)} <= search.absent
    assert (len(search.words), search.refused_count) == (2, 6)


def test_a_register_that_is_given_only_with_its_neighbour_is_read() -> None:
    search = RangeSearch(0, 3, functions=(4,))
    while (wanted := search.next_range()) is not None:
        wished = set(range(wanted.address, wanted.address + wanted.count))
        # Register 1 can be read alone and with 2; 2 alone would be half a number.
        if wished in ({1}, {1, 2}):
            search.took(tuple(sorted(wished)))
        else:
            search.refused(is_whole_function=False)
    assert search.words == {(4, 1): 1, (4, 2): 2}
    assert (4, 2) not in search.absent


def test_a_neighbour_that_is_not_answered_is_not_absent() -> None:
    search = RangeSearch(0, 3, functions=(4,))
    while (wanted := search.next_range()) is not None:
        if (wanted.address, wanted.count) == (1, 1):
            search.took((1,))
        elif (wanted.address, wanted.count) == (1, 2):
            search.silent()
        else:
            search.refused(is_whole_function=False)
    assert (4, 0) in search.absent
    assert (4, 2) not in search.absent


def test_a_search_is_bounded() -> None:
    RangeSearch(0, MOST_REGISTERS - 1)
    for first, last in ((0, MOST_REGISTERS), (5, 4), (65_535, 65_536)):
        with pytest.raises(ValueError, match="at most 1000"):
            RangeSearch(first, last)


def test_the_golden_frames_are_made_and_parsed() -> None:
    path = Path(__file__).parents[2] / "vectors" / "modbus.json"
    golden = {f["id"]: f for f in json.loads(path.read_text("utf-8"))["frames"]}
    for function, name, address, count in (
        (3, "read holding registers", 0x6B, 3),
        (4, "read input registers", 8, 1),
    ):
        request = read_request(1, function, address, count)
        assert request == bytes.fromhex(golden[f"{name}, request"]["frame"])
        reply = golden[f"{name}, reply"]
        parsed = parse_registers(bytes.fromhex(reply["frame"]), request)
        assert parsed == Registers(tuple(reply["registers"]))
