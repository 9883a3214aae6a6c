"""Headers below other lines: found by the names that are wanted or by their shape, stated by their line, and told."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.errors import InputError
from daq.logs.table import HowToRead, LogTable, has_column, parse_table

READINGS = "0;700,5;230\n1;701,5;231\n2;702,5;230\n"
HEAD = "Zeit (s);Leistung (W);Spannung (V)\n"
ABOVE = "Energiemonitor;Seriennr 4711\n"
POWERS = (700.5, 701.5, 702.5)


def read(text: str, *columns: str, how: HowToRead | None = None) -> LogTable:
    return parse_table(
        text.encode(),
        source="log.csv",
        columns=columns or ("Leistung (W)",),
        how=how or HowToRead(time="1"),
    )


@pytest.mark.parametrize(
    "above",
    [
        ABOVE,
        "Energiemonitor\n",
        "Energiemonitor;Seriennr 4711;\n",
        "Seriennr;4711;\nBeginn;01.03.2026;12:00\n\n",
        "Kanal;1;2\nEnergiemonitor\n",
        "2026-03-01 12:00:00\n",
        "Leistung (W);1500;nominal\n",
        # One by one the names are here, too.
        "Zeit (s)\nLeistung (W)\n",
        40 * "Einstellung;4711\n",
    ],
)
@pytest.mark.parametrize("time", ["1", "Zeit (s)", "zeit (S)"])
def test_the_header_is_the_row_that_has_the_names(above: str, time: str) -> None:
    table = read(above + HEAD + READINGS, how=HowToRead(time=time))
    assert table.values["Leistung (W)"] == POWERS
    assert table.first_line == above.count("\n") + 1
    assert table.above == tuple(filter(None, above.split("\n")))


@pytest.mark.parametrize(
    "above",
    [
        ABOVE,
        "Energiemonitor\n",
        "Seriennr;4711\nBeginn;01.03.2026\n\n",
        "Energiemonitor;;\nSeriennr;4711;\n",
        "2026-03-01 12:00:00\n",
        "Kanal;1;2\n",
    ],
)
def test_where_only_numbers_are_named_the_row_above_the_first_reading_is_the_header(
    above: str,
) -> None:
    table = read(above + HEAD + READINGS, "2")
    assert table.values["2"] == POWERS
    assert table.names == {"2": "Leistung (W)"}
    assert table.first_line == above.count("\n") + 1


def test_the_line_that_was_taken_and_what_is_above_it_are_told() -> None:
    table = read(ABOVE + "Messung 3\n" + HEAD + READINGS)
    assert table.notes[0] == (
        "header in line 3; above it 'Energiemonitor;Seriennr 4711' and 1 more"
    )
    assert read(HEAD + READINGS).notes == ()


def test_date_and_time_of_two_columns_tell_the_header_too() -> None:
    lines = "01.03.2026;23:59:59;5\n02.03.2026;00:00:01;6\n"
    text = f"Messung;von;bis\nTag;Uhrzeit;P\n{lines}"
    for above in (0, 1):
        table = read(above * "P;U;I\n" + text, "3", how=HowToRead(time="Tag+Uhrzeit"))
        assert table.first_line == above + 2
        assert table.times_s[1] - table.times_s[0] == 2.0


def test_a_time_in_one_column_whose_name_has_a_plus_tells_the_header_too() -> None:
    text = "Tag+Uhr;x;2\nTag+Uhr;P;U\n0;5;1\n1;6;1\n"
    assert read(text, "2", how=HowToRead(time="Tag+Uhr")).first_line == 2


def test_a_name_that_is_nowhere_is_told_with_the_columns_of_the_header() -> None:
    words = r"line 2: no column 'Strom', expected one of 1 Zeit \(s\), 2 Leistung"
    with pytest.raises(InputError, match=f"{words}.*; if .* --header LINE$"):
        read(ABOVE + HEAD + READINGS, "Strom")
    with pytest.raises(InputError, match=words) as refused:
        read(ABOVE + HEAD + READINGS, "Strom", how=HowToRead(header=2))
    assert "--header" not in str(refused.value)


@pytest.mark.parametrize("time", ["Zeit", "Zeit (s)"])
@pytest.mark.parametrize("first", ["0", "12:00:00", "2026-03-01 12:00:00"])
def test_where_two_lines_have_the_names_the_lower_one_is_offered_as_the_header(
    time: str, first: str
) -> None:
    text = f"Zeit;P;max\n{time};P;U\n{first};5;1\n{first};6;2\n"
    with pytest.raises(InputError, match="; if this line is the header, --header 2"):
        read(text, "P", how=HowToRead())
    with pytest.raises(InputError, match="line 3, Zeit") as refused:
        read("Zeit;P;max\n0;1;2\nOL;5;1\n1;6;2\n", "P", how=HowToRead())
    assert "--header" not in str(refused.value)


def test_no_reading_is_passed_over_for_a_header() -> None:
    # The first line has numbers, as wide as all others: readings without a header.
    table = read("0;1;2\n1;2;x\n2;3;4\n", "2")
    assert table.values["2"] == (1.0, 2.0, 3.0)
    assert (table.first_line, table.above) == (1, ())


def test_a_stated_header_is_taken() -> None:
    text = "Zeit (s);Leistung (W);alt\n9;9;9\n" + HEAD + READINGS
    with pytest.raises(InputError, match="line 3, Zeit"):
        read(text)
    table = read(text, how=HowToRead(time="1", header=3))
    assert table.values["Leistung (W)"] == POWERS
    assert table.above == ("Zeit (s);Leistung (W);alt", "9;9;9")


def test_what_stands_above_a_stated_header_need_be_no_columns() -> None:
    above = '"Energiemonitor" 3;"\n'
    with pytest.raises(InputError, match="quotation marks"):
        read(above + HEAD + READINGS)
    table = read(above + HEAD + READINGS, how=HowToRead(time="1", header=2))
    assert table.values["Leistung (W)"] == POWERS


def test_a_comment_may_be_the_header_where_it_is_stated() -> None:
    table = read("# t;P\n" + READINGS, "P", how=HowToRead(time="1", header=1))
    assert table.values["P"] == POWERS


def test_a_first_line_without_names_may_be_stated() -> None:
    table = read("0;x;1\n" + READINGS, "2", how=HowToRead(time="1", header=2))
    assert table.values["2"] == POWERS
    assert table.notes[0] == "first reading in line 2; above it '0;x;1'"


@pytest.mark.parametrize("empty", ["", " ", ";;", "\t"])
@pytest.mark.parametrize("line", [3, 99])
def test_a_stated_header_where_nothing_stands_is_refused(line: int, empty: str) -> None:
    words = f"line {line}: nothing there, expected the names of columns"
    with pytest.raises(InputError, match=words):
        read(f"{ABOVE}{HEAD}{empty}\n{READINGS}", how=HowToRead(header=line))


def test_lines_are_counted_from_the_beginning_of_the_file() -> None:
    with pytest.raises(InputError, match="line 5, Leistung"):
        read(ABOVE + HEAD + READINGS.replace("702,5", "OL"))
    with pytest.raises(InputError, match="line 4, Leistung"):
        read(
            ABOVE + HEAD + READINGS.replace("701,5", "OL"),
            how=HowToRead(time="1", header=2),
        )


def test_a_column_below_other_lines_is_known() -> None:
    content = (ABOVE + HEAD + READINGS).encode("cp1252")
    how = HowToRead(encoding="cp1252")
    assert has_column(content, source="log.csv", column="leistung (w)", how=how)
    assert not has_column(content, source="log.csv", column="Strom", how=how)


def test_the_encoding_that_is_wanted_is_named_with_its_option() -> None:
    content = HEAD.replace("Spannung", "W\xe4rme").encode("cp1252") + READINGS.encode()
    with pytest.raises(InputError, match="--encoding cp1252"):
        parse_table(content, source="log.csv", columns=["2"], how=HowToRead())
    how = HowToRead(time="1", encoding="cp1252")
    table = parse_table(content, source="log.csv", columns=["W\xe4rme (V)"], how=how)
    assert table.values["W\xe4rme (V)"] == (230.0, 231.0, 230.0)


LINE = st.text(alphabet='aP1;, "#', max_size=8).filter(lambda text: '"' not in text)


@given(above=st.lists(LINE, max_size=6))
def test_whatever_stands_above_every_reading_below_the_names_is_read(
    above: list[str],
) -> None:
    readings = [f"{second};{second + 700};230" for second in range(10)]
    text = "\n".join([*above, HEAD.strip(), *readings])
    assert read(text).values["Leistung (W)"] == tuple(range(700, 710))
