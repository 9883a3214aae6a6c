"""The file of what was acknowledged, and what the computer tells of its clock and disk."""

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from daq.checklist.kept import Entry
from daq.errors import InputError
from daq.runtime.clock import Clock
from daq.runtime.store.schema import migrate
from daq.runtime.walk_computer import clock_facts, free_bytes
from daq.runtime.walk_file import checks_path, load_entries, save_entries

ENTRIES = (
    Entry("hold", "meter on /dev/a", "yes", "2026-11-30T08:00:00.000Z"),
    Entry(
        "zero:velocity", "vane", "measured", "2026-11-30T08:00:00.000Z", {"mean": 0.01}
    ),
)
NOW_US = 1_796_025_600_000_000
"""2026-11-30T08:00:00Z."""


def clock(*, boot_id: str = "boot", since_boot_s: float = 1000.0) -> Clock:
    return Clock(
        since_boot_s=lambda: since_boot_s, utc_us=lambda: NOW_US, boot_id=boot_id
    )


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store that was last written 400 s before, when the clock was 3 s behind."""
    path = tmp_path / "bench.db"
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        migrate(connection)
        for boot, monotonic_s, utc_us in (
            ("earlier", 5.0, NOW_US - 10_000_000_000),
            ("boot", 600.0, NOW_US - 403_000_000),
        ):
            connection.execute(
                "INSERT INTO clocks (boot_id, monotonic_s, utc_us, speed) VALUES (?, ?, ?, 1)",
                (boot, monotonic_s, utc_us),
            )
    return path


# ---- the file


def test_what_is_kept_stands_beside_the_store_and_is_read_again(tmp_path: Path) -> None:
    path = checks_path(tmp_path / "bench.db")
    assert path == tmp_path / "bench.checks.toml"
    assert load_entries(path) == ()
    save_entries(path, ENTRIES)
    assert load_entries(path) == ENTRIES
    save_entries(path, ENTRIES[:1])
    assert load_entries(path) == ENTRIES[:1]
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize("content", [b"format = [", b"\xff", b"format = 9"])
def test_a_file_that_cannot_be_read_is_told_and_stays(
    tmp_path: Path, content: bytes
) -> None:
    path = tmp_path / "bench.checks.toml"
    path.write_bytes(content)
    with pytest.raises(InputError, match="move it away to be asked everything anew"):
        load_entries(path)
    assert path.read_bytes() == content


def test_a_folder_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="the answers were not kept"):
        save_entries(tmp_path / "nowhere" / "bench.checks.toml", ENTRIES)


# ---- the clock


@pytest.mark.parametrize(
    ("said", "expected"),
    [
        ("NTP=yes\nNTPSynchronized=yes\n", True),
        ("NTP=yes\nNTPSynchronized=no\n", False),
        (None, None),
    ],
)
def test_the_time_service_is_taken_at_its_word(
    tmp_path: Path,
    said: str | None,
    expected: bool | None,  # noqa: FBT001 - of the table above
) -> None:
    facts = clock_facts(clock(), tmp_path / "bench.db", ask=lambda: said)
    assert facts.is_synchronised is expected
    assert facts.utc == "2026-11-30T08:00:00.000Z"
    assert (facts.last_utc, facts.step_s) == (None, None)


def test_a_step_since_the_store_was_written_is_found(store: Path) -> None:
    facts = clock_facts(clock(), store, ask=lambda: None)
    assert facts.step_s == pytest.approx(3.0)
    assert facts.passed_s == pytest.approx(400.0)
    assert facts.last_utc == "2026-11-30T07:53:17.000Z"


def test_after_another_boot_no_step_can_be_told(store: Path) -> None:
    facts = clock_facts(clock(boot_id="later"), store, ask=lambda: None)
    assert facts.step_s is None
    assert facts.last_utc == "2026-11-30T07:53:17.000Z"


def test_a_store_that_is_none_tells_nothing_of_the_clock(tmp_path: Path) -> None:
    path = tmp_path / "bench.db"
    path.write_text("no store", encoding="utf-8")
    assert clock_facts(clock(), path, ask=lambda: None).last_utc is None


# ---- the disk


def test_the_disk_of_a_store_that_is_yet_to_come_is_that_of_the_nearest_folder(
    tmp_path: Path,
) -> None:
    free, folder = free_bytes(tmp_path / "results" / "bench.db")
    assert folder == tmp_path
    assert free > 0
