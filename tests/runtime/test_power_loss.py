"""The power fails at any fsync of a session: what was said to be kept is there, and nothing is half there.

`tests/campaigns/power_loss.py` does the same with longer sessions and more disks.
"""

import sqlite3
from pathlib import Path
from random import Random

import pytest

from daq.runtime.store import opening
from tests.campaigns.power_loss import (
    STORE,
    cut_everywhere,
    making_story,
    migration_story,
    session_story,
)
from tests.campaigns.power_loss_disk import SECTOR, Disk
from tests.campaigns.power_loss_recording import Asked, Kind, recording


def dice(seed: int) -> Random:
    return Random(seed)  # noqa: S311 - torn pages, no secret


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_what_was_said_to_be_kept_outlasts_a_power_failure_at_any_fsync(
    tmp_path: Path,
) -> None:
    random = dice(1)
    outcome = cut_everywhere(session_story(tmp_path, random, lines=2), random, torn=1)
    assert outcome.wrong == []
    assert outcome.syncs > 50
    assert outcome.images > 150


@pytest.mark.slow
@pytest.mark.parametrize("number", [1, 2])
def test_an_older_store_is_whole_when_the_power_fails_while_it_is_brought_up_to_date(
    tmp_path: Path, number: int
) -> None:
    outcome = cut_everywhere(migration_story(tmp_path, number), dice(2), torn=2)
    assert outcome.wrong == []
    assert outcome.images > 20


@pytest.mark.slow
def test_a_store_whose_making_was_cut_off_can_be_made_again(tmp_path: Path) -> None:
    outcome = cut_everywhere(making_story(tmp_path), dice(4), torn=4)
    assert outcome.wrong == []
    assert outcome.images > 20


@pytest.mark.slow
@pytest.mark.timeout(120)
def test_a_store_that_does_not_sync_each_commit_is_found_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def connect_carelessly(path: Path) -> sqlite3.Connection:
        connection = opening.connect_writer(path)
        # https://www.sqlite.org/pragma.html#pragma_synchronous: in WAL mode it might roll back commits at a power failure.
        connection.execute("PRAGMA synchronous = normal")
        return connection

    monkeypatch.setattr("daq.runtime.store.writer.connect_writer", connect_carelessly)
    random = dice(3)
    outcome = cut_everywhere(session_story(tmp_path, random, lines=1), random, torn=0)
    assert any("were promised" in text for text in outcome.wrong)


# ---- the disk


OLD, NEW = b"o" * SECTOR, b"n" * SECTOR


def written(offset: int, data: bytes) -> Asked:
    return Asked(Kind.WRITE, "file", offset, data)


def left(disk: Disk, share: float) -> set[bytes | None]:
    return {disk.image(dice(seed), share).get("file") for seed in range(200)}


def test_what_was_synced_is_there_and_what_was_not_may_be_in_any_sectors() -> None:
    disk = Disk({"file": OLD + OLD})
    disk.take(written(0, NEW + NEW))
    assert left(disk, 0.0) == {OLD + OLD}
    assert left(disk, 1.0) == {NEW + NEW}
    assert left(disk, 0.5) == {OLD + OLD, NEW + OLD, OLD + NEW, NEW + NEW}
    disk.take(Asked(Kind.SYNC, "file"))
    assert left(disk, 0.5) == {NEW + NEW}


def test_a_write_that_is_not_aligned_is_torn_at_the_borders_of_sectors() -> None:
    disk = Disk({"file": OLD + OLD})
    disk.take(written(SECTOR - 2, b"1234"))
    halves = {OLD[2:] + b"12", OLD}, {b"34" + OLD[2:], OLD}
    assert left(disk, 0.5) == {first + second for first in halves[0] for second in halves[1]}  # fmt: skip


def test_where_a_file_has_grown_zeros_or_rubbish_may_stand() -> None:
    disk = Disk({"file": b""})
    disk.take(written(0, NEW))
    found = left(disk, 0.5)
    assert {b"", NEW, bytes(SECTOR)} < found
    assert {len(content) for content in found if content is not None} == {0, SECTOR}


def test_a_deletion_can_come_undone_until_the_folder_is_synced() -> None:
    disk = Disk({"file": OLD})
    disk.take(Asked(Kind.DELETE, "file"))
    disk.take(Asked(Kind.SYNC, "other"))
    assert left(disk, 0.5) == {OLD, None}
    disk.take(Asked(Kind.SYNC_FOLDER, ""))
    assert left(disk, 0.5) == {None}


# ---- the recording


def test_what_is_recorded_makes_the_files_that_are_there(tmp_path: Path) -> None:
    """Closing deletes the log; up to then both files are what their writes made of them."""
    path = tmp_path / STORE
    with recording(tmp_path) as recorder:
        connection = opening.connect_writer(path, create=True)
        connection.execute("CREATE TABLE t (x)")
        connection.executemany("INSERT INTO t VALUES (?)", [(n,) for n in range(20)])
        disk = Disk({})
        for asked in recorder.log:
            disk.take(asked)
        image = disk.image(dice(1), 1.0)
        there = {
            f.name: f.read_bytes() for f in tmp_path.iterdir() if f.suffix != ".db-shm"
        }
        connection.close()
    assert image == there
    assert len(there) == 2
    assert recorder.log[-1].kind is Kind.DELETE


def test_nothing_is_recorded_of_other_folders_or_afterwards(tmp_path: Path) -> None:
    inside, outside = tmp_path / "inside", tmp_path / "outside"
    for folder in (inside, outside):
        folder.mkdir()
    with recording(inside) as recorder:
        opening.connect_writer(outside / STORE, create=True).close()
    opening.connect_writer(inside / STORE, create=True).close()
    assert recorder.log == []
