"""Meters' logs as they come: what is read from them, and what is refused with its line."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.delimited import MeterLog, parse_log
from daq.errors import InputError

PLAIN = "t_s,value\n0.0,1.5\n0.5,1.25\n1.0,-3\n"


def _read(
    text: str | bytes, *, time: str | None = None, value: str | None = None
) -> MeterLog:
    content = text.encode() if isinstance(text, str) else text
    return parse_log(content, source="fan.csv", time=time, value=value)


def _refusal(
    text: str | bytes, *, time: str | None = None, value: str | None = None
) -> str:
    with pytest.raises(InputError) as caught:
        _read(text, time=time, value=value)
    assert caught.value.exit_code == 2
    return str(caught.value)


# ---- what is read


def test_two_columns_are_read_with_their_names() -> None:
    log = _read(PLAIN)
    assert log.times_s == (0.0, 0.5, 1.0)
    assert log.values == (1.5, 1.25, -3.0)
    assert (log.time_column, log.value_column) == ("t_s", "value")
    assert log.separator == "commas"
    assert (log.first_timestamp, log.time_unit) == (None, None)


def test_the_smallest_step_is_that_of_the_most_decimals() -> None:
    assert _read(PLAIN).smallest_step == 0.01
    assert _read("t,v\n0,1200\n1,1201\n").smallest_step == 1.0
    assert _read("t,v\n0,1.20e3\n1,0\n").smallest_step == 1.0
    assert _read("t,v\n0,1.5e-3\n1,0\n").smallest_step == 0.0001


@pytest.mark.parametrize(
    "text",
    [
        PLAIN.replace("\n", "\r\n"),
        PLAIN.replace("\n", "\r"),
        PLAIN.rstrip("\n"),
        PLAIN.replace("\n", "\n\n"),
        PLAIN.replace("\n", "\n , \n"),
        '# taken at the outlet, range 2\n\n# "second" line\n' + PLAIN,
        PLAIN.replace("t_s,value", '"t_s", "value"'),
        PLAIN.replace("1.5", " 1.5 "),
        PLAIN.replace("1.25", "1.25,"),
        PLAIN.replace(",", "\t"),
        PLAIN.replace(",", ";"),
        PLAIN.replace(",", ";").replace(".", ","),
        PLAIN.replace(",", "\t").replace(".", ","),
        "sep=;\n" + PLAIN.replace(",", ";"),
    ],
)
def test_the_same_readings_are_read_from_every_way_to_write_them(text: str) -> None:
    log, plain = _read(text), _read(PLAIN)
    assert (log.times_s, log.values) == (plain.times_s, plain.values)
    assert log.smallest_step == plain.smallest_step
    assert (log.time_column, log.value_column) == ("t_s", "value")


def test_a_byte_order_mark_is_no_part_of_a_name() -> None:
    log = _read(b"\xef\xbb\xbf" + PLAIN.encode())
    assert log == _read(PLAIN)


@pytest.mark.parametrize("encoding", ["utf-16", "utf-32"])
def test_other_widths_of_text_are_read_by_their_byte_order_mark(encoding: str) -> None:
    assert _read(PLAIN.encode(encoding)) == _read(PLAIN)


def test_without_a_header_columns_have_numbers() -> None:
    log = _read("0.0;12,5\n0.5;12,7\n")
    assert log.values == (12.5, 12.7)
    assert (log.time_column, log.value_column) == ("column 1", "column 2")
    assert log.has_decimal_comma


def test_gaps_and_repeated_times_are_kept() -> None:
    assert _read("t,v\n0,1\n0,2\n90,3\n90,3\n").times_s == (0.0, 0.0, 90.0, 90.0)


READING = st.tuples(
    st.integers(0, 10**7).map(lambda ms: ms / 1000.0),
    st.floats(-1e30, 1e30, allow_nan=False).map(lambda v: float(f"{v:.9g}")),
)


@given(
    readings=st.lists(READING, min_size=2, unique_by=lambda r: r[0]).map(sorted),
    separator=st.sampled_from([",", ";", "\t"]),
    has_comma=st.booleans(),
    has_header=st.booleans(),
)
def test_whatever_the_separator_and_the_decimal_sign_the_numbers_are_the_same(
    readings: list[tuple[float, float]],
    separator: str,
    has_comma: bool,  # noqa: FBT001 - drawn by hypothesis, not an interface
    has_header: bool,  # noqa: FBT001 - likewise
) -> None:
    lines = [f"{at!r}{separator}{value!r}" for at, value in readings]
    text = "\n".join([f"t{separator}v"] * has_header + lines)
    if has_comma and separator != ",":
        text = text.replace(".", ",")
    log = _read(text)
    # repr() of a float gives the same float back.
    assert list(zip(log.times_s, log.values, strict=True)) == readings


# ---- times


@pytest.mark.parametrize(
    "stamps",
    [
        ("2026-03-01T12:00:00Z", "2026-03-01T12:00:00.250Z", "2026-03-01T12:01:40Z"),
        ("2026-03-01 12:00:00", "2026-03-01 12:00:00.25", "2026-03-01 12:01:40"),
        # The same instants told from two places, RFC 3339 section 4.2.
        (
            "2026-03-01T13:00:00+01:00",
            "2026-03-01T12:00:00.25Z",
            "2026-03-01T12:01:40Z",
        ),
    ],
)
def test_time_stamps_become_seconds_since_the_first(stamps: tuple[str, ...]) -> None:
    lines = "\n".join(f"{stamp},{i}" for i, stamp in enumerate(stamps))
    log = _read(f"when,watts\n{lines}\n")
    assert log.times_s == (0.0, 0.25, 100.0)
    assert log.first_timestamp == stamps[0]


@pytest.mark.parametrize(
    ("name", "unit", "times_s"),
    [
        ("time_ms", "milliseconds", (0.5, 2.0)),
        ("Time (min)", "minutes", (30000.0, 120000.0)),
        ("elapsed [h]", "hours", (1800000.0, 7200000.0)),
        ("time_s", None, (500.0, 2000.0)),
    ],
)
def test_times_in_another_unit_become_seconds(
    name: str, unit: str | None, times_s: tuple[float, ...]
) -> None:
    log = _read(f"{name},v\n500,1\n2000,2\n")
    assert log.times_s == pytest.approx(times_s)
    assert log.time_unit == unit


def test_time_stamps_with_and_without_a_zone_are_not_mixed() -> None:
    text = "t,v\n2026-03-01T12:00:00Z,1\n2026-03-01T12:00:01,2\n"
    refusal = _refusal(text)
    assert refusal == (
        "fan.csv, line 3, t: got '2026-03-01T12:00:01',"
        " expected a time stamp like '2026-03-01T12:00:00Z'"
    )


def test_a_time_that_is_neither_number_nor_time_stamp_is_refused() -> None:
    refusal = _refusal("t,v\nnoon,1\n1,2\n")
    assert refusal.startswith("fan.csv, line 2, t: got 'noon', expected seconds")
    assert "2026-03-01T12:00:00Z" in refusal


@pytest.mark.parametrize(
    "stamp", ["01.03.2026 12:00:00", "3/1/2026 12:00", "01-03-26", "1. 3. 2026 12:00"]
)
def test_a_date_that_does_not_begin_with_the_year_is_refused_with_what_is_read(
    stamp: str,
) -> None:
    refusal = _refusal(f"time;v\n{stamp};1\n{stamp};2\n")
    assert refusal.startswith(f"fan.csv, line 2, time: got '{stamp}', expected seconds")
    for accepted in ("since 1970", "2026-03-01T12:00:00Z", "2026-03-01 12:00:00.5"):
        assert accepted in refusal
    assert "which of its numbers is the day" in refusal


def test_a_time_of_day_alone_is_refused_with_what_is_read() -> None:
    refusal = _refusal("time,v\n12:00:00,1\n12:00:01,2\n")
    assert "expected seconds as a number" in refusal
    assert "which of its numbers is the day" not in refusal


def test_the_forms_that_a_refusal_names_are_read() -> None:
    for first, second in (
        ("2026-03-01T12:00:00Z", "2026-03-01T12:00:01Z"),
        ("2026-03-01 12:00:00.5", "2026-03-01 12:00:01.5"),
        ("1760000000.5", "1760000001.5"),
    ):
        times_s = _read(f"time,v\n{first},1\n{second},2\n").times_s
        assert times_s[1] - times_s[0] == 1.0


def test_time_that_goes_backwards_is_refused() -> None:
    assert _refusal("t,v\n0,1\n2,1\n1.5,1\n") == (
        "fan.csv, line 4, t: time goes backwards, got 1.5 s after 2 s;"
        " put the lines in order of time"
    )


def test_times_in_a_refusal_keep_all_their_digits() -> None:
    refusal = _refusal("t,v\n1760000001,1\n1760000000,1\n")
    assert "got 1760000000 s after 1760000001 s" in refusal


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("t,v\n0,1\n1,1e31\n", "fan.csv, line 3, v: got '1e31', expected a number"),
        ("t,v\n0,-1e300\n1,1\n", "fan.csv, line 2, v: got '-1e300'"),
        ("t,v\n0,1\n2e12,1\n", "fan.csv, line 3, t: got '2e12', expected a time"),
        ("t_h,v\n0,1\n1e9,1\n", "fan.csv, line 3, t_h: got '1e9', expected a time"),
    ],
)
def test_absurd_sizes_are_refused_with_their_line(text: str, told: str) -> None:
    assert _refusal(text).startswith(told)


def test_milliseconds_since_1970_are_no_absurd_time_where_the_name_says_so() -> None:
    log = _read("time_ms,v\n1760000000000,1\n1760000001000,1\n")
    assert log.times_s == (1.76e9, 1.76e9 + 1.0)
    assert "time_ms" in _refusal("t,v\n1760000000000,1\n1760000001000,1\n")


def test_readings_all_at_one_time_are_refused() -> None:
    assert "all 3 readings have the same time" in _refusal("t,v\n5,1\n5,2\n5,3\n")


# ---- which columns

WIDE = "n,utc,elapsed_s,power_W,T (°C),note\n1,2026-03-01,0,900,20.5,on\n2,2026-03-02,1,901,20.5,\n"


def test_columns_are_found_by_name_in_any_case_or_by_number() -> None:
    log = _read(WIDE, time="elapsed_s", value="power_w")
    assert (log.times_s, log.values) == ((0.0, 1.0), (900.0, 901.0))
    assert _read(WIDE, time="3", value="4") == log


def test_the_column_called_time_is_the_time_wherever_it_stands() -> None:
    log = _read("watts,Time\n900,0\n901,1\n")
    assert (log.time_column, log.value_column) == ("Time", "watts")


def test_the_bench_time_of_an_export_is_taken_before_its_utc() -> None:
    # Twenty seconds of the bench in one: a session with simulators, faster than life.
    text = "utc,at_s,power_w\n2026-03-01T12:00:00Z,500.0,900\n2026-03-01T12:00:01Z,520.0,901\n"
    log = _read(text)
    assert (log.time_column, log.times_s) == ("at_s", (500.0, 520.0))
    assert (log.value_column, log.other_time_columns) == ("power_w", ("utc",))
    assert _read(text, time="utc").times_s == (0.0, 1.0)


def test_without_another_column_of_times_none_is_named() -> None:
    assert _read(PLAIN).other_time_columns == ()


def test_a_capital_t_is_a_temperature() -> None:
    log = _read("x,T\n0,20\n1,21\n")
    assert (log.time_column, log.value_column) == ("x", "T")


def test_texts_and_second_times_are_not_taken_for_the_value() -> None:
    text = "utc,elapsed_s,state,power_W\n2026-03-01,0,on,900\n2026-03-02,1,on,901\n"
    assert _read(text).value_column == "power_W"


def test_several_columns_of_numbers_are_listed() -> None:
    assert _refusal(WIDE, time="elapsed_s") == (
        "fan.csv, line 1: several columns of numbers beside elapsed_s, name one with --value:"
        " 1 n, 4 power_W, 5 T (°C)"
    )


def test_no_column_of_numbers_is_told() -> None:
    text = "t,state,note\n0,on,a\n1,on,b\n"
    assert _refusal(text).endswith(
        "no column of numbers beside t, name one with --value: 2 state, 3 note"
    )


def test_an_unknown_column_is_told_with_those_that_there_are() -> None:
    assert _refusal(PLAIN, value="watts") == (
        "fan.csv, line 1: no column 'watts', expected one of 1 t_s, 2 value"
    )
    assert "no column '3'" in _refusal("0,1\n1,2\n", value="3")
    assert "no column '0'" in _refusal(PLAIN, time="0")


def test_one_column_cannot_be_time_and_value() -> None:
    assert "t_s is to be time and value" in _refusal(PLAIN, value="t_s")


def test_a_name_that_two_columns_have_is_refused() -> None:
    text = "t,U,U\n0,1,2\n1,1,2\n"
    assert "columns 2 and 3 are called 'U'" in _refusal(text, value="U")
    assert _read(text, value="3").values == (2.0, 2.0)


# ---- what is refused


@pytest.mark.parametrize(
    "content", [b"", b"\n\n  \n", b"\xef\xbb\xbf", b"# only a remark\n"]
)
def test_an_empty_file_is_called_empty(content: bytes) -> None:
    assert _refusal(content) == "fan.csv: empty, expected lines of times and values"


def test_a_header_alone_and_a_single_reading_are_too_little() -> None:
    assert _refusal("t,v\n").startswith("fan.csv: no readings below the header")
    assert _refusal("t,v\n0,1\n").startswith("fan.csv: one reading only")


def test_a_single_column_is_refused() -> None:
    refusal = _refusal("watts\n900\n901\n")
    assert refusal.startswith("fan.csv, line 1: got 'watts', expected columns parted")


@pytest.mark.parametrize(
    "encoding", ["utf-16-le", "utf-16-be", "utf-32-le", "utf-32-be"]
)
def test_other_widths_of_text_without_a_mark_are_refused_with_the_remedy(
    encoding: str,
) -> None:
    assert "save it in UTF-8" in _refusal(PLAIN.encode(encoding))


def test_a_byte_that_is_no_utf_8_is_told_with_its_line() -> None:
    refusal = _refusal("t,v\n0,1\n1,2 °\n".encode("latin-1"))
    assert refusal == (
        "fan.csv, line 3: got the byte b'\\xb0', expected UTF-8 text;"
        " save it in UTF-8 (it is likely cp1252)"
    )


@pytest.mark.parametrize(
    ("text", "got"),
    [
        ("abc", "got 'abc', expected a number alone"),
        ("12.5 W", "got '12.5 W', expected a number alone, without a unit"),
        ("1_000", "got '1_000', expected a number alone"),
        ("", "nothing there, expected a number"),
        ("  ", "nothing there, expected a number"),
        ("nan", "got 'nan', expected a finite number"),
        ("NaN", "got 'NaN', expected a finite number"),
        ("inf", "got 'inf', expected a finite number"),
        ("-Infinity", "got '-Infinity', expected a finite number"),
        ("1e999", "got '1e999', expected a finite number"),
        ('"1,234"', "expected a number with one decimal sign and no thousands"),
    ],
)
@pytest.mark.parametrize("first", [True, False])
def test_what_is_no_finite_number_is_refused_with_line_and_column(
    text: str,
    got: str,
    first: bool,  # noqa: FBT001 - a parameter of the test, not of an interface
) -> None:
    good = "0.0,1.0\n0.2,1.0\n"
    above, line = ("", 3) if first else (good, 5)
    refusal = _refusal(f"t,v\n\n{above}0.5,{text}\n1.0,2.0\n")
    assert refusal.startswith(f"fan.csv, line {line}, v: ")
    assert got in refusal


@pytest.mark.parametrize("text", ["nan", "inf", "", "12 s"])
def test_a_time_must_be_a_finite_number_too(text: str) -> None:
    refusal = _refusal(f"t,v\n0,1\n{text},1\n2,1\n")
    assert refusal.startswith("fan.csv, line 3, t: ")


def test_a_reading_without_its_value_is_refused() -> None:
    assert _refusal("t,v\n0,1\n1\n2,1\n") == (
        "fan.csv, line 3, v: missing, got 1 of 2 columns;"
        " leave out the whole line where there is no reading"
    )


def test_decimal_commas_between_commas_are_refused_with_the_remedy() -> None:
    refusal = _refusal("t,v\n0,5,12,5\n1,0,12,7\n")
    assert refusal == (
        "fan.csv, line 2: got 4 columns, expected 2 as in the first row;"
        " decimal commas need columns parted by semicolons or tabs"
    )


@pytest.mark.parametrize("text", ["1.234,5", "1,234.5", "1,234,567"])
def test_thousands_separators_are_refused(text: str) -> None:
    assert f"got '{text}'" in _refusal(f"t;v\n0;{text}\n1;{text}\n")


def test_two_decimal_signs_in_one_column_are_refused() -> None:
    assert _refusal("t;v\n0;1,5\n1;1.5\n") == (
        "fan.csv, line 3, v: got '1.5', expected ',' as decimal sign as in the lines above"
    )


def test_an_open_quotation_mark_is_told() -> None:
    assert "quotation marks" in _refusal('t,v\n0,"1\n1,2\n')


def test_a_row_of_units_below_the_header_is_refused_with_its_line() -> None:
    assert _refusal("t,v\ns,W\n0,1\n").startswith("fan.csv, line 2, t: got 's'")


def test_a_long_wrong_field_is_cut() -> None:
    assert len(_refusal(f"t,v\n0,{'x' * 5000}\n1,1\n")) < 200


@given(
    content=st.binary(max_size=200)
    | st.text(alphabet='0123456789.,;\t\n\r"-eEtvnaif #:TZ', max_size=200).map(
        str.encode
    )
)
def test_whatever_the_bytes_they_are_read_or_refused(content: bytes) -> None:
    try:
        log = parse_log(content, source="fan.csv")
    except InputError:
        return
    assert len(log.times_s) == len(log.values) >= 2
    assert log.times_s[0] < log.times_s[-1]
    assert list(log.times_s) == sorted(log.times_s)


# ---- where the values stay above something


@pytest.mark.parametrize(
    ("values", "stretch"),
    [
        # One or two readings are spikes, or a dip.
        ((9, 1, 9, 9, 1, 9, 9, 9, 1, 9, 9), (5, 11)),
        ((1, 9, 9, 9, 1, 1, 9, 1, 1, 1, 9), (1, 7)),
        ((9, 9, 9), (0, 3)),
        ((9, 9, 1, 9, 9), None),
        # Not above is what is equal.
        ((5, 5, 5, 5), None),
    ],
)
def test_a_stretch_begins_where_values_stay_above_and_ends_where_they_no_longer_do(
    values: tuple[int, ...], stretch: tuple[int, int] | None
) -> None:
    lines = [f"{i},{value}" for i, value in enumerate(values)]
    log = _read("\n".join(["t,v", *lines]))
    assert log.stretch_above(5.0) == stretch
