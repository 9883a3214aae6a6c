"""What is not believed of registers though it agrees: another half, a follower, a display that hardly moved."""

import struct
from collections.abc import Mapping, Sequence

import pytest

from daq.recognising.candidates import Candidate, find_candidates
from daq.recognising.choosing import (
    FieldFound,
    Load,
    Standing,
    choose,
    remaining,
    take,
)
from daq.recognising.ranges import Address, Sweep
from daq.recognising.shown import parse_shown

Row = tuple[str, Sequence[Sweep]]
"""What the display shows at a load, and the registers meanwhile."""

WATTS = (148.2, 700.6, 420.3)


def halves(value: float) -> tuple[int, int]:
    """Upper and lower register of a float."""
    upper, lower = struct.unpack(">2H", struct.pack(">f", value))
    return upper, lower


def sweep(words: Mapping[int, int] | Sequence[int], *, function: int = 4) -> Sweep:
    pairs = words.items() if isinstance(words, Mapping) else enumerate(words)
    return {(function, address): word for address, word in pairs}


def compared(
    name: str, rows: Sequence[Row], absent: frozenset[Address] = frozenset()
) -> tuple[FieldFound, list[Load]]:
    """What the loads tell of one field."""
    loads: list[Load] = []
    candidates: dict[str, list[Candidate]] = {}
    for text, sweeps in rows:
        loads.append(Load((parse_shown(f"{name}={text}"),), tuple(sweeps)))
        if len(loads) == 1:
            candidates = {name: find_candidates(loads[0].shown[0], sweeps)}
        else:
            candidates = remaining(candidates, loads[-1])
    (field,) = choose(candidates, loads, absent)
    return field, loads


def mirrored(*, lower: int | None) -> list[Row]:
    """Watts whose upper half is register 127, a nought at 126, and at 128 what is asked for: nothing, or the lower half."""
    rows: list[Row] = []
    for watts in WATTS:
        upper, own = halves(watts)
        words = {125: 9, 126: 0, 127: upper}
        if lower is not None:
            words[128] = own if lower < 0 else lower
        rows.append((f"{watts:.0f} W", [sweep(words)]))
    return rows


def test_a_float_is_not_believed_where_its_other_neighbour_was_not_read() -> None:
    field, _ = compared("power", mirrored(lower=None))
    assert field.standing is Standing.UNREAD
    assert "register 128 beside it was not read" in field.notes[0]


def test_a_float_is_believed_where_the_unit_has_no_other_neighbour() -> None:
    field, _ = compared("power", mirrored(lower=None), frozenset({(4, 128)}))
    assert field.standing is Standing.FOUND
    assert field.candidates == (Candidate(4, 126, "f32", "CDAB", 1.0),)


def test_both_orders_of_a_float_are_told_where_the_display_is_too_coarse_for_them() -> (
    None
):
    field, _ = compared("power", mirrored(lower=-1))
    assert field.standing is Standing.SEVERAL
    assert {(c.address, c.byte_order) for c in field.candidates} == {
        (126, "CDAB"),
        (127, "ABCD"),
    }


def test_a_neighbour_that_was_lost_at_one_load_leaves_a_float_open() -> None:
    rows = mirrored(lower=-1)
    text, (whole,) = rows[1]
    rows[1] = (text, [{a: w for a, w in whole.items() if a != (4, 128)}])
    field, _ = compared("power", rows)
    assert field.standing is Standing.UNREAD


@pytest.mark.parametrize(
    ("beside", "standing"), [((9, 9), Standing.FOUND), ((9,), Standing.UNREAD)]
)
def test_sixteen_bits_that_could_run_over_need_both_neighbours(
    beside: Sequence[int], standing: Standing
) -> None:
    # Thousandths of a watt: 65.535 W would be the end of sixteen bits.
    rows: list[Row] = [
        (f"{watts:.2f} W", [sweep([*beside[:1], round(watts * 1000), *beside[1:]])])
        for watts in (12.34, 41.50, 12.34)
    ]
    field, _ = compared("power", rows)
    assert field.standing is standing


def test_a_field_that_may_be_sixteen_bits_has_no_say_in_the_order_of_others() -> None:
    loads = []
    for amperes, watts in zip((0.64, 3.05, 1.83), WATTS, strict=True):
        upper, lower = halves(watts)
        # The current stands behind a nought, as the lower half of ABCD would; the power's own order is CDAB.
        words = [0, round(amperes * 1000), 7, lower, upper, 0]
        shown = (f"current={amperes:.3f} A", f"power={watts:.0f} W")
        loads.append(Load(tuple(map(parse_shown, shown)), (sweep(words),)))
    candidates = {s.name: find_candidates(s, loads[0].sweeps) for s in loads[0].shown}
    for load in loads[1:]:
        candidates = remaining(candidates, load)
    current, power = choose(candidates, loads)
    assert current.standing is Standing.FOUND
    assert power.standing is Standing.SEVERAL


# ---- how far display and register moved


def volts(*rows: tuple[float, Sequence[Sequence[int]]]) -> list[Row]:
    """A display in tenths of a volt, and the sweeps of each load."""
    return [
        (f"{shown:.1f} V", [sweep(words) for words in held]) for shown, held in rows
    ]


def test_two_loads_confirm_nothing_though_the_register_lives() -> None:
    rows = volts(
        (230.1, [[7, 2301, 4711], [7, 2302, 4711]]),
        (230.2, [[7, 2302, 4711], [7, 2301, 4711]]),
    )
    assert compared("voltage", rows)[0].standing is Standing.UNCONFIRMED
    assert compared("voltage", [*rows, rows[0]])[0].standing is Standing.FOUND


def test_a_register_that_rose_and_fell_is_weaker_evidence_however_far_the_display_went_one_way() -> (
    None
):
    field, _ = compared(
        "voltage",
        volts(
            (230.3, [[9, 2303, 9]]), (229.9, [[9, 2299, 9]]), (230.1, [[9, 2301, 9]])
        ),
    )
    assert field.standing is Standing.FOUND
    assert "this is less certain" in field.notes[0]


@pytest.mark.parametrize("words", [(2303, 2299, 2299), (2300, 2303, 2304)])
def test_a_register_that_went_one_way_only_is_not_believed(
    words: Sequence[int],
) -> None:
    texts = [word / 10 for word in words]
    rows = volts(*((t, [[9, w, 9]]) for t, w in zip(texts, words, strict=True)))
    assert compared("voltage", rows)[0].standing is Standing.UNCONFIRMED


def test_an_average_that_goes_less_than_half_the_way_is_left_out() -> None:
    rows = volts(
        (230.0, [[9, 2300, 9]]),
        (230.3, [[9, 2300, 9], [9, 2301, 9]]),
        (230.0, [[9, 2301, 9], [9, 2300, 9]]),
    )
    assert compared("voltage", rows)[0].standing is Standing.NONE


def test_a_maximum_beside_the_value_falls_away_though_the_display_hardly_moved() -> (
    None
):
    rows = volts(
        (230.0, [[9, 2300, 9, 2300, 9]]),
        (230.3, [[9, 2303, 9, 2303, 9]]),
        (230.0, [[9, 2300, 9, 2303, 9]]),
    )
    field, _ = compared("voltage", rows)
    assert field.candidates == (Candidate(4, 1, "u16", "ABCD", 0.1),)


def test_a_display_that_was_read_seconds_ago_costs_no_value() -> None:
    # The last one is read two tenths from where the sweeps are.
    rows = volts(
        (230.0, [[9, 2300, 9]]), (226.0, [[9, 2260, 9]]), (229.8, [[9, 2300, 9]])
    )
    field, _ = compared("voltage", rows)
    assert (field.standing, field.candidates[0].address) == (Standing.FOUND, 1)


def test_a_coarse_constant_falls_away_beside_what_follows_in_every_digit() -> None:
    rows = volts(
        (230.5, [[230, 9, 2305, 9]]),
        (229.9, [[230, 9, 2299, 9]]),
        (230.4, [[230, 9, 2304, 9]]),
    )
    field, _ = compared("voltage", rows)
    assert field.candidates == (Candidate(4, 2, "u16", "ABCD", 0.1),)


def test_counts_coarser_than_the_display_are_found_from_nought_on() -> None:
    rows: list[Row] = [
        (f"{amperes:.3f} A", [sweep([9, word, 9])])
        for amperes, word in ((0.0, 0), (0.683, 68), (0.0, 0))
    ]
    field, _ = compared("current", rows)
    assert field.candidates == (Candidate(4, 1, "u16", "ABCD", 0.01),)


def test_whole_counts_are_not_256ths_with_bytes_exchanged() -> None:
    rows: list[Row] = [
        (f"{watts} W", [sweep([9, watts, 9])]) for watts in (40, 180, 40)
    ]
    field, _ = compared("power", rows)
    assert field.candidates == (Candidate(4, 1, "u16", "ABCD", 1.0),)


def test_two_digits_that_hardly_move_confirm_nothing() -> None:
    rows: list[Row] = [
        (f"{watts} W", [sweep([4711, watts, 4711])]) for watts in (40, 42, 40)
    ]
    assert compared("power", rows)[0].standing is Standing.UNCONFIRMED


# ---- the operator's word


def test_what_the_operator_takes_of_several_is_told_as_taken() -> None:
    rows: list[Row] = [
        (f"{watts} W", [sweep([9, watts, 9, watts, 9])]) for watts in (120, 1410, 120)
    ]
    field, loads = compared("power", rows)
    taken = take(field, field.candidates[1], loads)
    assert taken.standing is Standing.FOUND
    assert taken.notes[0].startswith(
        "taken by the operator's word, one of 2 that agreed"
    )


def test_what_the_operator_takes_unconfirmed_is_told_as_not_confirmed() -> None:
    rows: list[Row] = [(f"{watts} W", [sweep([9, watts, 9])]) for watts in (120, 1410)]
    field, loads = compared("power", rows)
    notes = take(field, field.candidates[0], loads).notes
    assert notes[0] == "taken by the operator's word"
    assert notes[1].startswith("not confirmed: power was not seen to rise and to fall")


def test_what_the_operator_takes_though_a_register_was_not_read_says_which() -> None:
    field, loads = compared("power", mirrored(lower=None))
    notes = take(field, field.candidates[0], loads).notes
    assert any("register 128 beside it was not read" in note for note in notes)


@pytest.mark.parametrize(
    ("candidate", "label"),
    [
        (Candidate(3, 1, "u16", "ABCD", 0.1), "3:1:u16:0.1"),
        (Candidate(4, 126, "f32", "CDAB", 1.0), "4:126:f32:CDAB:1"),
    ],
)
def test_a_candidate_has_a_name_that_no_other_has(
    candidate: Candidate, label: str
) -> None:
    assert candidate.label == label
