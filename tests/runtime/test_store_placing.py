"""New files get names that are free, also where something appears meanwhile, and none that SQLite takes for a part."""

import errno
import os
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

import pytest

from daq.cli.saving import save_bytes, save_text
from daq.errors import InputError
from daq.runtime.store.copying import copy_store
from daq.runtime.store.placing import place
from daq.runtime.store.underneath import Underneath
from tests.runtime.damaged_stores import kept_store

PARTS = ["-wal", "-shm", "-journal"]


def links(_: pytest.MonkeyPatch) -> None:
    pass


def no_links(monkeypatch: pytest.MonkeyPatch) -> None:
    """A file system that has none, like those of most memory sticks."""

    def refuse(*_: object, **__: object) -> None:
        raise OSError(errno.EPERM, os.strerror(errno.EPERM))

    monkeypatch.setattr(os, "link", refuse)


with_and_without_links = pytest.mark.parametrize("file_system", [links, no_links])


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return kept_store(tmp_path, 3)


def names(folder: Path) -> set[str]:
    return {file.name for file in folder.iterdir()}


@with_and_without_links
def test_a_file_that_appears_while_a_copy_is_made_is_not_written_over(
    path: Path,
    monkeypatch: pytest.MonkeyPatch,
    file_system: Callable[[pytest.MonkeyPatch], None],
) -> None:
    file_system(monkeypatch)
    copy = path.with_name("copy.db")

    def appear(*_: object) -> None:
        copy.write_text("mine")

    monkeypatch.setattr("daq.runtime.store.copying._check", appear)
    with pytest.raises(
        InputError, match=r"copy\.db: it is there already, name another"
    ):
        copy_store(path, copy)
    assert copy.read_text() == "mine"
    assert names(path.parent) == {"bench.db", "copy.db"}


@with_and_without_links
def test_a_file_that_appears_while_another_is_written_is_not_written_over(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    file_system: Callable[[pytest.MonkeyPatch], None],
) -> None:
    file_system(monkeypatch)
    target = tmp_path / "report.html"

    def write(file: IO[bytes]) -> None:
        file.write(b"ours")
        target.write_text("mine")

    with pytest.raises(InputError, match="it is there already"):
        save_bytes(target, write)
    assert target.read_text() == "mine"
    assert names(tmp_path) == {"report.html"}


@with_and_without_links
def test_a_file_gets_its_name_and_leaves_nothing_beside_it(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    file_system: Callable[[pytest.MonkeyPatch], None],
) -> None:
    file_system(monkeypatch)
    save_text(tmp_path / "report.html", ["one ", "two"])
    assert (tmp_path / "report.html").read_text() == "one two"
    assert names(tmp_path) == {"report.html"}


def test_a_name_that_was_taken_for_a_file_that_then_failed_is_free_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    no_links(monkeypatch)

    def fail(*_: object) -> Any:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    (tmp_path / "unfinished").write_text("ours")
    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(OSError, match="Input/output error"):
        place(tmp_path / "unfinished", tmp_path / "copy.db")
    assert names(tmp_path) == {"unfinished"}


def test_a_link_that_leads_nowhere_is_a_name_that_is_taken(path: Path) -> None:
    link = path.with_name("copy.db")
    link.symlink_to("absent.db")
    with pytest.raises(InputError, match="it is there already"):
        copy_store(path, link)
    assert link.is_symlink()


@pytest.mark.parametrize("part", PARTS)
def test_no_copy_is_laid_down_as_a_part_of_a_results_file(
    path: Path, part: str
) -> None:
    with pytest.raises(
        InputError, match=rf"{part}: it would be taken for a part of bench\.db"
    ):
        copy_store(path, path.with_name(f"bench.db{part}"))
    with pytest.raises(InputError, match=r"a part of bench\.db"):
        save_text(path.with_name(f"bench.db{part}"), ["a table"])
    assert names(path.parent) == {"bench.db"}


@pytest.mark.parametrize("part", PARTS)
def test_no_copy_is_made_beside_what_would_be_taken_for_its_part(
    path: Path, part: str
) -> None:
    left = path.with_name(f"copy.db{part}")
    left.write_bytes(b"of an earlier copy")
    with pytest.raises(InputError, match=rf"copy\.db{part} lies there"):
        copy_store(path, path.with_name("copy.db"))
    assert names(path.parent) == {"bench.db", left.name}


@with_and_without_links
def test_every_log_that_is_put_aside_keeps_a_name_of_its_own(
    path: Path,
    monkeypatch: pytest.MonkeyPatch,
    file_system: Callable[[pytest.MonkeyPatch], None],
) -> None:
    file_system(monkeypatch)
    log = path.with_name("bench.db-wal")
    with path.open("r+b") as file:
        underneath = Underneath(path, file.fileno())
        for content in ("first", "second", "third"):
            log.write_text(content)
            underneath.leave_log()
    kept = {file.name: file.read_text() for file in path.parent.glob("*.replaced*")}
    assert kept == {
        "bench.db-wal.replaced": "first",
        "bench.db-wal.replaced-2": "second",
        "bench.db-wal.replaced-3": "third",
    }
    assert not log.exists()
