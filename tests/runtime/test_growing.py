"""The comparison that grows with its session: what it says, and the process that makes it."""

import asyncio
import json
import os
import sqlite3
import sys
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, closing, suppress
from dataclasses import replace
from pathlib import Path

import pytest

from daq.comparison.session import compare_session
from daq.comparison_words import answer_sentences
from daq.errors import InputError
from daq.records import TrialState
from daq.runtime.compared_lines import compared_so_far
from daq.runtime.growing import Growing, StoredComparisons
from daq.runtime.snapshot import ComparisonLine
from daq.runtime.store.compared import read_session_figures
from daq.runtime.store.past import read_comparison_stamp
from tests.runtime.compared_sessions import ONCE, REPEATED, Carried, store_session
from tests.runtime.stored_bench import add_clock, begin_session, begin_trial, opened
from tests.runtime.waiting import until

FORMAT_1 = Path(__file__).parent.parent / "vectors" / "store_format_1.sql"
PYTHON = (sys.executable, "-S", "-c")
SAID = ComparisonLine(1, (), ("Only the baseline was averaged.",))
ANSWER = json.dumps({"after_trials": 1, "differences": [], "answer": SAID.answer})
NOT_YET = "The comparison cannot be made yet: "


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bench.db"


def alter(path: Path, statement: str, *values: object) -> None:
    with closing(sqlite3.connect(path)) as connection, connection:
        connection.execute(statement, values)


def so_far(path: Path, session: int = 1) -> ComparisonLine:
    line = compared_so_far(path, session)
    assert line is not None
    return line


# ---- what it says


def test_the_answer_is_that_of_the_comparison_of_the_whole_session(path: Path) -> None:
    store_session(path)
    line = so_far(path)
    whole = compare_session(read_session_figures(path, 1))
    assert line.answer == tuple(answer_sentences(whole))
    assert line.after_trials == 6


def test_answer_and_required_channels_are_compared_condition_by_condition(
    path: Path,
) -> None:
    line = so_far(store_session(path))
    assert [(d.channel, d.condition) for d in line.differences] == [
        ("airflow_standard", "long lead"),
        ("airflow_standard", "thin lead"),
        ("power", "long lead"),
        ("power", "thin lead"),
    ]
    long_lead = line.differences[2]
    # 0.95 and 0.951 squared against 1 and 1.001 squared.
    expected = 1400.0 * (0.95**2 + 0.951**2 - 1.0 - 1.001**2) / 2.0
    assert long_lead.difference == pytest.approx(expected)
    base = 1400.0 * (1.0 + 1.001**2) / 2.0
    assert long_lead.percent == pytest.approx(100.0 * expected / base)
    assert (long_lead.verdict, long_lead.unit) == ("real", "W")
    assert long_lead.words.startswith("long lead: ")
    assert long_lead.words.endswith("the difference is real.")


def test_what_was_not_repeated_is_undecided(path: Path) -> None:
    line = so_far(store_session(path, ONCE))
    assert {d.verdict for d in line.differences} == {"undecided"}


def test_what_does_not_differ_is_none_found(path: Path) -> None:
    alike = [
        replace(c, factor=1.0 + 1e-3 * (n % 2 - 0.5))
        for n, c in enumerate([*REPEATED, *REPEATED])
    ]
    line = so_far(store_session(path, alike))
    assert {d.verdict for d in line.differences} == {"none found"}


def test_a_trial_set_aside_is_not_compared(path: Path) -> None:
    store_session(path, ONCE)
    alter(path, "UPDATE trials SET state = 'set aside' WHERE condition = 'long lead'")
    assert {d.condition for d in so_far(path).differences} == {"thin lead"}


# ---- where there is nothing to compare yet


def test_before_the_first_trial_there_is_no_comparison(path: Path) -> None:
    async def begin() -> None:
        async with opened(path) as store:
            await begin_session(store)

    asyncio.run(begin())
    assert compared_so_far(path, 1) is None


@pytest.mark.parametrize(
    ("trials", "count", "words"),
    [
        (ONCE[:1], 1, "Only the baseline “short lead” was averaged"),
        (ONCE[1:2], 1, "No trial of the baseline “short lead” was averaged"),
        (
            [Carried("short lead", state=TrialState.NOT_SETTLED)],
            0,
            "No trial of this session was averaged",
        ),
    ],
)
def test_why_nothing_can_be_compared_yet_is_said(
    path: Path, trials: list[Carried], count: int, words: str
) -> None:
    line = so_far(store_session(path, trials))
    (sentence,) = line.answer
    assert sentence.startswith(words)
    assert (line.after_trials, line.differences) == (count, ())


async def test_a_running_trial_is_not_counted(path: Path) -> None:
    await asyncio.to_thread(store_session, path, ONCE[:1])
    alter(path, "UPDATE trials SET state = 'running', ended_s = NULL")
    assert so_far(path).after_trials == 0


def test_a_plan_that_cannot_be_read_is_told_in_words(path: Path) -> None:
    with closing(sqlite3.connect(path)) as connection:
        connection.executescript(FORMAT_1.read_text(encoding="utf-8"))
    line = so_far(path)
    (sentence,) = line.answer
    assert sentence.startswith(f"{NOT_YET}plan of session 1:")
    assert str(path.parent) not in sentence
    # Of two trials one was finished.
    assert line.after_trials == 1


def test_a_session_that_is_not_there_is_an_error(path: Path) -> None:
    store_session(path, ONCE)
    with pytest.raises(InputError, match="no session 2"):
        compared_so_far(path, 2)


# ---- the process


class News:
    """What was told of a growing comparison."""

    def __init__(self) -> None:
        self.lines: list[ComparisonLine | None] = []

    async def next_line(self) -> ComparisonLine | None:
        await until(lambda: bool(self.lines))
        return self.lines.pop(0)


@asynccontextmanager
async def running(growing: Growing) -> AsyncIterator[None]:
    async with asyncio.TaskGroup() as tasks:
        task = tasks.create_task(growing.run())
        yield
        task.cancel()


def growing_by(
    path: Path, code: str, *, longest_s: float = 60.0
) -> tuple[Growing, News]:
    """A comparison that another program makes."""
    news = News()
    program = (*PYTHON, code)
    growing = Growing(path, news.lines.append, program=program, longest_s=longest_s)
    return growing, news


def has_ended(pid: int) -> bool:
    with suppress(ProcessLookupError):
        os.kill(pid, 0)
        return False
    return True


def lines_of(file: Path) -> list[str]:
    return file.read_text(encoding="utf-8").splitlines() if file.exists() else []


WRITES_PID = (
    "import os, sys, time; open(sys.argv[1] + '.pid', 'a').write(f'{os.getpid()}\\n'); "
)
WRITES_SESSION = (
    "import sys, os, time; open(sys.argv[1] + '.log', 'a').write(sys.argv[2] + '\\n'); "
)


@pytest.mark.slow
async def test_the_comparison_is_made_while_the_store_is_written(path: Path) -> None:
    await asyncio.to_thread(store_session, path)
    news = News()
    growing = Growing(path, news.lines.append)
    async with opened(path) as store, running(growing):
        session = await begin_session(store)
        await begin_trial(store, session, await add_clock(store))
        growing.ended(1, 6)
        assert await news.next_line() == so_far(path)


@pytest.mark.slow
async def test_a_store_that_is_gone_is_told_without_its_place(path: Path) -> None:
    news = News()
    growing = Growing(path, news.lines.append)
    async with running(growing):
        growing.ended(1, 3)
        line = await news.next_line()
    assert line is not None
    (sentence,) = line.answer
    assert sentence.startswith(f"{NOT_YET}no results file there")
    assert (line.after_trials, line.differences) == (3, ())


async def test_a_process_that_is_killed_is_told_and_the_next_one_answers(
    path: Path,
) -> None:
    again = f"{path}.again"
    growing, news = growing_by(
        path,
        f"import os, signal\nif not os.path.exists({again!r}):\n"
        f" open({again!r}, 'w'); os.kill(os.getpid(), signal.SIGKILL)\nprint({ANSWER!r})",
    )
    async with running(growing):
        growing.ended(1, 1)
        killed = await news.next_line()
        growing.ended(1, 1)
        assert await news.next_line() == SAID
    assert killed is not None
    assert killed.answer == (f"{NOT_YET}its process was ended from outside (killed).",)


@pytest.mark.parametrize(
    ("code", "words"),
    [
        ("print('no JSON')", "its process gave an answer that cannot be read"),
        ("print('{}')", "its process gave an answer that cannot be read"),
        ("raise SystemExit(7)", "its process ended with code 7"),
        ("import sys; sys.exit('first\\nthe disk is full')", "the disk is full."),
        ("1 / 0", "ZeroDivisionError"),
    ],
)
async def test_a_process_that_fails_is_told_in_words(
    path: Path, code: str, words: str
) -> None:
    growing, news = growing_by(path, code)
    async with running(growing):
        growing.ended(1, 2)
        line = await news.next_line()
    assert line is not None
    assert line.answer[0].startswith(f"{NOT_YET}{words}")
    assert line.after_trials == 2


async def test_a_program_that_is_not_there_is_told_in_words(path: Path) -> None:
    news = News()
    growing = Growing(path, news.lines.append, program=(str(path / "nothing"),))
    async with running(growing):
        growing.ended(1, 2)
        line = await news.next_line()
    assert line is not None
    assert line.answer[0].startswith(f"{NOT_YET}its process could not be started")


@pytest.mark.slow
async def test_a_process_that_takes_too_long_is_ended(path: Path) -> None:
    growing, news = growing_by(path, WRITES_PID + "time.sleep(600)", longest_s=1.0)
    pids = path.with_name("bench.db.pid")
    async with running(growing):
        growing.ended(1, 2)
        line = await news.next_line()
    assert line is not None
    assert line.answer == (f"{NOT_YET}it took longer than 1 s.",)
    assert all(has_ended(int(pid)) for pid in lines_of(pids))


async def test_the_process_ends_with_the_service(path: Path) -> None:
    growing, news = growing_by(path, WRITES_PID + "time.sleep(600)")
    pids = path.with_name("bench.db.pid")
    async with running(growing):
        growing.ended(1, 2)
        await until(lambda: bool(lines_of(pids)))
    assert has_ended(int(lines_of(pids)[0]))
    assert news.lines == []


def gated(path: Path) -> tuple[str, Callable[[], None]]:
    """A program that answers with its session as soon as it is let go."""
    gate = path.with_name("gate")
    code = (
        WRITES_SESSION
        + f"\nwhile not os.path.exists({str(gate)!r}): time.sleep(0.005)\n"
        + f"print({ANSWER!r})"
    )
    return code, gate.touch


async def test_of_several_wishes_the_newest_is_fulfilled(path: Path) -> None:
    code, let_go = gated(path)
    growing, news = growing_by(path, code)
    log = path.with_name("bench.db.log")
    async with running(growing):
        growing.ended(1, 1)
        await until(lambda: lines_of(log) == ["1"])
        for session in (2, 3, 4):
            growing.ended(session, 1)
        let_go()
        assert await news.next_line() == SAID
    # What was found of the first session is no news in the fourth.
    assert (lines_of(log), news.lines) == (["1", "4"], [])


async def test_a_session_that_is_left_is_compared_no_further(path: Path) -> None:
    code, let_go = gated(path)
    growing, news = growing_by(path, WRITES_PID + code)
    pids = path.with_name("bench.db.pid")
    async with running(growing):
        growing.ended(1, 1)
        await until(lambda: bool(lines_of(pids)))
        growing.left()
        await until(lambda: has_ended(int(lines_of(pids)[0])))
        let_go()
        growing.ended(2, 1)
        assert await news.next_line() == SAID
    assert news.lines == []


# ---- of a stored session


async def stored_line(
    comparisons: StoredComparisons, path: Path, session: int = 1
) -> ComparisonLine | None:
    trials = read_comparison_stamp(path, session)
    return await comparisons.line_of(path, session, trials)


@pytest.fixture
def stored(path: Path) -> Path:
    """A store whose session has one trial."""
    return store_session(path, ONCE[:1])


async def test_a_stored_comparison_is_made_once_for_as_long_as_nothing_changes(
    stored: Path,
) -> None:
    program = (*PYTHON, WRITES_SESSION + f"print({ANSWER!r})")
    comparisons = StoredComparisons(program=program)
    log = stored.with_name("bench.db.log")
    assert await stored_line(comparisons, stored) == SAID
    assert await stored_line(comparisons, stored) == SAID
    assert lines_of(log) == ["1"]
    alter(stored, "UPDATE trials SET condition = 'long lead'")
    assert await stored_line(comparisons, stored) == SAID
    assert lines_of(log) == ["1", "1"]


async def test_a_stored_comparison_that_failed_is_tried_again(stored: Path) -> None:
    program = (*PYTHON, WRITES_SESSION + "sys.exit('too little memory')")
    comparisons = StoredComparisons(program=program)
    for _ in range(2):
        line = await stored_line(comparisons, stored)
        assert line is not None
        assert line.answer == (f"{NOT_YET}too little memory.",)
        assert line.after_trials == 1
    assert lines_of(stored.with_name("bench.db.log")) == ["1", "1"]


async def test_a_stored_comparison_that_failed_counts_what_would_have_been_compared(
    path: Path,
) -> None:
    unfinished = Carried("long lead", state=TrialState.NOT_SETTLED)
    await asyncio.to_thread(store_session, path, [*ONCE[:1], unfinished])
    comparisons = StoredComparisons(program=(*PYTHON, "sys.exit('no')"))
    line = await stored_line(comparisons, path)
    assert line is not None
    assert line.after_trials == so_far(path).after_trials == 1


async def test_without_a_trial_no_process_is_started(stored: Path) -> None:
    comparisons = StoredComparisons(program=(str(stored / "nothing"),))
    assert await stored_line(comparisons, stored, session=2) is None


async def test_several_viewers_of_a_session_start_one_process(stored: Path) -> None:
    code, let_go = gated(stored)
    comparisons = StoredComparisons(program=(*PYTHON, code))
    log = stored.with_name("bench.db.log")
    async with asyncio.TaskGroup() as viewers:
        looking = [
            viewers.create_task(stored_line(comparisons, stored)) for _ in range(3)
        ]
        await until(lambda: bool(lines_of(log)))
        let_go()
    assert [viewer.result() for viewer in looking] == [SAID] * 3
    assert lines_of(log) == ["1"]


async def test_the_process_ends_with_whoever_waited_for_it(stored: Path) -> None:
    code = WRITES_PID + "time.sleep(600)"
    comparisons = StoredComparisons(program=(*PYTHON, code))
    pids = stored.with_name("bench.db.pid")
    async with asyncio.TaskGroup() as viewers:
        first, second = (
            viewers.create_task(stored_line(comparisons, stored)) for _ in range(2)
        )
        await until(lambda: len(lines_of(pids)) == 1)
        first.cancel()
        # The other one's turn has come: it is compared for that one.
        await until(lambda: len(lines_of(pids)) == 2)
        assert has_ended(int(lines_of(pids)[0]))
        second.cancel()
    assert has_ended(int(lines_of(pids)[1]))
