"""A service that is killed at any moment has lost nothing that is older than 1.2 s, and goes on by itself.

`tests/campaigns/kills.py` does the same hundreds of times, in every state.
"""

import asyncio
import shutil
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.campaigns.kills import Tally, run_session
from tests.campaigns.kills_findings import copied, is_commit_cut, look_at
from tests.campaigns.kills_moments import Moment
from tests.campaigns.kills_service import Seen
from tests.runtime.stored_bench import METER, POWER, opened, result, run_trial
from tests.system.bench_process import BenchFolder
from tests.system.recorded_bench import all_settled, record_session
from tests.system.serving import quick_filters


@pytest.fixture
def bench(tmp_path: Path) -> BenchFolder:
    """The shipped filters with the first condition only, averaged for as short as can be."""
    bench = quick_filters(tmp_path)
    bench.edit("plan.toml", "[settling]", "[averaging]\nleast_s = 30\n\n[settling]")
    text = (tmp_path / "plan.toml").read_text(encoding="utf-8")
    kept, _, rest = text.partition('[[condition]]\nname = "coarse filter"')
    _, mark, rest = rest.partition("[prices]")
    assert mark
    (tmp_path / "plan.toml").write_text(kept + mark + rest, encoding="utf-8")
    return bench


@pytest.mark.slow
@pytest.mark.pty
@pytest.mark.timeout(240)
@pytest.mark.skipif(not Path("/proc").is_dir(), reason="no /proc to see open files in")
def test_a_service_killed_again_and_again_loses_nothing_and_ends_its_session(
    bench: BenchFolder,
) -> None:
    tally = Tally()
    moments = [
        *(Moment.MIGRATING, Moment.SETTLING, Moment.RESUMING),
        *(Moment.COMMITTING, Moment.DONE),
    ]
    run_session(bench, moments, tally, seed=5)
    assert tally.violations == []
    assert tally.kills.total() == len(moments)
    assert sum(found.checked for found in tally.findings.values()) > 20
    assert tally.sessions == 1


# ---- the campaign finds what is wrong


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return record_session(tmp_path_factory.mktemp("recorded") / "bench.db", all_settled)


@pytest.fixture
def store(recorded: Path, tmp_path: Path) -> Path:
    return Path(shutil.copyfile(recorded, tmp_path / "bench.db"))


def change(store: Path, *statements: str) -> None:
    with closing(sqlite3.connect(store)) as connection, connection:
        for statement in statements:
            connection.execute(statement)


def shown(store: Path) -> list[Seen]:
    """Every reading of the mains meter, shown long before the kill."""
    with closing(sqlite3.connect(store)) as connection:
        rows = connection.execute("SELECT at_s, current_a, power_w FROM readings_meter")
        return [
            Seen("meter", at_s, {"current": current, "power": power}, 0.0)
            for at_s, current, power in rows
        ]


def found_wrong(store: Path, seen: list[Seen]) -> dict[str, list[str]]:
    findings, _ = look_at(store, seen=seen, killed_real_s=1.3, before=None)
    assert findings.checked == len(seen)
    return findings.wrong


def test_a_store_with_all_that_was_shown_has_nothing_wrong(store: Path) -> None:
    assert found_wrong(store, shown(store)) == {}


@pytest.mark.parametrize(
    ("statement", "kind"),
    [
        ("DELETE FROM readings_meter WHERE seq = 40", "reading lost"),
        ("UPDATE readings_meter SET power_w = NULL WHERE seq = 40", "half row"),
        ("DELETE FROM averages", "half row"),
        ("DELETE FROM sessions", "half row"),
    ],
)
def test_what_is_missing_from_a_store_is_found(
    store: Path, statement: str, kind: str
) -> None:
    seen = shown(store)
    change(store, statement)
    assert set(found_wrong(store, seen)) == {kind}


def test_a_reading_younger_than_promised_may_be_missing(store: Path) -> None:
    seen = shown(store)
    change(store, "DELETE FROM readings_meter WHERE seq = 40")
    findings, _ = look_at(store, seen=seen, killed_real_s=1.1, before=None)
    assert (findings.checked, findings.wrong) == (0, {})


@pytest.mark.parametrize(
    "statement",
    [
        "DELETE FROM readings_meter WHERE seq = 40",
        "UPDATE averages SET mean = mean + 1.0",
        "UPDATE trials SET state = 'unfinished'",
    ],
)
def test_what_was_there_before_and_is_not_any_more_is_found(
    store: Path, statement: str
) -> None:
    _, before = look_at(store, seen=[], killed_real_s=0.0, before=None)
    change(store, statement)
    findings, _ = look_at(store, seen=[], killed_real_s=0.0, before=before)
    assert findings.wrong["was there before"]


def test_a_damaged_store_is_found(store: Path) -> None:
    content = bytearray(store.read_bytes())
    content[8192:12288] = bytes(4096)
    store.write_bytes(content)
    with pytest.raises(sqlite3.DatabaseError):
        look_at(store, seen=[], killed_real_s=0.0, before=None)


def test_a_commit_that_was_begun_and_not_ended_is_seen_in_the_log(
    tmp_path: Path,
) -> None:
    path = tmp_path / "bench.db"

    async def run_and_be_killed() -> Path:
        async with opened(path, METER) as store:
            await run_trial(store, result("7a1", POWER))
            return copied(path, tmp_path / "copy")

    copy = asyncio.run(run_and_be_killed())
    assert not is_commit_cut(copy)
    log = copy.with_name("bench.db-wal")
    # One frame, a head of 24 bytes and a page, less: the newest is none that ends a commit.
    log.write_bytes(log.read_bytes()[: -(24 + 4096)])
    assert is_commit_cut(copy)
