"""What is private stays at home; what is kept on purpose does not."""

import dataclasses

import pytest

from daq.comparison.session import LeftOut, compare_session
from daq.records import TrialState
from daq.report.content import INSTRUCTION, Instrument, ReportContent
from daq.report.page import render_page
from daq.report.redacting import LEFT_OUT, Private, Redaction, redacted
from tests.core.report.made_session import REAL, compared, content, figures_of, trace

NOTHING_KNOWN = Redaction()
KNOWN = Redaction(
    names={
        Private.PATHS: ("ports/mains",),
        Private.HOST: ("workshop-3", "broker.example.org"),
    }
)


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("see /home/anna/bench/notes.txt now", f"see {LEFT_OUT} now"),
        ("in ~/bench", f"in {LEFT_OUT}"),
        ("../runs/bench.db", LEFT_OUT),
        (r"C:\Users\anna\bench.db", LEFT_OUT),
        ("/dev/serial/by-id/usb-adapter_A50285BI-if00", LEFT_OUT),
        ("COM7 at 9600", f"{LEFT_OUT} at 9600"),
        ("socket://192.0.2.7:4001", LEFT_OUT),
        ("broker at 192.0.2.7", f"broker at {LEFT_OUT}"),
        ("ask anna@example.org", f"ask {LEFT_OUT}"),
        ("Blower, S/N 48213-07", f"Blower, {LEFT_OUT}"),
        ("meter-SN48213", f"meter-{LEFT_OUT}"),
        ("serial no. AB1234 of 2019", f"{LEFT_OUT} of 2019"),
        ("Serial number: X-99812", LEFT_OUT),
        ("Ser.-Nr. 12345", LEFT_OUT),
        (r"on \\fileserver\share\bob now", f"on {LEFT_OUT} now"),
        ("C:/Users/anna/bench.db", LEFT_OUT),
        ("card 00:1B:44:11:3A:B7", f"card {LEFT_OUT}"),
        ("at fe80::1ff:fe23:4567:890a", f"at {LEFT_OUT}"),
        ("annas-laptop.local", LEFT_OUT),
        ("broker bench-pc7:1883", f"broker {LEFT_OUT}"),
    ],
)
def test_what_looks_private_is_left_out(text: str, left: str) -> None:
    assert NOTHING_KNOWN.text(text) == left


@pytest.mark.parametrize(
    "text",
    [
        "Drying blower, 230 V",
        "1.5 mm², 25 m / 10 A",
        "velocity in m/s, flow in m3/h and/or L/s",
        "over a serial line at 38400 baud",
        "IEC 60228, class 5; JCGM 100:2008 (GUM), 5.1.2",
        "ISO 5801:2017 and 1.2 kg/m³",
        "version 0.1.0",
        "snow on 2026-03-02T10:00:00.000Z",
    ],
)
def test_plain_words_and_figures_stay(text: str) -> None:
    assert KNOWN.text(text) == text


def test_known_names_are_left_out_as_whole_words() -> None:
    assert KNOWN.text("on Workshop-3, line ports/mains") == (
        f"on {LEFT_OUT}, line {LEFT_OUT}"
    )
    assert KNOWN.text("workshop-30") == "workshop-30"


def test_what_is_kept_on_purpose_stays() -> None:
    kept = dataclasses.replace(KNOWN, kept=frozenset({Private.SERIALS, Private.HOST}))
    assert kept.text("S/N 48213 on workshop-3 in /srv/bench/a.db") == (
        f"S/N 48213 on workshop-3 in {LEFT_OUT}"
    )


def test_states_and_numbers_of_records_stay_what_they_are() -> None:
    seen = NOTHING_KNOWN.value((TrialState.FINISHED, 1.5, None, {"/a/b": ("x",)}))
    assert seen == (TrialState.FINISHED, 1.5, None, {LEFT_OUT: ("x",)})


def private_content() -> ReportContent:
    figures = figures_of({"short lead": (20.0, 20.1), "S/N 7781-2": (19.0, 19.1)})
    note = "Bert leaned on the hose"
    figures = dataclasses.replace(
        figures, left_out=(LeftOut(9, "short lead", "unfinished", note),)
    )
    return content(
        compare_session(figures),
        traces=(dataclasses.replace(trace(), note=note),),
        instruments=(Instrument("meter", "/home/anna/my-meter.toml", "ports/mains"),),
        plan=(("condition", "short lead"), (INSTRUCTION, "Ask Bert for it")),
        commands=("daq compare /home/anna/bench.db",),
        store="/home/anna/bench.db",
        host="workshop-3",
    )


def test_a_published_page_holds_nothing_private() -> None:
    page = render_page(redacted(private_content(), KNOWN))
    for private in ("anna", "Bert", "ports/mains", "workshop-3", "7781"):
        assert private not in page
    # What anybody may know is there still.
    for public in (
        "bench.db",
        "my-meter.toml",
        "unfinished",
        "Blower",
        "were left out",
    ):
        assert public in page


def test_a_published_page_keeps_what_was_asked_for() -> None:
    kept = dataclasses.replace(KNOWN, kept=frozenset(Private))
    page = render_page(redacted(private_content(), kept))
    for private in ("anna", "Bert", "ports/mains", "workshop-3", "7781"):
        assert private in page


def test_the_figures_are_the_same() -> None:
    made = content(compared(REAL))
    public = redacted(made, KNOWN)
    assert public.comparison.comparisons == made.comparison.comparisons
    assert public.is_published
