"""Several columns of a log: bad lines, doubled ones, times that go back, clocks that were changed."""

import pytest

from daq.errors import InputError
from daq.logs.stamps import HourJump
from daq.logs.table import HowToRead, LogTable, has_column, parse_table

HEAD = "Time;Power;Velocity"


def table(
    *lines: str,
    head: str = HEAD,
    columns: tuple[str, ...] = ("Power", "Velocity"),
    how: HowToRead | None = None,
) -> LogTable:
    content = "\n".join([head, *lines, ""]).encode()
    return parse_table(
        content, source="log.csv", columns=columns, how=how or HowToRead()
    )


def seconds(*values: str) -> tuple[str, ...]:
    return tuple(f"12:00:{second:02d};{value}" for second, value in enumerate(values))


def test_every_column_has_a_value_for_every_time() -> None:
    read = table(*seconds("1,5;2", "1,6;3", "1,7;4"))
    assert read.times_s == (43_200.0, 43_201.0, 43_202.0)
    assert read.values == {"Power": (1.5, 1.6, 1.7), "Velocity": (2.0, 3.0, 4.0)}
    assert read.interval_s == 1.0
    assert read.steps["Power"] == pytest.approx(0.1)


def test_columns_can_be_named_by_their_number() -> None:
    read = table(*seconds("1;2", "1;3"), columns=("3",))
    assert read.values == {"3": (2.0, 3.0)}


def test_a_column_named_by_its_number_is_known_by_its_name_too() -> None:
    assert table(*seconds("1;2", "1;3"), columns=("3",)).names == {"3": "Velocity"}
    bare = table(*seconds("1;3"), head="11:59:59;1;2", columns=("3",))
    assert bare.names == {"3": "column 3"}


def test_date_and_time_in_two_columns_are_one_time() -> None:
    lines = ("01.03.2026;23:59:59;5", "02.03.2026;00:00:01;6")
    read = table(*lines, head="Date;Time;Power", columns=("Power",))
    assert read.times_s[1] - read.times_s[0] == 2.0
    assert read.stamps.is_absolute


def test_two_columns_of_time_can_be_named() -> None:
    lines = ("01.03.2026;23:59:59;5", "02.03.2026;00:00:01;6")
    how = HowToRead(time="Tag+Uhrzeit")
    read = table(*lines, head="Tag;Uhrzeit;Power", columns=("Power",), how=how)
    assert read.times_s[1] - read.times_s[0] == 2.0


def test_a_bad_line_is_an_error_with_its_number_and_the_option_that_skips_it() -> None:
    with pytest.raises(
        InputError, match=r"log\.csv, line 3, Power: .*--skip-bad-lines"
    ):
        table(*seconds("1;2", "OL;3", "1;4"))


def test_a_skipped_field_is_none_and_is_counted_with_its_line() -> None:
    lines = seconds("1;2", "OL;3", *(["1;4"] * 20))
    read = table(*lines, how=HowToRead(skip_bad_lines=True))
    assert read.values["Power"][:3] == (1.0, None, 1.0)
    assert read.values["Velocity"][1] == 3.0
    assert [(bad.line, bad.at_s) for bad in read.bad] == [(3, 43_201.0)]
    assert len(read.present("Power")[0]) == 21


def test_a_line_without_a_time_is_left_out_and_counted() -> None:
    lines = [*seconds(*(["1;4"] * 20)), "garbage;1;2"]
    read = table(*lines, how=HowToRead(skip_bad_lines=True))
    assert len(read.times_s) == 20
    assert [(bad.line, bad.at_s) for bad in read.bad] == [(22, None)]


def test_a_log_that_can_mostly_not_be_read_is_refused_all_the_same() -> None:
    with pytest.raises(InputError, match="3 of 5 lines cannot be read"):
        table(
            *seconds("x;1", "x;1", "x;1", "1;1", "1;1"),
            how=HowToRead(skip_bad_lines=True),
        )


def test_a_line_that_is_there_twice_counts_once() -> None:
    read = table("1;5;5", "2;5;5", "2;5;5", "3;5;5")
    assert read.times_s == (1.0, 2.0, 3.0)
    assert (read.doubled, read.same_times) == (1, 0)


def test_other_values_at_the_same_time_are_kept_and_counted() -> None:
    read = table("1;5;5", "1;6;6", "2;5;5", "2;6;6", "3;5;5")
    assert read.times_s == (1.0, 1.0, 2.0, 2.0, 3.0)
    assert (read.doubled, read.same_times) == (0, 2)
    assert read.interval_s == 0.5


def test_what_goes_back_in_time_is_left_out_and_counted() -> None:
    lines = [f"{t};5;5" for t in range(20)]
    read = table(*lines[:12], "5.5;9;9", *lines[12:])
    assert read.times_s == tuple(float(t) for t in range(20))
    assert read.backwards == 1


def test_a_log_in_no_order_is_refused() -> None:
    with pytest.raises(InputError, match="put the lines in order of time"):
        table("5;1;1", "4;1;1", "3;1;1", "2;1;1")


HOUR = (
    *(f"2026-03-29 01:59:{s:02d};1;1" for s in range(50, 60)),
    *(f"2026-03-29 03:00:{s:02d};1;1" for s in range(10)),
)


def test_a_clock_that_jumps_by_an_hour_is_asked_about() -> None:
    with pytest.raises(InputError, match=r"line 12: the clock goes on by just an hour"):
        table(*HOUR)


def test_a_clock_that_goes_back_by_an_hour_cannot_have_paused() -> None:
    end = (
        *(f"2026-10-25 02:59:{s:02d};1;1" for s in range(50, 60)),
        *(f"2026-10-25 02:00:{s:02d};1;1" for s in range(10)),
    )
    with pytest.raises(InputError, match="goes back by just an hour") as refused:
        table(*end)
    read = table(*end, how=HowToRead(hour_jump=HourJump.CHANGED))
    assert read.times_s[-1] - read.times_s[0] == 19.0
    assert "--hour-jump changed where summer time ended" in str(refused.value)
    assert "paused" not in str(refused.value)


def test_a_clock_that_was_changed_is_set_right() -> None:
    read = table(*HOUR, how=HowToRead(hour_jump=HourJump.CHANGED))
    assert read.times_s[-1] - read.times_s[0] == 19.0
    assert "line 12" in read.notes[0]


def test_a_log_that_paused_for_an_hour_keeps_its_times() -> None:
    read = table(*HOUR, how=HowToRead(hour_jump=HourJump.PAUSED))
    assert read.times_s[-1] - read.times_s[0] == 3619.0


def test_times_with_a_zone_know_no_summer_time() -> None:
    read = table(*(line.replace(";1;1", "Z;1;1") for line in HOUR))
    assert read.times_s[-1] - read.times_s[0] == 3619.0


def test_a_log_without_readings_is_refused() -> None:
    with pytest.raises(InputError, match="no readings below the header"):
        table()


def test_one_time_alone_is_refused() -> None:
    with pytest.raises(InputError, match="fewer than two different times"):
        table("5;1;1", "5;2;1")


def test_who_named_no_times_is_told_how_to() -> None:
    lines = ("01.03.2026;23:59:58;5", "01.03.2026;23:59:59;6")
    words = "times in column Datum, .* two that are one time together"
    with pytest.raises(InputError, match=words):
        table(*lines, head="Datum;Zeit;Power", columns=("Power",))
    with pytest.raises(InputError, match=r"got 'x', .*--time COLUMN names another"):
        table("x;1;1", "x;2;1")
    with pytest.raises(InputError) as refused:
        table("x;1;1", "x;2;1", how=HowToRead(time="Time"))
    assert "--time" not in str(refused.value)


def test_a_log_knows_its_columns() -> None:
    content = f"{HEAD}\n1;2;3\n2;3;4\n".encode()
    for column, is_there in (("velocity", True), ("TIME", True), ("Current", False)):
        there = has_column(content, source="log.csv", column=column, how=HowToRead())
        assert there == is_there


def test_a_log_of_separators_alone_has_no_column() -> None:
    there = has_column(b";;\n;;\n", source="log.csv", column="1", how=HowToRead())
    assert not there
