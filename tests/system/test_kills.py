"""A service that is killed at any moment has lost nothing that is older than 1.2 s, and goes on by itself.

`tests/campaigns/kills.py` does the same hundreds of times, in every state.
"""

import asyncio
import shutil
import signal
import sqlite3
from collections import Counter
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from random import Random

import pytest

from tests.campaigns import kills, kills_moments
from tests.campaigns.kills import run_session
from tests.campaigns.kills_findings import (
    Findings,
    copied,
    is_commit_cut,
    lines_settled,
    look_at,
)
from tests.campaigns.kills_moments import Moment, reach
from tests.campaigns.kills_service import KilledService, Seen
from tests.campaigns.kills_verdict import Tally, unmeasured
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
    assert tally.checked > 20
    assert tally.sessions == 1
    assert tally.wanted.total() == len(moments)
    assert tally.lines == 1


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


# ---- the campaign: when it proves something


def tally() -> Tally:
    """A session that was killed four times, with all that was asked for."""
    moments = (Moment.IDLE, Moment.SETTLING, Moment.RESUMING, Moment.FINISHED)
    return Tally(
        wanted=Counter(moments),
        kills=Counter(moments),
        findings={Moment.SETTLING: Findings(checked=40)},
        sessions=1,
        lines=4,
        settled=3,
    )


def lacking(of: Tally, *, is_broken_off: bool = False) -> list[str]:
    return [*unmeasured(of, kills=4, sessions=1, is_broken_off=is_broken_off)]


def test_a_session_with_all_its_kills_is_all_that_was_asked_for() -> None:
    assert lacking(tally()) == []


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.findings.clear(), "0 readings held against the store, of 3"),
        (lambda t: setattr(t, "settled", 1), "1 of 4 trials settled"),
        (lambda t: setattr(t, "lines", 0), "no trial was done"),
        (lambda t: setattr(t, "sessions", 0), "0 of 1 sessions carried"),
        (lambda t: t.kills.subtract([Moment.IDLE]), "3 of 4 kills"),
    ],
)
def test_each_thing_that_was_not_measured_is_told(
    change: Callable[[Tally], object], words: str
) -> None:
    of = tally()
    change(of)
    assert lacking(of)[0].startswith(words)


def test_a_moment_that_never_came_is_told_and_kills_that_all_fell_elsewhere() -> None:
    of = tally()
    of.kills = Counter({Moment.ANOTHER: 4})
    assert lacking(of) == [
        "never idle, though that was wanted 1 times",
        "never settling, though that was wanted 1 times",
        "never while resuming itself, though that was wanted 1 times",
        "never just finished, though that was wanted 1 times",
        "4 of 4 fell on another moment than was wanted",
    ]


def test_a_campaign_without_a_kill_has_measured_nothing() -> None:
    assert lacking(Tally())[:2] == ["0 of 4 kills", "0 of 1 sessions carried to their end"]  # fmt: skip
    assert lacking(tally(), is_broken_off=True) == ["broken off"]


def test_settled_trials_are_those_with_averages(store: Path) -> None:
    settled = lines_settled(store)
    assert settled > 0
    change(store, "DELETE FROM averages WHERE trial_id = 1")
    assert lines_settled(store) == settled - 1


class Deaf(KilledService):
    """No process: it opens nothing, writes nothing and has not ended."""

    def __init__(self, bench: BenchFolder) -> None:
        self.bench = bench

    @property
    def has_ended(self) -> bool:
        return False

    def has_opened(self, file: Path) -> bool:
        return file == self.bench.path


@pytest.mark.parametrize("moment", [Moment.MAKING, Moment.RESUMING, Moment.COMMITTING])
def test_a_moment_that_does_not_come_in_time_is_another(
    bench: BenchFolder, monkeypatch: pytest.MonkeyPatch, moment: Moment
) -> None:
    passed = iter(range(0, 10_000, 5))
    monkeypatch.setattr(kills_moments, "pause", lambda _seconds: None)
    monkeypatch.setattr(kills_moments, "monotonic", lambda: float(next(passed)))
    bench.store.with_name(f"{bench.store.name}-wal").write_bytes(b"log")
    random = Random(1)  # noqa: S311 - moments, no secret
    assert reach(moment, Deaf(bench), random) is Moment.ANOTHER


def run(monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    monkeypatch.setattr("sys.argv", ["kills.py", *words])
    handlers = {each: signal.getsignal(each) for each in (signal.SIGINT, signal.SIGTERM)}  # fmt: skip
    try:
        return kills.main()
    finally:
        for number, handler in handlers.items():
            signal.signal(number, handler)


def test_a_campaign_that_is_interrupted_is_told_as_broken_off(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(*_args: object, **_options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(kills, "run_session", interrupted)
    assert run(monkeypatch, "--kills", "3", "--sessions", "1") == 130
    told = capsys.readouterr().out
    assert "NOT MEASURED: broken off" in told
    assert "NOT MEASURED: 0 of 3 kills" in told


def test_a_campaign_whose_witness_was_shown_nothing_is_not_passed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def deaf(_bench: object, moments: list[Moment], of: Tally, **_seed: int) -> None:
        of.wanted.update(moments)
        of.kills.update(moments)
        of.sessions, of.lines, of.settled = 1, 4, 4

    monkeypatch.setattr(kills, "run_session", deaf)
    assert run(monkeypatch, "--kills", "3", "--sessions", "1") == 1
    told = capsys.readouterr().out
    assert "NOT MEASURED: 0 readings held against the store, of 3 kills" in told


@pytest.mark.parametrize("words", [("--kills", "0"), ("--sessions", "0")])
def test_nothing_at_all_is_a_wrong_argument(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: tuple[str, str],
) -> None:
    with pytest.raises(SystemExit) as ended:
        run(monkeypatch, *words)
    assert ended.value.code == 2
    assert f"argument {words[0]}: must be 1 or more, got 0" in capsys.readouterr().err
