"""What counts as printable, and which names look the same."""

import csv
import io
import json

import pytest

from daq.export import csv_text, json_document
from daq.printable import as_it_looks, is_shown_as_it_is, printable

RANGES = """
    00AD 034F 115F-1160 17B4-17B5 180B-180F 200B 2060-2064 206A-206F 3164 FEFF FFA0 FFF9-FFFB 1BCA0-1BCA3 1D173-1D17A
    E0000-E007F
"""
"""Of Unicode's Default_Ignorable_Code_Point (DerivedCoreProperties.txt), and of general category Cf."""


def _each() -> list[str]:
    ends = [[int(end, 16) for end in each.split("-")] for each in RANGES.split()]
    return [chr(code) for first, *last in ends for code in range(first, (last or [first])[0] + 1)]  # fmt: skip


UNSEEN = _each()
KEPT = [
    "\u0645\u06cc\u200c\u062e\u0648\u0627\u0647\u0645",
    "\u0915\u094d\u200d\u0937",
    "\u2764\ufe0f",
    "\u00e9 \u03a9 \u4e2d\ufffc\ufffd",
]
"""Persian and Devanagari with their joiners, a sign with its variation, and what is seen."""


def test_what_nobody_sees_becomes_a_blank() -> None:
    assert len(UNSEEN) == 169
    assert {printable(f"a{each}b") for each in UNSEEN} == {"a b"}
    assert [each for each in UNSEEN if is_shown_as_it_is(f"a{each}b")] == []


@pytest.mark.parametrize("text", KEPT, ids=ascii)
def test_what_scripts_need_stays(text: str) -> None:
    assert printable(text) == text
    assert is_shown_as_it_is(text)


def test_a_cell_that_begins_with_what_nobody_sees_is_no_formula() -> None:
    joiners = ["\u200c", "\u200d", "\ufe00", "\ufe0f", "\U000e0100", "\U000e01ef"]
    cells = [f"{each}{sign}1" for each in [*UNSEEN, *joiners] for sign in "=+-@"]
    written = csv_text(("cell",), [(cell,) for cell in cells])
    _, *rows = csv.reader(io.StringIO(written, newline=""))
    assert len(rows) == len(cells)
    assert {row[0][0] for row in rows} == {"'"}


def test_json_keeps_what_nobody_sees_and_shows_it() -> None:
    text = "".join(UNSEEN)
    written = json_document({"note": text})
    assert json.loads(written)["note"] == text
    assert written.isascii()


@pytest.mark.parametrize(
    ("name", "other"),
    [
        (" short\u00a0 lead\n", "short lead"),
        ("cafe\u0301", "caf\u00e9"),
        ("cafe\u034f\u0301", "caf\u00e9"),
        ("a\u200db\u200cc\ufe0f", "abc"),
        ("a \u200b b", "a b"),
        ("\u200b", ""),
    ],
    ids=ascii,
)
def test_names_that_a_reader_takes_for_one_are_the_same(name: str, other: str) -> None:
    assert as_it_looks(name) == as_it_looks(other) == other


@pytest.mark.parametrize("unseen", UNSEEN[::7], ids=ascii)
def test_nothing_unseen_makes_two_names_of_one(unseen: str) -> None:
    assert as_it_looks(f"{unseen}a{unseen}b{unseen}") == "ab"


@pytest.mark.parametrize("other", ["Short lead", "shortlead", "short-lead", "sh\u00f6rt lead"])  # fmt: skip
def test_names_that_look_different_stay_two(other: str) -> None:
    assert as_it_looks(other) != as_it_looks("short lead")
