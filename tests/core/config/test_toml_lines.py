"""Where in a TOML text a key stands."""

import tomllib
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.config.toml_lines import Path, key_lines, line_of

STEADY = settings(derandomize=True, deadline=None, max_examples=150)

TEXT = '''\
# a comment with [brackets] and key = value
name = "a"            # 2
"quoted key" = 3
page.port = 4

nested = [            # 6
  ["x", "]"],
  ["y"],
  # inside = 9
]

note = """            # 12
[no.table]
no = "key"
a closing backslash \\""" still inside"""
after = 16

literal = \'\'\'       # 18
[[no.array]]
\\\'\'\'
late = { a = 1, b = [ # 21
  2,
] }

[first]               # 25
key = 26

[[item]]              # 28
key = 29
  [item.part]         # 30
  key = 31

[[item]]              # 33
  [[item.sub]]        # 34
  key = 35
  [[item.sub]]        # 36
  key = 37
'''


@pytest.mark.parametrize(
    ("path", "line"),
    [
        ((), 1),
        (("name",), 2),
        (("quoted key",), 3),
        (("page", "port"), 4),
        (("nested",), 6),
        (("nested", 1, 0), 6),
        (("note",), 12),
        (("after",), 16),
        (("literal",), 18),
        (("late",), 21),
        (("late", "b", 0), 21),
        (("first",), 25),
        (("first", "key"), 26),
        (("first", "absent"), 25),
        (("item", 0), 28),
        (("item", 0, "key"), 29),
        (("item", 0, "part"), 30),
        (("item", 0, "part", "key"), 31),
        (("item", 1), 33),
        (("item", 1, "sub", 0, "key"), 35),
        (("item", 1, "sub", 1), 36),
        (("item", 1, "sub", 1, "key"), 37),
        (("absent", 5, "key"), 1),
    ],
    ids=str,
)
def test_a_path_is_found_where_it_is_written(path: Path, line: int) -> None:
    assert line_of(key_lines(TEXT), path) == line


def test_what_stands_in_arrays_strings_and_comments_is_no_key() -> None:
    tomllib.loads(TEXT)
    names = {part for path in key_lines(TEXT) for part in path}
    assert names.isdisjoint({"no", "no.table", "inside", "no.array", "x", "y"})


@pytest.mark.parametrize(
    "quotes", ['# a comment with """', "# and with '''", '"an escaped \\""']
)
def test_quotes_that_open_nothing_hide_nothing(quotes: str) -> None:
    value = quotes if quotes.startswith('"') else f"1 {quotes}"
    assert key_lines(f"a = {value}\nb = 2\n")["b",] == 2


def test_other_line_ends_count_as_an_editor_counts_them() -> None:
    assert key_lines("a = 1\r\nb = 2\r\n")["b",] == 2
    # U+2028 may stand in a comment and is no line end to TOML.
    assert key_lines("# one\u2028line\nb = 2\n")["b",] == 2


def test_a_text_that_is_no_toml_does_not_fail() -> None:
    for text in ("", "]]]", "[", "= = =", "[[", '"""', "a = [1\n[b", "\x00"):
        assert key_lines(text)[()] == 1


# ---- round trip: texts made of known lines

KEYS = st.sampled_from(["a", "b", "long-key", "x_1", '"quoted key"'])
VALUES = st.sampled_from(
    [
        "1",
        '"text # no comment"',
        "'[literal]'",
        "[1, 2]",
        '[\n  [1], # one\n  ["a]"],\n]',
        '"""\n[table]\nkey = 1\n"""',
        "'''\nkey = 'x'\n'''",
        "{ inner = 1 } # comment = 2",
        '"escaped \\" quote"',
    ]
)
BODIES = st.dictionaries(KEYS, VALUES, max_size=4)
TABLES = st.lists(
    st.tuples(
        st.sampled_from(["t", "u", "v"]), BODIES, st.sampled_from(["", "\n", "#\n"])
    ),
    max_size=5,
)


@pytest.mark.slow
@STEADY
@given(BODIES, TABLES)
def test_every_key_of_a_made_text_is_found_on_its_line(
    top: dict[str, str], tables: list[tuple[str, dict[str, str], str]]
) -> None:
    text, expected = "", dict[Path, int]()

    def write(table: Path, body: dict[str, str]) -> None:
        nonlocal text
        for key, value in body.items():
            expected[*table, key.strip('"')] = text.count("\n") + 1
            text += f"{key} = {value}\n"

    write((), top)
    counts: dict[str, int] = {}
    for name, body, between in tables:
        text += between
        counts[name] = counts.get(name, -1) + 1
        path: Path = (name, counts[name])
        expected[path] = text.count("\n") + 1
        text += f"[[{name}]]\n"
        write(path, body)

    parsed = tomllib.loads(text)
    lines = key_lines(text)
    for path, line in expected.items():
        assert _has(parsed, path)
        assert line_of(lines, path) == line
    assert set(lines) == {(), *expected}


def _has(parsed: Any, path: Path) -> bool:
    for part in path:
        parsed = parsed[part]
    return True
