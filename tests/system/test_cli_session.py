"""`daq session`: a service operated from the same machine, session by session, and what it says where it cannot be."""

import json
import re
import sqlite3
import stat
import tempfile
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from tests.system.bench_process import BenchFolder, Simulators
from tests.system.command_line import Daq
from tests.system.serving import (
    FILTERS,
    Service,
    ask,
    begin_endless_trial,
    done,
    end_endless_trial,
    is_called_for,
    measure,
    quick_filters,
    switch_off,
)

NONE, COARSE, MEDIUM, FINE = FILTERS


def rows(store: Path, statement: str) -> list[tuple[Any, ...]]:
    with closing(sqlite3.connect(store)) as connection:
        return connection.execute(statement).fetchall()


@pytest.fixture
def bench() -> Iterator[BenchFolder]:
    # A socket beside the store needs a folder that is not too deep.
    with tempfile.TemporaryDirectory(prefix="sb-") as folder:
        yield quick_filters(Path(folder))


@pytest.fixture
def simulators(bench: BenchFolder) -> Iterator[Simulators]:
    simulators = Simulators(bench, alone=True)
    yield simulators
    simulators.stop()


@pytest.fixture
def service(bench: BenchFolder, simulators: Simulators) -> Iterator[Service]:
    assert simulators.say("off").startswith("ok")
    service = Service(bench)
    yield service
    service.end()


@pytest.mark.parametrize("words", [["status"], ["start", "filters"], ["note", "x"]])
def test_without_a_service_it_says_so_and_ends_with_5(
    run: Daq, folder: Path, words: list[str]
) -> None:
    ended = run("session", folder / "bench.toml", *words)
    assert ended.code == 5
    assert ended.out == ""
    assert ended.says_only("no service answers there", "daq serve")


def test_a_reading_below_zero_may_have_a_comma(run: Daq, folder: Path) -> None:
    ended = run("session", folder / "bench.toml", "reading", "inlet", "-0,5")
    # It got as far as to the service, which is not there.
    assert ended.code == 5
    assert ended.says_only("no service answers there; start one")


def test_a_socket_that_a_killed_service_left_is_no_service(
    run: Daq, folder: Path
) -> None:
    (folder / "bench.socket").touch()
    ended = run("session", folder / "bench.toml", "status")
    assert ended.code == 5
    assert ended.says_only("no service answers there")


@pytest.mark.parametrize(
    "words",
    [
        ["note", "cleaned", "the", "inlet"],
        ["skip", "--reason", "it", "is", "away"],
        ["repeat", "3", "--instead-because", "the", "window", "was", "open"],
        ["relabel", "2", "medium filter", "--reason", "fitted", "the", "other"],
        ["relabel", "--reason", "fitted the other", "2", "medium filter"],
    ],
)
def test_free_text_at_the_end_of_the_line_needs_no_quotes(
    run: Daq, folder: Path, words: list[str]
) -> None:
    ended = run("session", folder / "bench.toml", *words)
    # It got as far as to the service, which is not there.
    assert ended.code == 5
    assert ended.says_only("no service answers there")


@pytest.mark.parametrize(
    "words",
    [
        ["status", "now"],
        ["relabel", "2", "medium", "filter", "--reason", "fitted"],
        ["skip", "--reason", "away", "--instead-because", "x"],
        ["skip", "--reason", "it", "--sane"],
    ],
)
def test_words_that_belong_to_no_text_are_refused(
    run: Daq, folder: Path, words: list[str]
) -> None:
    ended = run("session", folder / "bench.toml", *words)
    assert ended.code == 2
    assert "unrecognized arguments: " in ended.err


@pytest.mark.parametrize(
    "words",
    [
        [],
        ["sing"],
        ["repeat", "first"],
        ["relabel", "1", "long lead"],
        ["renew", "all"],
    ],
)
def test_what_makes_no_sense_is_refused_before_anybody_is_asked(
    run: Daq, folder: Path, words: list[str]
) -> None:
    assert run("session", folder / "bench.toml", *words).code == 2


def stored_as_operated(store: Path) -> None:
    """What the session below leaves behind."""
    assert rows(store, "SELECT condition, state FROM trials ORDER BY id") == [
        (NONE, "finished"),
        (MEDIUM, "finished"),
        (COARSE, "set aside"),
        (COARSE, "finished"),
    ]
    assert rows(store, "SELECT DISTINCT state FROM sessions") == [("finished",)]
    # What the service adds of the machine was asked for by nobody.
    asked_for = "operations WHERE kind <> 'machine'"
    told = rows(store, f"SELECT kind FROM {asked_for} ORDER BY id")  # noqa: S608 - the test's own
    assert [kind for (kind,) in told] == [
        *("start", "relabel", "note", "pause", "go-on"),
        *("repeat", "repeat", "skip", "skip", "stop"),
    ]
    ways = rows(store, f"SELECT DISTINCT way FROM {asked_for}")  # noqa: S608 - the test's own
    assert ways == [("command line",)]


def repeat_the_first(bench: BenchFolder) -> None:
    """Its new line stands before the one that was called for, which had number 4."""
    words = done(bench, "repeat", "1")
    assert "all trials of this condition count." in words
    assert words.endswith("From line 4 on the lines have other numbers now; see status.")  # fmt: skip
    told = "\n".join(status(bench))
    assert f"  line 1: {NONE}, repeat 1, done, trial 1" in told
    assert f"  line 4: {NONE}, repeat 2, to come" in told
    assert f"  line 5: {FINE}, repeat 1, to come" in told
    assert "the numbers above hold" in told


def status(bench: BenchFolder) -> list[str]:
    return done(bench, "status").splitlines()


@pytest.mark.slow
@pytest.mark.pty
@pytest.mark.timeout(240)
@pytest.mark.usefixtures("service")
def test_a_whole_session_is_operated_from_the_command_line(
    bench: BenchFolder, simulators: Simulators
) -> None:
    assert bench.state()["stage"]["name"] == "idle"
    assert done(bench, "plans") == "filters: Duct fan, 230 V, 4 trials"
    refused = ask(bench, "pause")
    assert (refused.code, refused.out) == (1, "")
    assert "no session is in hand; start one first" in refused.err
    assert ask(bench, "start", "hoses").code == 1

    assert done(bench, "start", "filters").startswith("Session 1 begins: 4 trials.")
    assert "stop it first" in ask(bench, "start", "filters").err
    first = status(bench)
    assert "Session 1 of plan filters, running: 0 of 4 trials done." in first
    assert f"  line 1: {NONE}, to come" in first
    measure(bench, simulators, NONE)

    # The wrong one is fitted: the trial goes to its line, and the right one is called for again.
    bench.wait_for(lambda s: is_called_for(COARSE, s))
    measure(bench, simulators, MEDIUM)
    words = done(bench, "relabel", "2", MEDIUM, "--reason", "fitted the medium one")
    assert "Fitted the medium one." in words
    bench.wait_for(lambda s: is_called_for(COARSE, s))
    assert f"  line 3: {MEDIUM}, done, trial 2" in "\n".join(status(bench))

    assert done(bench, "note", "the", "door", "stood open") == "Noted."
    assert done(bench, "pause").startswith("Paused.")
    simulators.say(f"fit {COARSE}")
    simulators.say("on")
    bench.wait_for(lambda s: s["channels"][1]["value"] > 0.15)
    assert bench.state()["stage"]["name"] == "paused"
    switch_off(bench, simulators)
    bench.wait_for(lambda s: s["channels"][1]["value"] < 0.05)
    assert done(bench, "go-on").startswith("The session goes on")
    bench.wait_for(lambda s: is_called_for(COARSE, s))
    measure(bench, simulators, COARSE)

    bench.wait_for(lambda s: is_called_for(FINE, s))
    repeat_the_first(bench)
    bench.wait_for(lambda s: is_called_for(NONE, s))
    again = ["repeat", "2", "--instead-because", "the window was open"]
    assert "set aside" in done(bench, *again)
    bench.wait_for(lambda s: is_called_for(COARSE, s))
    measure(bench, simulators, COARSE)
    bench.wait_for(lambda s: is_called_for(NONE, s))
    done(bench, "skip")
    done(bench, "skip", "--reason", "it is at the workshop")
    bench.wait_for(lambda s: s["stage"]["name"] == "finished")
    assert "Session 1 of plan filters, finished: 3 of 5 trials done." in status(bench)
    shown = json.loads(done(bench, "status", "--json"))
    assert shown["session"]["skipped"] == 2
    assert done(bench, "stop") == "Session 1 is put away."
    assert bench.state()["session"] is None

    stored_as_operated(bench.store)


@pytest.mark.slow
@pytest.mark.pty
@pytest.mark.timeout(240)
@pytest.mark.usefixtures("service")
def test_a_session_that_is_stopped_goes_on_when_its_plan_is_started_again(
    bench: BenchFolder, simulators: Simulators
) -> None:
    done(bench, "start", "filters")
    measure(bench, simulators, NONE)
    begin_endless_trial(bench, simulators, COARSE)
    assert done(bench, "stop").startswith("Session 1 is left as it stands.")
    bench.wait_for(lambda s: s["stage"]["name"] == "idle")
    end_endless_trial(bench, simulators)
    assert "session 1 is unfinished, 1 of 4 done" in done(bench, "plans")
    assert done(bench, "start", "filters").startswith(
        "Session 1 goes on: 1 of 4 trials are done."
    )
    bench.wait_for(lambda s: is_called_for(COARSE, s))
    measure(bench, simulators, COARSE)
    assert rows(bench.store, "SELECT condition, state FROM trials ORDER BY id") == [
        (NONE, "finished"),
        (COARSE, "unfinished"),
        (COARSE, "finished"),
    ]


@pytest.mark.slow
@pytest.mark.pty
@pytest.mark.timeout(120)
def test_only_the_user_who_runs_the_service_may_open_its_socket_and_keys(
    bench: BenchFolder, service: Service
) -> None:
    for name in ("bench.socket", "bench.keys"):
        found = (bench.path / name).stat()
        assert stat.S_IMODE(found.st_mode) == 0o600, name
    links = done(bench, "links")
    (operate,) = re.findall(r"#operate=(\S+)", links)
    said = done(bench, "renew", "operator")
    assert "void" in said
    assert operate not in done(bench, "links")
    service.signal(15)
    code, log = service.finish()
    assert code == 143, log
    # A log may be read by others.
    assert operate not in log
    assert not (bench.path / "bench.socket").exists()
