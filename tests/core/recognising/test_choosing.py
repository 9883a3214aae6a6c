"""Registers against a display: what agrees, what falls away at a second load, and what is never chosen."""

import struct
from collections.abc import Mapping, Sequence

import pytest

from daq.recognising.candidates import Candidate, agrees, find_candidates
from daq.recognising.choosing import (
    FieldFound,
    Load,
    Move,
    Standing,
    choose,
    remaining,
    take,
    wanted_moves,
)
from daq.recognising.ranges import Sweep
from daq.recognising.shown import Shown, parse_shown, shown_again

CODES = {"u16": ">H", "s16": ">h", "u32": ">I", "s32": ">i", "f32": ">f"}
PLACES = {"ABCD": "0123", "CDAB": "2301", "BADC": "1032", "DCBA": "3210"}


def packed(kind: str, order: str, raw: float) -> list[int]:
    """Registers as a meter fills them."""
    data = struct.pack(CODES[kind], raw if kind == "f32" else int(raw))
    if len(data) == 4:
        data = bytes(data[int(place)] for place in PLACES[order])
    return [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]


def sweep(words: Sequence[int], *, first: int = 0, function: int = 4) -> Sweep:
    return {(function, first + i): word for i, word in enumerate(words)}


Shows = tuple[Mapping[str, str], Sequence[Sweep]]
"""What the display shows at a load, and the registers meanwhile."""


def found_there_and_back(first: Shows, second: Shows) -> dict[str, FieldFound]:
    """What two loads tell of each field, with the first once more at the end."""
    return found(first, second, first)


def found(*loads: Shows) -> dict[str, FieldFound]:
    """What the loads tell of each field."""
    taken: list[Load] = []
    candidates: dict[str, list[Candidate]] = {}
    for display, sweeps in loads:
        shown = tuple(parse_shown(f"{name}={text}") for name, text in display.items())
        taken.append(Load(shown, tuple(sweeps)))
        if len(taken) == 1:
            candidates = {s.name: find_candidates(s, sweeps) for s in shown}
        else:
            candidates = remaining(candidates, taken[-1])
    return {field.shown.name: field for field in choose(candidates, taken)}


@pytest.mark.parametrize("order", sorted(PLACES))
@pytest.mark.parametrize(
    ("kind", "scale", "values"),
    [
        ("f32", 1.0, (812.4, 1411.7)),
        ("u32", 0.01, (812.4, 1411.7)),
        ("s32", 0.001, (-812.4, 1411.7)),
    ],
)
def test_type_order_and_scale_of_two_registers_are_found(
    kind: str, order: str, scale: float, values: tuple[float, float]
) -> None:
    loads = []
    for value in values:
        words = packed(kind, order, value if kind == "f32" else round(value / scale))
        # A counter before it, a nominal value and a serial number behind it.
        around = [17, 4711, *words, 2300, 51_966]
        loads.append(({"power": f"{value:.1f} W"}, [sweep(around, first=100)]))
    field = found_there_and_back(*loads)["power"]
    assert field.standing is Standing.FOUND
    assert field.candidates == (Candidate(4, 102, kind, order, scale),)


@pytest.mark.parametrize("scale", [0.1, 0.01, 0.05, 0.0625])
def test_a_scaled_register_is_found(scale: float) -> None:
    loads = [
        (
            {"temperature": f"{round(value / scale) * scale:.1f} Cel"},
            [sweep([9, round(value / scale), 77])],
        )
        for value in (21.5, 45.0)
    ]
    field = found_there_and_back(*loads)["temperature"]
    assert field.candidates == (Candidate(4, 1, "u16", "ABCD", scale),)


def test_a_register_that_happens_to_agree_falls_away_at_the_second_load() -> None:
    field = found_there_and_back(
        ({"voltage": "230.0 V"}, [sweep([2300, 7, 2300])]),
        ({"voltage": "226.4 V"}, [sweep([2300, 7, 2264])]),
    )["voltage"]
    assert field.candidates == (Candidate(4, 2, "u16", "ABCD", 0.1),)


def test_one_load_confirms_nothing() -> None:
    field = found(({"voltage": "230.4 V"}, [sweep([1, 2304, 4711])]))["voltage"]
    assert field.standing is Standing.UNCONFIRMED


def test_a_display_that_did_not_move_confirms_no_constant_register() -> None:
    load = ({"voltage": "230.0 V"}, [sweep([2300, 7])])
    assert found(load, load, load)["voltage"].standing is Standing.UNCONFIRMED


def test_a_register_that_keeps_the_maximum_is_not_believed_while_loads_only_rise() -> (
    None
):
    # The true power is in no register that was read.
    loads: list[Shows] = [
        ({"power": f"{watts} W"}, [sweep([7, watts, 9])]) for watts in (120, 700, 1410)
    ]
    assert found(*loads)["power"].standing is Standing.UNCONFIRMED
    back: Shows = ({"power": "120 W"}, [sweep([7, 1410, 9])])
    assert found(*loads, back)["power"].standing is Standing.NONE


def test_a_register_that_keeps_the_minimum_is_not_believed_while_loads_only_fall() -> (
    None
):
    loads: list[Shows] = [
        ({"voltage": text}, [sweep([7, round(float(text[:5]) * 10), 9])])
        for text in ("230.4 V", "228.2 V", "226.1 V")
    ]
    assert found(*loads)["voltage"].standing is Standing.UNCONFIRMED


def test_the_maximum_beside_the_value_falls_away_on_the_way_back() -> None:
    rows = ((120, 120), (1410, 1410), (130, 1410))
    field = found(
        *(({"power": f"{now} W"}, [sweep([most, 3, now])]) for now, most in rows)
    )["power"]
    assert field.candidates == (Candidate(4, 2, "u16", "ABCD", 1.0),)
    assert field.standing is Standing.FOUND


def test_a_display_that_stands_still_confirms_no_register_that_only_rises() -> None:
    # A maximum creeps with the noise; a value goes up and down with it.
    loads: list[Shows] = [
        ({"voltage": "230.1 V"}, [sweep([7, word])]) for word in (2300, 2301, 2302)
    ]
    assert found(*loads)["voltage"].standing is Standing.UNCONFIRMED


def test_what_a_value_has_yet_to_do_is_told() -> None:
    rows = (("120 W", "230.4 V", "21.5 Cel"), ("1410 W", "226.1 V", "21.5 Cel"))
    names = ("power", "voltage", "temperature")
    loads = [
        Load(
            tuple(parse_shown(f"{n}={t}") for n, t in zip(names, row, strict=True)), ()
        )
        for row in rows
    ]
    assert wanted_moves(loads) == {
        "power": Move.FALL,
        "voltage": Move.RISE,
        "temperature": Move.RISE_OR_FALL,
    }
    assert set(wanted_moves([*loads, loads[0]])) == {"temperature"}


def test_a_register_that_varies_with_the_last_digit_is_taken_and_told() -> None:
    field = found_there_and_back(
        ({"voltage": "230.1 V"}, [sweep([2301, 7]), sweep([2302, 7])]),
        ({"voltage": "230.2 V"}, [sweep([2302, 7]), sweep([2301, 7])]),
    )["voltage"]
    assert field.standing is Standing.FOUND
    assert "this is less certain" in field.notes[0]


def test_two_registers_that_follow_alike_are_left_to_the_operator() -> None:
    loads = [
        ({"power": f"{value} W"}, [sweep([value, 3, value + 100, 5, value])])
        for value in (120, 1410)
    ]
    field = found_there_and_back(*loads)["power"]
    assert field.standing is Standing.SEVERAL
    assert {candidate.address for candidate in field.candidates} == {0, 4}


def test_the_operator_takes_one_of_several() -> None:
    both = [sweep([value, 3, value]) for value in (120, 1410)]
    loads = [
        Load((parse_shown(f"power={value} W"),), (each,))
        for value, each in zip((120, 1410), both, strict=True)
    ]
    candidates = {"power": find_candidates(loads[0].shown[0], loads[0].sweeps)}
    (field,) = choose(remaining(candidates, loads[1]), loads)
    chosen = take(field, field.candidates[1], loads)
    assert (chosen.standing, len(chosen.candidates)) == (Standing.FOUND, 1)
    # It has only risen so far, and a maximum would have too.
    assert any(note.startswith("not confirmed: power") for note in chosen.notes)
    back = take(field, field.candidates[1], [*loads, loads[0]])
    assert not any("not confirmed" in note for note in back.notes)


def test_nothing_that_agrees_is_said_to_be_nothing() -> None:
    field = found(({"power": "812 W"}, [sweep([1, 2, 3])]))["power"]
    assert (field.standing, field.candidates) == (Standing.NONE, ())


def test_functions_that_hold_the_same_are_one_register() -> None:
    loads = [
        (
            {"voltage": f"{value:.1f} V"},
            [{**sweep([word, 9]), **sweep([word, 9], function=3)}],
        )
        for value, word in ((230.4, 2304), (225.1, 2251))
    ]
    field = found_there_and_back(*loads)["voltage"]
    assert field.candidates == (Candidate(4, 0, "u16", "ABCD", 0.1),)


def test_unsigned_stands_for_both_with_a_limit_where_they_would_part() -> None:
    field = found_there_and_back(
        ({"voltage": "230.4 V"}, [sweep([23_040, 9])]),
        ({"voltage": "225.1 V"}, [sweep([22_510, 9])]),
    )["voltage"]
    assert field.candidates[0].kind == "u16"
    assert field.high == pytest.approx(327.67)
    assert any("signed and unsigned are the same" in note for note in field.notes)


def test_a_value_below_zero_makes_it_signed() -> None:
    field = found_there_and_back(
        ({"temperature": "-5.2 Cel"}, [sweep([9, 0x10000 - 52])]),
        ({"temperature": "21.4 Cel"}, [sweep([9, 214])]),
    )["temperature"]
    assert field.candidates == (Candidate(4, 1, "s16", "ABCD", 0.1),)


def test_a_zero_upper_half_is_read_along_where_sixteen_bits_could_run_over() -> None:
    # Thousandths of a watt: 65.535 W would be the end of sixteen bits.
    field = found_there_and_back(
        ({"power": "12.34 W"}, [sweep([9, 0, 12_340, 9])]),
        ({"power": "41.50 W"}, [sweep([9, 0, 41_500, 9])]),
    )["power"]
    assert field.candidates == (Candidate(4, 1, "u32", "ABCD", 0.001),)
    assert field.high == pytest.approx(65.535)
    assert any("register 1 beside it was always 0" in note for note in field.notes)


def test_zeros_on_both_sides_leave_the_word_order_open() -> None:
    field = found_there_and_back(
        ({"power": "12.34 W"}, [sweep([0, 12_340, 0])]),
        ({"power": "41.50 W"}, [sweep([0, 41_500, 0])]),
    )["power"]
    assert field.standing is Standing.SEVERAL


def test_the_word_order_of_the_other_fields_decides() -> None:
    loads = []
    for milliwatts, milliamperes in ((12_340, 70_010), (41_500, 81_220)):
        words = [0, milliwatts, *packed("u32", "ABCD", milliamperes)]
        display = {
            "power": f"{milliwatts / 1000:.2f} W",
            "current": f"{milliamperes / 1000:.2f} A",
        }
        loads.append((display, [sweep(words)]))
    fields = found_there_and_back(*loads)
    assert fields["power"].candidates == (Candidate(4, 0, "u32", "ABCD", 0.001),)
    assert fields["current"].candidates == (Candidate(4, 2, "u32", "ABCD", 0.001),)


def test_sixteen_bits_are_enough_for_a_voltage() -> None:
    field = found_there_and_back(
        ({"voltage": "230.4 V"}, [sweep([0, 2304, 0])]),
        ({"voltage": "225.1 V"}, [sweep([0, 2251, 0])]),
    )["voltage"]
    assert field.candidates == (Candidate(4, 1, "u16", "ABCD", 0.1),)


def test_what_wanders_far_is_no_value_on_a_display() -> None:
    counter = Candidate(4, 0, "u16", "ABCD", 1.0)
    shown = parse_shown("power=500 W")
    sweeps = [sweep([word]) for word in (400, 600)]
    assert not agrees(counter, shown, sweeps)
    assert agrees(counter, shown, [sweep([498]), sweep([502])])


def test_a_lost_reply_speaks_against_nobody() -> None:
    candidate = Candidate(4, 0, "u16", "ABCD", 0.1)
    shown = parse_shown("voltage=230.4 V")
    assert agrees(candidate, shown, [sweep([2304]), {}])
    assert not agrees(candidate, shown, [{}, {}])


def test_what_is_typed_gives_value_step_and_unit() -> None:
    shown = parse_shown("supply_voltage = 230.40 V")
    assert shown == Shown("supply_voltage", 230.4, 0.01, "V")
    assert str(shown) == "230.40 V"
    assert parse_shown("power_factor=0.95").unit == "1"
    assert shown_again(shown, "228.1") == Shown("supply_voltage", 228.1, 0.1, "V")
    assert shown_again(shown, "228.1 V").value == 228.1


@pytest.mark.parametrize(
    ("text", "name", "unit"),
    [
        ("temperature=21.5 C", "temperature", "Cel"),
        ("temperature=21.5 \N{DEGREE SIGN}C", "temperature", "Cel"),
        ("temperature=21.5 c", "temperature", "Cel"),
        ("Voltage=230.4v", "voltage", "V"),
        ("current=120 ma", "current", "mA"),
        ("dp=12 pa", "dp", "Pa"),
        ("f=50.0 hz", "f", "Hz"),
    ],
)
def test_names_and_units_are_understood_as_people_type_them(
    text: str, name: str, unit: str
) -> None:
    shown = parse_shown(text)
    assert (shown.name, shown.unit) == (name, unit)


def test_another_reading_may_carry_its_unit_as_people_type_it_but_no_other() -> None:
    shown = parse_shown("temperature=21.5 Cel")
    assert shown_again(shown, "22.75 \N{DEGREE SIGN}C").value == 22.75
    assert shown_again(shown, "22.75 C").digit == 0.01
    with pytest.raises(ValueError, match="expected a number in Cel"):
        shown_again(shown, "71.6 F")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("230.4 V", "like voltage=230.4 V"),
        ("voltage=1,230.4 V", "with one point or one comma before its decimals"),
        ("voltage=1,230,4 V", "with one point or one comma before its decimals"),
        ("voltage=,4 V", "like voltage=230.4 V"),
        (
            "voltage=229.8",
            "voltage: no unit.*like voltage=229.8 V; a bare 1 for what has none: power_factor=0.95 1",
        ),
        ("current=0,681", "current: no unit.*like current=0,681 A"),
        ("blower=229.8", "blower: no unit"),
        ("voltage=230.4 furlong", "unknown unit 'furlong', expected one of V, A"),
        ("voltage=2.3.4 V", "like voltage=230.4 V"),
    ],
)
def test_what_is_typed_wrong_is_told_with_what_to_write(text: str, told: str) -> None:
    with pytest.raises(ValueError, match=told):
        parse_shown(text)


def test_decimals_may_follow_a_comma_as_on_many_displays() -> None:
    shown = parse_shown("voltage=229,80 V")
    assert shown == Shown("voltage", 229.8, 0.01, "V")
    assert shown_again(shown, "-1,5 V") == Shown("voltage", -1.5, 0.1, "V")
    with pytest.raises(ValueError, match="with one point or one comma"):
        shown_again(shown, "1,229.8")


def test_only_what_has_no_unit_may_be_typed_without_one() -> None:
    for text in ("pf=0.95", "cosphi=0.95", "power_factor=0.95", "load=0.95 1"):
        assert parse_shown(text).unit == "1"


def test_another_reading_that_is_no_number_is_told() -> None:
    with pytest.raises(ValueError, match="voltage: 'high', expected a number in V"):
        shown_again(parse_shown("voltage=230.4 V"), "high")
