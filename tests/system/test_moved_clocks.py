"""A session whose computer has its clocks stepped, or sleeps, or is too busy: seen in the store it leaves.

`tests/campaigns/clocks.py` does the same at many moments, and more kinds of it.
"""

import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.campaigns.clocks import INTERVAL_S, Trouble, measured, store_of
from tests.campaigns.clocks_findings import Findings, Known, look_at

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]

STEPPED = "stepped"


@pytest.fixture(scope="module")
def stepped(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Known]:
    """A session during which UTC was set a day forward, and back again."""
    folder = tmp_path_factory.mktemp(STEPPED)
    return store_of(folder), measured(folder, Trouble.FORWARD, seed=3)


def test_a_clock_set_forward_and_back_changes_no_reading_and_no_average(
    stepped: tuple[Path, Known],
) -> None:
    found = look_at(*stepped)
    assert found.wrong == 0, found
    assert (found.finished, found.missing) == (1, 0)
    # UTC was looked at after each of the steps, and what came then is attached to the new one.
    assert len(stepped[1].steps_s) == 2
    assert found.offsets >= 3


def test_a_minute_asleep_is_a_gap_and_settles_nothing(tmp_path: Path) -> None:
    known = measured(tmp_path, Trouble.ASLEEP, seed=1)
    found = look_at(store_of(tmp_path), known)
    assert found.wrong == 0, found
    assert found.finished == 1
    assert found.missing >= 60.0 / INTERVAL_S - 3
    with closing(sqlite3.connect(store_of(tmp_path))) as store:
        events = [text for (text,) in store.execute("SELECT text FROM events")]
    assert any("silent, no reading for 60 s" in text for text in events)


def test_polls_that_a_busy_computer_missed_are_counted_with_their_reason(
    tmp_path: Path,
) -> None:
    known = measured(tmp_path, Trouble.BUSY, seed=1)
    found = look_at(store_of(tmp_path), known)
    assert found.wrong == 0, found
    assert found.finished == 1
    assert found.gaps == {"line was busy": 2}
    assert found.missing >= 2 * (3.0 / INTERVAL_S - 2)


# ---- what is wrong is found


def changed(stepped: tuple[Path, Known], folder: Path, statement: str) -> Findings:
    store, known = stepped
    copy = Path(shutil.copyfile(store, folder / "bench.db"))
    with closing(sqlite3.connect(copy)) as connection, connection:
        assert connection.execute(statement).rowcount > 0
    return look_at(copy, known)


@pytest.mark.parametrize(
    ("statement", "kind"),
    [
        ("UPDATE clocks SET utc_us = utc_us + 100000 WHERE id = 1", "utc_wrong"),
        ("DELETE FROM readings_meter WHERE seq BETWEEN 100 AND 101", "unexplained"),
        ("UPDATE readings_meter SET at_s = at_s - 0.7 WHERE seq = 100", "disordered"),
        (
            "UPDATE averages SET mean = mean + expanded_uncertainty",
            "averages_wrong",
        ),
    ],
)
def test_what_is_wrong_in_a_store_is_found(
    stepped: tuple[Path, Known], tmp_path: Path, statement: str, kind: str
) -> None:
    assert getattr(changed(stepped, tmp_path, statement), kind) > 0
