"""Readings of a log in a results file: which trial they fall into, whose clock tells them, what is refused."""

import json
import sqlite3
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from daq.errors import InputError, StoreError
from daq.records import Accuracy, Channel, Gap, GapReason, Reading
from daq.runtime.store.importing import ImportedLog, importing
from tests.runtime.recorded_session import rows
from tests.system.recorded_bench import all_settled, record_session

LOG = "log"


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("recorded") / "store.db"
    return record_session(path, all_settled).read_bytes()


@pytest.fixture
def store(recorded: bytes, tmp_path: Path) -> Path:
    path = tmp_path / "store.db"
    path.write_bytes(recorded)
    return path


def channel(name: str = "volts", instrument: str = LOG) -> Channel:
    return Channel(
        name, "Volts", "voltage", "V", "", instrument, 0, Accuracy(resolution=0.1), 1.0
    )


def log(
    times_s: Sequence[float],
    *,
    of: Channel | None = None,
    gaps: Sequence[Gap] = (),
    sha256: str = "aa",
) -> ImportedLog:
    """On the session's time, which began when the bench's clock stood at 1000 s."""
    one = of or channel()
    columns = [{"channel": one.name, "column": "U", "unit": "V"}]
    return ImportedLog(
        (one,),
        tuple(Reading(one.instrument, at_s, (230.0,)) for at_s in times_s),
        tuple(gaps),
        {"sha256": sha256, "columns": columns},
    )


def add(store: Path, one: ImportedLog, *, keeping: bool = True) -> int:
    with importing(store, keeping=keeping) as opened:
        session = opened.replay.placed(None)
        columns = [str(c["column"]) for c in _columns(one)]
        opened.expect_new(1, str(one.detail["sha256"]), columns)
        opened.expect_free(1, one)
        return opened.add_log(session, one)


def _columns(one: ImportedLog) -> list[dict[str, object]]:
    columns: Any = one.detail["columns"]
    return list(columns)


def trial_times(store: Path) -> list[tuple[float, float]]:
    """Of the session's trials [s of the session]."""
    found = rows(store, "SELECT started_s - 1000, ended_s - 1000 FROM trials")
    return [(float(on), float(off)) for on, off in found]


def test_readings_fall_into_the_trials_by_their_time(store: Path) -> None:
    (first, second) = trial_times(store)
    times_s = [first[0] - 3.0, first[0] + 3.0, second[0] + 3.0, second[1] + 3.0]
    assert add(store, log(times_s)) == 4
    found = rows(store, "SELECT at_s - 1000, trial_id, volts_v FROM readings_log")
    assert found == [
        (times_s[0], None, 230.0),
        (times_s[1], 1, 230.0),
        (times_s[2], 2, 230.0),
        (times_s[3], None, 230.0),
    ]


def test_what_is_far_from_every_trial_is_not_kept(store: Path) -> None:
    (first, _) = trial_times(store)
    assert add(store, log([-5000.0, first[0] + 1.0, 90_000.0])) == 1


def test_imported_readings_are_a_span_of_their_session(store: Path) -> None:
    (first, _) = trial_times(store)
    add(store, log([first[0] + 1.0, first[0] + 2.0]))
    spans = rows(store, "SELECT session_id, first_seq, last_seq FROM spans ORDER BY id")
    span = spans[-1]
    seqs = rows(store, "SELECT min(seq), max(seq) FROM readings_log")
    assert span == (1, *seqs[0])


def test_a_line_that_could_not_be_read_is_a_gap(store: Path) -> None:
    (first, _) = trial_times(store)
    gap = Gap(LOG, first[0] + 2.0, GapReason.GARBLED, "line 7")
    add(store, log([first[0] + 1.0], gaps=[gap]))
    found = rows(
        store,
        "SELECT trial_id, at_s - 1000, detail FROM gaps WHERE instrument = 'log'",
    )
    assert found == [(1, first[0] + 2.0, "line 7")]


def test_the_journal_holds_what_was_imported_and_how(store: Path) -> None:
    (first, _) = trial_times(store)
    add(store, log([first[0] + 1.0]))
    (row,) = rows(
        store,
        "SELECT session_id, way, detail_json FROM operations WHERE kind = 'import'",
    )
    assert row[:2] == (1, "command line")
    assert json.loads(row[2])["columns"] == [
        {"channel": "volts", "column": "U", "unit": "V"}
    ]


def test_the_same_content_is_refused_under_whatever_name(store: Path) -> None:
    (first, _) = trial_times(store)
    add(store, log([first[0] + 1.0]))
    again = log([first[0] + 1.0], of=channel("other", "elsewhere"))
    with pytest.raises(
        InputError, match="as channel 'volts'; nothing is imported twice"
    ):
        add(store, again)


def test_another_log_of_the_same_meter_may_follow_and_may_not_overlap(
    store: Path,
) -> None:
    (first, second) = trial_times(store)
    add(store, log([first[0] + 1.0, first[0] + 9.0]))
    assert add(store, log([second[0] + 1.0], sha256="bb")) == 1
    with pytest.raises(InputError, match="trial 1 has 1 readings of this meter"):
        add(store, log([first[0] + 5.0, first[0] + 20.0], sha256="cc"))


def test_names_of_the_bench_are_not_taken(store: Path) -> None:
    with pytest.raises(
        InputError, match="channel 'power' is one of instrument 'meter'"
    ):
        add(store, log([10.0], of=channel("power")))
    with pytest.raises(InputError, match="instrument 'meter' is one of the bench's"):
        add(store, log([10.0], of=channel("volts", "meter")))


def test_nothing_stays_of_a_dry_run(store: Path) -> None:
    before = _dump(store)
    (first, _) = trial_times(store)
    assert add(store, log([first[0] + 1.0]), keeping=False) == 1
    assert _dump(store) == before


def test_nothing_stays_of_what_was_refused(store: Path) -> None:
    before = _dump(store)
    (first, _) = trial_times(store)

    def add_and_fail() -> None:
        with importing(store, keeping=True) as opened:
            opened.add_log(opened.replay.placed(None), log([first[0] + 1.0]))
            opened.replay.placed(7)

    with pytest.raises(InputError, match="no session 7"):
        add_and_fail()
    assert _dump(store) == before


def _dump(store: Path) -> list[str]:
    with closing(sqlite3.connect(store)) as connection:
        return list(connection.iterdump())


def test_a_store_that_is_not_there_is_told(tmp_path: Path) -> None:
    with (
        pytest.raises(StoreError, match="no results file there"),
        importing(tmp_path / "none.db", keeping=True),
    ):
        pass


def test_idle_readings_are_those_before_each_trial(store: Path) -> None:
    (first, second) = trial_times(store)
    zeroed = Channel(
        "push",
        "Push",
        "pressure",
        "Pa",
        "",
        LOG,
        0,
        Accuracy(),
        1.0,
        subtract_idle=True,
    )
    times_s = [first[0] - 30.0 + i for i in range(30)] + [second[0] + 1.0]
    with importing(store, keeping=True) as opened:
        session = opened.replay.placed(None)
        opened.add_log(session, log(times_s, of=zeroed))
        logged = opened.replay.logged(session.recorded)
    # Up to two seconds before the current is seen to rise; the pause before the second trial was too short.
    assert len(logged[1][0].idle) == 29
    assert logged[2][0].idle == ()
    assert logged[2][0].times_s.tolist() == [second[0] + 1001.0]
