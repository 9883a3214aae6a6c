"""A terminal, a pipe or a log that lacks some letters: what it lacks is shown as a question mark, and ends nothing."""

import io
import os
import signal
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from daq.cli.screens import display_for
from daq.runtime.snapshot import EventLine
from tests.system.bench_process import BenchFolder, Simulators
from tests.system.serving import Service, done, quick_filters
from tests.system.test_cli_slip import snapshot

NOTE = "R is 5 Ω → fine"
LINE = EventLine("2026-01-05T10:00:00.000Z", 1.0, f"Note from the page: {NOTE}")


class Stream(io.TextIOWrapper):
    """Standard output of a program that says how it encodes."""

    def __init__(self, encoding: str) -> None:
        self.said = io.BytesIO()
        super().__init__(self.said, encoding=encoding)


class Terminal(Stream):
    """The same where it is a terminal."""

    def isatty(self) -> bool:
        return True


@pytest.mark.parametrize("kind", [Stream, Terminal])
@pytest.mark.parametrize("name", ["stdout", "stderr"])
@pytest.mark.parametrize(
    ("encoding", "words"),
    [
        ("latin-1", b"R is 5 ? ? fine"),
        ("ascii", b"R is 5 ? ? fine"),
        ("utf-8", NOTE.encode()),
    ],
)
def test_letters_that_the_stream_does_not_have_are_replaced(
    monkeypatch: pytest.MonkeyPatch,
    name: str,
    encoding: str,
    words: bytes,
    kind: type[Stream],
) -> None:
    stream = kind(encoding)
    monkeypatch.setattr(sys, name, stream)
    with display_for("bench.toml", plain=True, to_stderr=name == "stderr") as display:
        display.event(LINE)
        display.say(NOTE)
    assert stream.said.getvalue().splitlines() == [
        b"2026-01-05T10:00:00.000Z  Note from the page: " + words,
        words,
    ]


@pytest.mark.parametrize("encoding", ["latin-1", "ascii"])
def test_the_live_slip_outlasts_letters_that_its_terminal_does_not_have(
    monkeypatch: pytest.MonkeyPatch, encoding: str
) -> None:
    for name, value in (("COLUMNS", "100"), ("LINES", "24"), ("TERM", "xterm")):
        monkeypatch.setenv(name, value)
    stream = Terminal(encoding)
    monkeypatch.setattr(sys, "stdout", stream)
    shown = replace(snapshot("averaging"), instruction="Fit 5 Ω.", events=(LINE,))
    with display_for("bench.toml", plain=False, to_stderr=False) as display:
        display.show(shown)
        display.say(NOTE)
    said = stream.said.getvalue()
    assert b"Note from the page: R is 5 ? ? fine" in said
    assert b"Fit 5 ?." in said


@pytest.fixture
def bench(tmp_path: Path) -> BenchFolder:
    return quick_filters(tmp_path)


@pytest.fixture
def simulators(bench: BenchFolder) -> Iterator[Simulators]:
    simulators = Simulators(bench, alone=True)
    yield simulators
    simulators.stop()


@pytest.mark.slow
@pytest.mark.pty
@pytest.mark.timeout(120)
def test_a_note_that_the_log_cannot_show_ends_no_service(
    bench: BenchFolder, simulators: Simulators, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert simulators.say("off")
    monkeypatch.setitem(os.environ, "PYTHONIOENCODING", "ascii")
    service = Service(bench)
    try:
        done(bench, "start", "filters")
        assert done(bench, "note", NOTE) == "Noted."
        bench.wait_for(lambda s: any(NOTE in e["text"] for e in s["events"]))
        assert bench.state()["session"]["number"] == 1
        service.signal(signal.SIGTERM)
        code, said = service.finish()
        assert code == 143, said
        assert "Note from the command line: R is 5 ? ? fine" in said
    finally:
        service.end()
