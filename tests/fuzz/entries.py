"""Targets: readings that an operator types, letter by letter or all at once, and the file of what was acknowledged before.

What a typed text says is read a second time by hand and by `decimal`; the file is edited as other TOML files are.
"""

import math
from collections.abc import Sequence
from decimal import Decimal, InvalidOperation

from daq.checklist.kept import (
    FOR_EVER_S,
    Entry,
    Kept,
    entry_text,
    parse_entries,
    render_entries,
)
from daq.cli.typing_line import TypingLine
from daq.operations import LONGEST_TEXT, CannotRead, TypedReading
from daq.runtime.snapshot import AskingLine
from daq.typed import Display, doubts_about, parse_entry
from daq.typed.entry import strays_among
from tests.fuzz.payloads import is_harmless
from tests.fuzz.texts import edited

_MOST_SAID = 600
_MOST_SAID_OF_FILE = 1000
_LONGEST_TYPED = 20
_DISPLAYS = (
    Display("current", 0.01),
    Display("pressure", 5.0, low=0.0, full_scale=2500.0),
    Display("power", 1.0, low=0.0, high=3600.0, full_scale=3000.0),
    Display("temperature", 0.1, low=-40.0, high=400.0),
)
_LIKE_DIGITS = str.maketrans({"\N{MINUS SIGN}": "-", ",": "."})


def typed_reading(script: bytes) -> None:
    """Texts for one meter, parted by line ends: refused in one line, or the number that stands there."""
    if len(script) < 2:
        return
    display = _DISPLAYS[script[0] % len(_DISPLAYS)]
    text = script[1:].decode("utf-8", "replace")
    before: list[float] = []
    for typed in text.split("\n"):
        value = _take(typed, display, before)
        before += [] if value is None else [value]
    strays = strays_among(before, display)
    assert not (strays and len(before) < 3)
    assert all(value in before for value in strays)
    _type_letters(text)


def _take(typed: str, display: Display, before: Sequence[float]) -> float | None:
    """What becomes of one text, as the page and the command hand it on."""
    try:
        operation = TypedReading(display.channel, typed)
        entry = parse_entry(operation.text, display)
    except ValueError as refused:
        _check_said(str(refused))
        # Ten thousand characters are no number either way.
        written = number_in(typed)
        assert written is None or not _can_be(written, display), f"refused: {typed!r}"
        return None
    assert len(operation.text) <= LONGEST_TEXT
    assert is_harmless(operation.text)
    written = number_in(operation.text)
    assert written == entry.value == float(entry.text), f"{entry} of {typed!r}"
    assert math.isfinite(entry.value)
    assert _can_be(entry.value, display)
    _check_said(display.shown(entry.value))
    for neighbours, earlier in ((before, ()), ((), before), (before, before)):
        for doubt in doubts_about(entry, display, neighbours=neighbours, earlier=earlier):  # fmt: skip
            _check_said(doubt)
    again = doubts_about(entry, display, neighbours=(entry.value,))
    assert again == doubts_about(entry, display), "doubted beside its equal"
    return entry.value


def number_in(text: str) -> float | None:
    """A sign, digits, a point or comma, digits; at most twenty characters; None where it is anything else."""
    plain = text.strip().translate(_LIKE_DIGITS)
    if len(plain) > _LONGEST_TYPED or not set(plain) <= set("+-.0123456789"):
        return None
    try:
        return float(Decimal(plain))
    except InvalidOperation:
        return None


def _can_be(value: float, display: Display) -> bool:
    is_below = display.low is not None and value < display.low
    return not is_below and (display.high is None or value <= display.high)


def _check_said(text: str) -> None:
    assert text
    assert text.isprintable(), f"obeyed by a terminal: {text!r}"
    assert len(text) <= _MOST_SAID, f"{len(text)} characters said"


# ---- letters at the terminal

_ASKING = AskingLine(
    channel="current",
    title="Current",
    unit="A",
    place="",
    decimals=2,
    number=2,
    least=3,
    since_s=970.0,
    until_s=1000.0,
)


def _type_letters(text: str) -> None:
    """Only letters of a number stand on the line, and Enter hands on just those."""
    line, typed = TypingLine(), ""
    line.follow(_ASKING)
    for letter in text.replace("\n", "\r"):
        assert line.takes(letter)
        answer = line.feed(letter)
        if letter == "\r" and typed:
            assert answer == TypedReading("current", typed)
            typed = ""
        elif letter == "x":
            assert answer == CannotRead("current")
        else:
            assert answer is None
            is_taken = letter in "0123456789.,+-" and len(typed) < _LONGEST_TYPED
            typed = typed[:-1] if letter in "\b\x7f" else typed + letter * is_taken
        for shown in line.lines():
            _check_said(shown)


# ---- what was acknowledged before sessions

_CHECKS = """\
format = 1

[[acknowledged]]
item = "zero of the pressure meter"
about = "manometer on ttyUSB0, profile \\"gauge\\""
answer = "measured"
utc = "2026-11-28T08:15:00Z"
figures = { zero_pa = -0.4, spread_pa = 0.25 }

[[acknowledged]]
item = "ports sealed"
about = "orifice of 20 mm"
answer = "yes"
utc = "2026-11-30T09:00:00+01:00"
"""
_NOW_UTC = "2026-11-30T12:00:00Z"


def checks_file(script: bytes) -> None:
    """The file beside the store: refused in one line, or entries that can be told, written and read again."""
    text = edited(script, (_CHECKS,))
    if text is None:
        return
    try:
        entries = parse_entries(text)
    except ValueError as refused:
        said = str(refused)
        assert said
        assert said.isprintable(), f"obeyed by a terminal: {said!r}"
        assert len(said) <= _MOST_SAID_OF_FILE, f"{len(said)} characters said"
        return
    kept = Kept(entries, _NOW_UTC)
    for entry in entries:
        found = kept.find(entry.item, entry.about, holds_s=FOR_EVER_S)
        assert found is None or found.item == entry.item
        assert is_harmless(entry_text(entry)), f"obeyed by a terminal: {entry!r}"
        assert is_harmless(entry.day)
    assert _plain(parse_entries(render_entries(entries))) == _plain(entries)


def _plain(entries: Sequence[Entry]) -> list[tuple[str, str, str, str, dict[str, float]]]:  # fmt: skip
    """Figures as numbers of one kind."""
    return [
        (e.item, e.about, e.answer, e.utc, {k: float(v) for k, v in e.figures.items()})
        for e in entries
    ]
