"""Texts of meters' programs that are no UTF-8: read where the encoding is named, else refused with the likely one."""

import pytest

from daq.delimited.decoded import decode
from daq.delimited.place import Place
from daq.errors import InputError

PLACE = Place("log.csv")
TEXT = "Zeit;Wärme (°C)\n0;20,5\n"


def _refusal(
    content: bytes, *, encoding: str | None = None, option: str | None = None
) -> str:
    with pytest.raises(InputError) as caught:
        decode(content, PLACE, encoding=encoding, option=option)
    return str(caught.value)


@pytest.mark.parametrize("encoding", ["cp1252", "cp850", "utf-16-le", "utf-8"])
def test_a_text_is_read_in_the_encoding_that_was_named(encoding: str) -> None:
    assert decode(TEXT.encode(encoding), PLACE, encoding=encoding) == TEXT


@pytest.mark.parametrize("marked", ["utf-8-sig", "utf-16", "utf-32"])
def test_a_byte_order_mark_tells_more_than_what_was_named(marked: str) -> None:
    assert decode(TEXT.encode(marked), PLACE, encoding="cp1252") == TEXT


@pytest.mark.parametrize(
    ("text", "encoding", "likely"),
    [
        (TEXT, "cp1252", "cp1252"),
        ("Zeit;Wärme\n", "cp850", "cp850"),
        ("Zeit;Größe \N{EN DASH} x\n", "cp1252", "cp1252"),
        (TEXT, "utf-16-le", "utf-16-le"),
        (TEXT, "utf-16-be", "utf-16-be"),
    ],
)
def test_what_is_no_utf_8_is_refused_with_the_option_and_the_likely_encoding(
    text: str, encoding: str, likely: str
) -> None:
    refusal = _refusal(text.encode(encoding), option="--encoding")
    assert refusal.endswith(
        f"it is likely {likely}: --encoding {likely}, or save it in UTF-8"
    )


def test_the_byte_and_its_line_are_told() -> None:
    refusal = _refusal("Zeit;P\n0;1\n1;W\xe4rme\n".encode("cp1252"))
    assert refusal.startswith(
        "log.csv, line 3: got the byte b'\\xe4', expected UTF-8 text; "
    )


def test_the_byte_is_told_behind_a_mark_too() -> None:
    refusal = _refusal(b"\xef\xbb\xbfabc\n\xe4;1\n")
    assert refusal.startswith("log.csv, line 2: got the byte b'\\xe4', expected UTF-8")


@pytest.mark.parametrize(
    ("content", "called"),
    [
        (b"\xef\xbb\xbft;W\xe4rme\n", "UTF-8"),
        (b"\xef\xbb\xbft;v\n0;\0\n", "UTF-8"),
        ("t;v\n".encode("utf-16") + b"\x01", "UTF-16"),
    ],
)
@pytest.mark.parametrize("option", [None, "--encoding"])
def test_where_a_mark_tells_no_other_encoding_is_advised(
    content: bytes, called: str, option: str | None
) -> None:
    assert _refusal(content, option=option).endswith(
        f"expected {called} text; its byte-order mark says {called}, but not all of it is: save it anew"
    )


def test_what_no_usual_encoding_makes_letters_of_is_refused_without_a_guess() -> None:
    refusal = _refusal(b"t;v\n0;\x81\xb0\n", option="--encoding")
    assert refusal.endswith("save it in UTF-8, or name its encoding: --encoding NAME")


def test_a_named_encoding_that_does_not_fit_is_told_by_its_name() -> None:
    assert "expected ASCII text" in _refusal(TEXT.encode(), encoding="ascii")
    assert "no such text, expected UNDEFINED" in _refusal(
        b"t;v\n", encoding="undefined"
    )
